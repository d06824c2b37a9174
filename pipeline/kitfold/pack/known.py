"""What was measured of a sound once: a kit for many devices asks the same of each master again and again."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
from typing import Generic, TypeVar
from weakref import WeakKeyDictionary

from kitfold.sound import Sound

__all__ = ["Known"]

Figure = TypeVar("Figure")


class Known(Generic[Figure]):
    """A measure that is taken of each sound once, as long as the sound is there.

    Sounds are told apart by which they are, not by what they hold, since they never change. Threads may ask at once:
    two that ask the same at the same time may both measure, and get the same.

    Parameters
    ----------
    measure : callable, from a Sound to its figure; always the same for the same sound
    """

    def __init__(self, measure: Callable[[Sound], Figure]) -> None:
        self.measure = measure
        self.kept: WeakKeyDictionary[Sound, Figure] = WeakKeyDictionary()
        self._lock = Lock()

    def __call__(self, sound: Sound) -> Figure:
        """Return the figure, measured or known."""
        with self._lock:
            if sound in self.kept:
                return self.kept[sound]
        figure = self.measure(sound)
        with self._lock:
            return self.kept.setdefault(sound, figure)
