"""Work in parallel threads, in an order that the graph allows, with the same results on any number of them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from typing import TypeVar

from kitfold.threads import allowed, one_place

__all__ = ["default_jobs", "in_order"]

Result = TypeVar("Result")


def default_jobs() -> int:
    """Return the number of processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def in_order(
    names: Sequence[str],
    needs: Mapping[str, str | None],
    work: Callable[[str, Result | None], Result],
    jobs: int,
    failed: Callable[[str, Exception], None],
    loads: bool = True,
) -> dict[str, Result]:
    """Do `work(name, result of what it needs)` for every name, each after the one it needs.

    Heavy libraries release the interpreter lock, so threads help; results depend on inputs alone.

    Parameters
    ----------
    names : sequence of str, each after what it needs
    needs : mapping, name to the one it needs, or None
    work : called in a thread
    jobs : int, threads
    failed : called with a name and what its work raised; what needs that name is then skipped
    loads : bool, the work needs whole scipy, which is loaded before threads start; the steps and the packing do not

    Returns
    -------
    dict, in the order of `names`
    """
    done: dict[str, Result] = {}
    waiting, lost = list(names), set[str]()
    running: dict[Future[Result], str] = {}

    def task(name: str, needed: Result | None) -> Result:
        with one_place():
            return work(name, needed)

    if loads:
        _load_what_threads_share()
    with allowed(max(1, jobs)), _threads(jobs) as pool:
        while waiting or running:
            lost.update(name for name in waiting if needs.get(name) in lost)
            ready = [name for name in waiting if needs.get(name) is None or needs[name] in done]
            waiting = [name for name in waiting if name not in ready and name not in lost]
            for name in ready:
                running[pool.submit(task, name, done.get(needs.get(name) or ""))] = name
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                name = running.pop(future)
                try:
                    done[name] = future.result()
                except Exception as error:
                    failed(name, error)
                    lost.add(name)
    return {name: done[name] for name in names if name in done}


def _load_what_threads_share() -> None:
    """Load parts of scipy: two threads that load them at once can meet in a half-loaded one."""
    import scipy.fft
    import scipy.ndimage  # noqa: F401


@contextmanager
def _threads(jobs: int) -> Iterator[ThreadPoolExecutor]:
    """Give a pool of threads that, on an error or Ctrl-C, drops what has not begun; Ctrl-C waits for nothing."""
    pool = ThreadPoolExecutor(max_workers=max(1, jobs))
    try:
        yield pool
    except BaseException as error:
        pool.shutdown(wait=isinstance(error, Exception), cancel_futures=True)
        raise
    pool.shutdown()
