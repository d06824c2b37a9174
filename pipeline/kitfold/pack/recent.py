"""What was made lately is kept, as much of it as a bound allows, and made again where it has gone."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

__all__ = ["Recent"]

Thing = TypeVar("Thing")


class Recent(Generic[Thing]):
    """Things by key, the least recently used of which goes first; safe with threads.

    Two threads that ask for the same at once may both make it.

    Parameters
    ----------
    most : int, > 0, the sum of sizes that is kept
    size : callable, a thing's size; by default each counts as 1
    """

    def __init__(self, most: int, size: Callable[[Thing], int] = lambda _thing: 1) -> None:
        self._most = most
        self._size = size
        self._things: OrderedDict[Hashable, Thing] = OrderedDict()
        self._used = 0
        self._lock = Lock()

    def get(self, key: Hashable, make: Callable[[], Thing]) -> Thing:
        """Return what is kept under a key, or make it, and keep it unless it alone passes the bound."""
        with self._lock:
            if key in self._things:
                self._things.move_to_end(key)
                return self._things[key]
        thing = make()
        with self._lock:
            if key not in self._things and self._size(thing) <= self._most:
                self._things[key] = thing
                self._used += self._size(thing)
                while self._used > self._most:
                    self._used -= self._size(self._things.popitem(last=False)[1])
        return thing
