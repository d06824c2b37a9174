"""Who does the work on a sound: this process, or the workers of a Dask cluster.

Work is a pure function and what it is given, sounds and files' bytes among it, so a worker needs no folder of ours. A
worker that is lost is nothing but lost time: Dask gives its work to another. Workers must have the same code,
libraries and kind of processor as this machine, or they might make other bytes; they are asked, and refused if not.
"""

from __future__ import annotations

import logging
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from threading import Thread
from typing import Any, Protocol, TypeVar, cast

from kitfold.errors import PlanError
from kitfold.render.jobs import default_jobs
from kitfold.render.keys import code_digest, made_with, sound_parts

__all__ = ["Cluster", "Crew", "Here", "crew_at"]

Result = TypeVar("Result")

_WAIT_S = 10.0
_LOOK_S = 2.0  # how often, while a piece of work is away, we look whether anybody is left to do it
_GONE_S = 60.0  # so long new workers may take to come where all have gone
_AHEAD = 2  # each thread of a worker has one piece of work in hand and one waiting
_LOST_BEFORE_GIVING_UP = 10  # a piece of work whose workers died so often is what kills them


class Crew(Protocol):
    """Somebody who does work."""

    @property
    def far(self) -> bool:
        """Whether the work is done by other processes, which have neither our files nor our cache."""
        ...

    @property
    def threads(self) -> int:
        """How many pieces of work are worth having in hand at once."""
        ...

    def do(self, work: Callable[..., Result], *given: Any) -> Result:
        """Do one piece of work, and wait for its result."""
        ...


class Here:
    """The process that asks, by itself.

    Parameters
    ----------
    jobs : int or None, threads; None: one a processor
    """

    far = False

    def __init__(self, jobs: int | None = None) -> None:
        self.threads = jobs or default_jobs()

    def do(self, work: Callable[..., Result], *given: Any) -> Result:
        """Do it now."""
        return work(*given)


class Cluster:
    """The workers of a Dask cluster.

    Parameters
    ----------
    client : distributed.Client
    say : called with a sentence where all workers have gone, each time
    """

    far = True

    def __init__(self, client: Any, say: Callable[[str], None]) -> None:
        self._client = client
        self._say = say
        self._alone = False

    @property
    def threads(self) -> int:
        """Twice as many as the workers have, and one where they have all gone: new ones may come."""
        return max(1, _AHEAD * sum(int(threads) for threads in self._client.nthreads().values()))

    def do(self, work: Callable[..., Result], *given: Any) -> Result:
        """Let a worker do it; what it raises is raised here.

        Raises
        ------
        PlanError : where the scheduler has gone, or all workers have and none comes within a minute
        """
        from distributed import CancelledError

        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Sending large graph")  # a sound is what it is
            future = self._client.submit(work, *given, pure=False)
        answer, seen = _answer_of(future), time.monotonic()
        while not wait([answer], _LOOK_S).done:
            if self._client.status != "running":
                raise _gone("the scheduler has gone")
            if self._client.nthreads():
                seen, self._alone = time.monotonic(), False
                continue
            if not self._alone:
                self._alone = True
                self._say(f"all workers have gone: waiting up to {_GONE_S:.0f} s for one to come")
            if time.monotonic() - seen > _GONE_S:
                raise _gone(f"all workers have gone, and none has come for {_GONE_S:.0f} s")
        try:
            return cast(Result, answer.result())
        except CancelledError:
            raise _gone("the scheduler has gone") from None


def _answer_of(future: Any) -> Future[Any]:
    """Let a thread wait for a result and fetch it: Dask's own wait gives up in the middle of a fetch."""
    answer: Future[Any] = Future()

    def fetch() -> None:
        try:
            answer.set_result(future.result())
        except BaseException as error:  # raised again where the answer is wanted
            answer.set_exception(error)

    Thread(target=fetch, daemon=True).start()
    return answer


@contextmanager
def crew_at(address: str | None, jobs: int | None, say: Callable[[str], None] = lambda _text: None) -> Iterator[Crew]:
    """Give who does the work: the cluster at an address, or this process without one.

    Parameters
    ----------
    address : str or None, a Dask scheduler, like ``tcp://192.168.1.20:8786``
    jobs : int or None, threads of this process
    say : called with a sentence where the scheduler does not answer at once, or all workers have gone

    Raises
    ------
    PlanError : where Dask is not installed, nobody answers, nobody works, or a worker might make other bytes
    """
    if address is None:
        yield Here(jobs)
        return
    client = _client(address, say)
    try:
        _refuse_others(client, address)
        yield Cluster(client, say)
    finally:
        client.close()


def _client(address: str, say: Callable[[str], None]) -> Any:
    import asyncio

    try:
        import dask
        from distributed import Client
    except ImportError:
        raise PlanError(
            "needs Dask, which is not installed",
            where="--cluster",
            hint="install it with: pip install 'kitfold[cluster]'",
        ) from None
    logging.getLogger("distributed.client").setLevel(logging.CRITICAL)  # what goes wrong is said in our own words
    dask.config.set({"distributed.scheduler.allowed-failures": _LOST_BEFORE_GIVING_UP})
    try:
        # Asked first without a Client: one that fails to connect closes itself when it is collected, for which Dask
        # takes a lock. Collected while another starts in this thread, which holds it, the two would wait for ever.
        with ThreadPoolExecutor(1) as apart:  # this thread may have an event loop of its own
            asked = apart.submit(asyncio.run, _answers(address))
            if not wait([asked], _LOOK_S).done:
                say(f"{address} has not answered yet: waiting up to {_WAIT_S:.0f} s")
            asked.result()
        return Client(address, timeout=_WAIT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise PlanError(
            f"no Dask scheduler answers at {address or 'an empty address'} ({error})",
            where="--cluster",
            hint="start one with `dask scheduler`, and workers with `dask worker ADDRESS`",
        ) from None


async def _answers(address: str) -> None:
    from distributed.comm.core import connect

    comm = await connect(address, timeout=_WAIT_S)  # type: ignore[no-untyped-call]
    await comm.close()


def _gone(what: str) -> PlanError:
    hint = "build again, without --fresh: what is done is kept, and the rest is made anew"
    return PlanError(what, where="--cluster", hint=hint)


def _refuse_others(client: Any, address: str) -> None:
    """Refuse a cluster without workers, or with one that has other code, libraries or processors."""
    try:
        client.wait_for_workers(1, timeout=_WAIT_S)
    except TimeoutError:
        raise PlanError(
            f"the scheduler at {address} has no worker", where="--cluster", hint=f"start one: `dask worker {address}`"
        ) from None
    here = _who()
    try:
        others = client.run(_who)
    except ImportError as error:
        raise PlanError(
            f"a worker has no kitfold ({error})", where="--cluster", hint="install the same version on every machine"
        ) from None
    for worker, there in sorted(others.items()):
        differs = [
            f"{name} {there.get(name)} (here {value})" for name, value in here.items() if there.get(name) != value
        ]
        if differs:
            raise PlanError(
                f"the worker {worker} could make other bytes: it has {', '.join(differs)}",
                where="--cluster",
                hint="install the same versions on every machine, of the same kind",
            )


def _who() -> dict[str, str]:
    """Return what can change the last bit of a sound and of what is stored of it, for people to read."""
    parts = {name: str(value) for name, value in made_with().items()}
    return {**parts, "code": code_digest(*sound_parts(), "pack")[:12]}
