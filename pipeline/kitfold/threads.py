"""Threads that have nothing to do help whoever has several things to do at once.

The render says how many threads may work at a time. Each task holds one place while it runs; a step that makes several
things that do not depend on each other (the layers of a stack) gives them to `at_once`, which takes what places are
free at that moment. So one long chain uses all processors, and many chains never use more than were allowed. Nothing
here changes a result: the same things are made, in whatever order.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

__all__ = ["allowed", "at_once", "one_place", "uninterrupted"]

Item = TypeVar("Item")
Result = TypeVar("Result")

_places = [threading.Semaphore(0)]  # the last one counts; at first nobody helps, since nobody has allowed it


@contextmanager
def allowed(threads: int) -> Iterator[None]:
    """Allow so many threads to work at once, for the length of the block."""
    places = threading.Semaphore(threads)
    _places.append(places)
    try:
        yield
    finally:
        _places.remove(places)


@contextmanager
def one_place() -> Iterator[None]:
    """Hold one place for the length of the block; wait until there is one."""
    with _places[-1]:
        yield


def at_once(make: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """Make something of every item, with the help of threads that are free.

    Parameters
    ----------
    make : function of one item; must not depend on the order
    items : sequence

    Returns
    -------
    list, one result an item, in their order

    Raises
    ------
    Exception : what `make` raised of the first item that failed, in their order; all helpers have ended by then
    """
    results: dict[int, Result] = {}
    failures: dict[int, BaseException] = {}
    waiting = iter(range(len(items)))
    turn = threading.Lock()

    def work() -> None:
        while not failures:
            with turn:
                place = next(waiting, None)
            if place is None:
                return
            try:
                results[place] = make(items[place])
            except BaseException as error:  # raised again below, in the thread that asked
                failures[place] = error

    helpers = _helpers(work, len(items) - 1)
    work()
    for helper in helpers:
        helper.join()
    if failures:
        raise failures[min(failures)]
    return [results[place] for place in range(len(items))]


def uninterrupted(function: Callable[..., Result], *given: Any, **named: Any) -> Result:
    """Call a function where Ctrl-C cannot reach it, and wait for it.

    Ctrl-C raises in the main thread wherever that is. Within a function that a C library calls back, as libsndfile does
    to read and write bytes in memory, it is printed and lost, and what was being written has a hole. So such calls
    leave the main thread, which is interrupted while it waits.
    """
    if threading.current_thread() is not threading.main_thread():
        return function(*given, **named)
    results: list[Result] = []
    failures: list[BaseException] = []

    def call() -> None:
        try:
            results.append(function(*given, **named))
        except BaseException as error:  # raised again below
            failures.append(error)

    thread = threading.Thread(target=call, daemon=True)
    thread.start()
    thread.join()
    if failures:
        raise failures[0]
    return results[0]


def _helpers(work: Callable[[], None], most: int) -> list[threading.Thread]:
    """Start a thread for every place that is free, up to `most`; each gives its place back when it ends."""
    places = _places[-1]

    def helped() -> None:
        try:
            work()
        finally:
            places.release()

    helpers: list[threading.Thread] = []
    while len(helpers) < most and places.acquire(blocking=False):
        helpers.append(threading.Thread(target=helped, daemon=True))
        helpers[-1].start()
    return helpers
