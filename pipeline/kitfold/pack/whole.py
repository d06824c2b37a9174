"""A master in a device's channels, its copies and its loops: made where somebody asks, kept while there is room.

All of a large kit would fill the memory, so only the latest stay there (`Recent`); the others are
made again, which is cheap, or read from the store, where their making was dear.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypeVar

from kitfold.files import Store
from kitfold.files.maps import let_go
from kitfold.pack.balance import Levels
from kitfold.pack.convert import resample
from kitfold.pack.once import made_once
from kitfold.pack.recent import Recent
from kitfold.pack.ways import looped
from kitfold.render.crew import Crew
from kitfold.sound import Done, Sound
from kitfold.steps.shift import keep_length
from kitfold.units import semitones_to_ratio

__all__ = ["Bench", "Whole"]

Result = TypeVar("Result")

_ROOM_BYTES = 16_000_000
_STRETCHER_BYTES = 24_000_000  # in many small pieces, of which some would stay


@dataclass(frozen=True, eq=False)
class Bench:
    """Where a kit is packed: where results are kept, who does the heavy work, what lies at hand.

    Parameters
    ----------
    store : Store or None, where results are kept from build to build
    crew : Crew or None, who stretches, prices and measures; by default this process
    recent : Recent, the sounds at hand
    """

    store: Store | None = None
    crew: Crew | None = None
    recent: Recent[Sound] = field(default_factory=lambda: Recent(_ROOM_BYTES, lambda sound: sound.samples.nbytes))

    @property
    def far(self) -> bool:
        """Whether other processes do the work."""
        return self.crew is not None and self.crew.far

    def do(self, work: Callable[..., Result], *given: Any) -> Result:
        """Do one piece of work, here or far away: a pure function and what it is given."""
        return self.crew.do(work, *given) if self.crew is not None else work(*given)


@dataclass(frozen=True, eq=False)
class Whole:
    """A master in a device's channels, measured; its samples are made where somebody asks for them.

    Parameters
    ----------
    name : str, the sound
    key : str, everything that it hangs on, as one name; empty where the master has none
    folded_key : str, the same without what does not change the folded sound: the device's rate and bits
    levels : Levels, at the device's rate
    history : tuple of Done, the master's steps, and the fold for this device
    make : gives it at its own rate
    rate_hz : int, Hz, the device's highest rate
    bench : Bench
    """

    name: str
    key: str
    folded_key: str
    levels: Levels
    history: tuple[Done, ...]
    make: Callable[[], Sound]
    rate_hz: int
    bench: Bench

    @property
    def sound(self) -> Sound:
        """The sound at its own rate."""
        return self.bench.recent.get((self.name, "whole"), self.make)

    @property
    def at_rate(self) -> Sound:
        """The sound at the device's highest rate."""
        return self.bench.recent.get((self.name, "at rate"), lambda: resample(self.sound, self.rate_hz))

    def copy(self, root: int) -> Sound:
        """Return a transposition that keeps its length, whole, at its own rate; 0 is the sound itself."""
        if not root:
            return self.sound
        return self._at_hand("copy", root, partial(_stretched, self, root))

    def round(self, root: int) -> Sound:
        """Return a transposition with the better of a found and a made loop; its own loop stays; none may be found."""
        plain = self.sound if not root else None
        if plain is not None and plain.loop:
            return plain
        return self._at_hand("round", root, lambda: looped(self.copy(root)))

    def _at_hand(self, what: str, root: int, make: Callable[[], Sound]) -> Sound:
        def made() -> Sound:
            return made_once(self.bench.store, what, self.folded_key, [root], make)

        return self.bench.recent.get((self.name, what, root), made)


def _stretched(whole: Whole, root: int) -> Sound:
    let_go(_STRETCHER_BYTES)
    return whole.bench.do(keep_length, whole.sound, semitones_to_ratio(root))
