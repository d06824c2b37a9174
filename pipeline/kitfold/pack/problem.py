"""What a fit is given and what it returns."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from kitfold.pack.asks import Ask
from kitfold.pack.holds import Reach, Served
from kitfold.pack.memory import Memory

__all__ = ["Candidate", "Fitted", "Part", "Problem", "Variant"]


@dataclass(frozen=True, eq=False)
class Variant:
    """One way of storing a sound: a rate, perhaps so many semitones up, perhaps looped; its tail may still be cut.

    Parameters
    ----------
    rate_hz : int, Hz, stored rate
    up_semitones : int, so many semitones up it is stored, and as many down it is played; 0 where it is at its pitch
    loop : bool, a sustain loop makes it last for ever; then the tail is not cut
    frames : int, whole stored length
    block_frames : int
    shares : float array, (blocks + 1,), audible error as a share of the sound, cut to k blocks of `block_frames`; over
        what the plain variant, whole, costs
    held_s : float, seconds it lasts whole, played at its root: what its band leaves may die away sooner than the sound
    """

    rate_hz: int
    up_semitones: int
    loop: bool
    frames: int
    block_frames: int
    shares: NDArray[np.float64]
    held_s: float = math.inf

    def share_at(self, frames: int) -> float:
        """Return the audible error when it is cut to so many frames."""
        return float(self.shares_at(np.array([frames]))[0])

    def shares_at(self, frames: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the audible error for many lengths."""
        shares = np.interp(frames / self.block_frames, np.arange(len(self.shares)), self.shares)
        return np.where(frames >= self.frames, self.shares[-1], shares)


@dataclass(frozen=True, eq=False)
class Candidate:
    """A sound of the kit as the fit sees it; its copies are as long as itself and lose as much.

    Parameters
    ----------
    name : str
    variants : tuple of Variant, the plain one (highest rate, at its pitch, no loop) first
    loops : mapping, copy (0 is the sound itself) to its looped variants; a loop's length differs from copy to copy
    held_s : float, seconds it lasts at setting 0
    fade_s : float, seconds of the stored file added behind a hold, so that the fade lies outside it
    asks : tuple of Ask
    required, optional : tuple of int, copies in semitones, the most useful optional one first
    wish : ``"none"``, ``"auto"`` or ``"all"``: the copies that were asked for
    whole : bool, the tail may not be cut
    spare : float, its loss counts so many times
    strain : mapping, setting to the share that playing so far from a stored root costs; nothing where it is not listed
    looped : bool, its own steps made a loop: it is stored with it wherever `loops` has one, whatever may be done to fit
    made_from : str or None, the sound of the kit that it cannot be made without
    """

    name: str
    variants: tuple[Variant, ...]
    held_s: float
    fade_s: float
    asks: tuple[Ask, ...]
    required: tuple[int, ...]
    optional: tuple[int, ...]
    wish: str
    whole: bool
    spare: float
    loops: Mapping[int, tuple[Variant, ...]] = field(default_factory=dict)
    strain: Mapping[int, float] = field(default_factory=dict)
    looped: bool = False
    made_from: str | None = None

    def lasts_s(self, root: int) -> float:
        """Return how long it, or a copy of it, can be made to last at setting 0: for ever where that may loop."""
        return math.inf if self.loops.get(root) else self.held_s

    def allowed(self, allow: frozenset[str]) -> Candidate:
        """Return it without the loops that may not be made."""
        return self if self.looped or "loop" in allow else replace(self, loops={})


@dataclass(frozen=True)
class Problem:
    """Everything that the fit may know.

    Parameters
    ----------
    candidates : tuple of Candidate, in the kit's order
    memory : Memory
    rate_hz : int, the device's highest rate
    reach : Reach
    tempo_slowest : float, beats per minute, at which the holds were counted
    allow : frozenset of str, what may be done: ``shorten``, ``loop``, ``repitch``, ``drop-copy``, ``lower-rate``
    device : str, for messages
    looping : callable or None, gives the candidates as they are if loops are allowed; asked only where nothing fits
    """

    candidates: tuple[Candidate, ...]
    memory: Memory
    rate_hz: int
    reach: Reach
    tempo_slowest: float
    allow: frozenset[str]
    device: str
    looping: Callable[[], tuple[Candidate, ...]] | None = field(default=None, compare=False)

    def allowing(self, wish: str) -> Problem:
        """Return the problem with one thing more that may be done; what may loop then may bring other copies too."""
        more = replace(self, allow=self.allow | {wish})
        if wish != "loop" or self.looping is None:
            return more
        kept = {one.name for one in self.candidates}
        return replace(more, candidates=tuple(one for one in self.looping() if one.name in kept))


@dataclass(frozen=True, eq=False)
class Part:
    """One slot's content: a sound or a copy of it.

    Parameters
    ----------
    name : str, the sound
    root : int, the copy's transposition in semitones; 0 is the sound itself
    variant : Variant, how it is stored
    frames : int, stored length
    least_frames : int, what its holds need
    serves : tuple of Served, the notes that it plays; their settings include `play_semitones`
    costs : tuple of (what, share), what each change adds to its audible error: ``lower-rate``, ``repitch``, ``loop``,
        ``shorten``
    """

    name: str
    root: int
    variant: Variant
    frames: int
    least_frames: int
    serves: tuple[Served, ...]
    costs: tuple[tuple[str, float], ...] = ()

    @property
    def play_semitones(self) -> int:
        """What the player sets so that it comes out at its root."""
        return -self.variant.up_semitones

    @property
    def share(self) -> float:
        """What all changes to it add to its audible error."""
        return self.variant.share_at(self.frames)

    @property
    def lost(self) -> float:
        """What the cut tail alone adds to its audible error."""
        return max(0.0, self.share - float(self.variant.shares[-1]))


@dataclass(frozen=True)
class Fitted:
    """The solution.

    Parameters
    ----------
    stored : tuple of Part, in the kit's order, each sound before its copies from low to high
    unserved : mapping, sound to the asks that nothing plays
    dropped : tuple of (sound, semitones, share), optional copies left out and what playing without them costs
    cost : float, the sum that was made least: spare times audible error, over all parts and dropped copies
    more : (units, float) or None, what a little more memory would bring that sum to; None where all is whole
    """

    stored: tuple[Part, ...]
    unserved: Mapping[str, tuple[Ask, ...]]
    dropped: tuple[tuple[str, int, float], ...]
    cost: float
    more: tuple[int, float] | None = None
