"""Work in parallel threads, in an order that the graph allows, with the same results on any number of them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from queue import SimpleQueue
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
    behind: dict[str | None, list[str]] = {}
    for name in names:
        behind.setdefault(needs.get(name), []).append(name)
    ended: SimpleQueue[tuple[str, Future[Result]]] = SimpleQueue()

    def task(name: str, needed: Result | None) -> Result:
        with one_place():
            return work(name, needed)

    if loads:
        _load_what_threads_share()
    with allowed(max(1, jobs)), _threads(jobs) as pool:

        def begin(names: Sequence[str], needed: Result | None) -> int:
            for name in names:
                pool.submit(task, name, needed).add_done_callback(partial(_tell, ended, name))
            return len(names)

        running = begin(behind.get(None, ()), None)
        while running:
            name, future = ended.get()
            running -= 1
            try:
                done[name] = future.result()
            except Exception as error:
                failed(name, error)
            else:
                running += begin(behind.get(name, ()), done[name])
    return {name: done[name] for name in names if name in done}


def _tell(ended: SimpleQueue[tuple[str, Future[Result]]], name: str, future: Future[Result]) -> None:
    ended.put((name, future))


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
