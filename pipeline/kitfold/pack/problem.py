"""What a fit is given and what it returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.pack.asks import Ask
from kitfold.pack.holds import Reach, Served
from kitfold.pack.memory import Memory

__all__ = ["Candidate", "Fitted", "Part", "Problem"]


@dataclass(frozen=True)
class Candidate:
    """A sound of the kit as the fit sees it; its copies are as long as itself and lose as much.

    Parameters
    ----------
    name : str
    frames : int, whole length at the device's rate
    held_s : float, seconds it lasts at setting 0
    lost : float array, (blocks + 1,), share of heard energy that is lost when the tail is cut to k blocks of
        `block_frames`; falls from 1 to 0
    block_frames : int
    fade_frames : int, added behind a hold, so that the fade lies outside it
    asks : tuple of Ask
    required, optional : tuple of int, copies in semitones, the most useful optional one first
    wish : ``"none"``, ``"auto"`` or ``"all"``: the copies that were asked for
    whole : bool, the tail may not be cut
    spare : float, its loss counts so many times
    """

    name: str
    frames: int
    held_s: float
    lost: NDArray[np.float64]
    block_frames: int
    fade_frames: int
    asks: tuple[Ask, ...]
    required: tuple[int, ...]
    optional: tuple[int, ...]
    wish: str
    whole: bool
    spare: float


@dataclass(frozen=True)
class Problem:
    """Everything that the fit may know.

    Parameters
    ----------
    candidates : tuple of Candidate, in the kit's order
    memory : Memory
    rate_hz : int
    reach : Reach
    tempo_slowest : float, beats per minute, at which the holds were counted
    allow : frozenset of str, what may be done: ``shorten`` and ``drop-copy`` are known here
    device : str, for messages
    """

    candidates: tuple[Candidate, ...]
    memory: Memory
    rate_hz: int
    reach: Reach
    tempo_slowest: float
    allow: frozenset[str]
    device: str


@dataclass(frozen=True)
class Part:
    """One slot's content: a sound or a copy of it.

    Parameters
    ----------
    name : str, the sound
    root : int, the copy's transposition in semitones; 0 is the sound itself
    frames : int, stored length
    whole_frames : int, its length before any cut
    least_frames : int, what its holds need
    lost : float, share of its heard energy that the cut takes
    serves : tuple of Served, the notes that it plays
    """

    name: str
    root: int
    frames: int
    whole_frames: int
    least_frames: int
    lost: float
    serves: tuple[Served, ...]


@dataclass(frozen=True)
class Fitted:
    """The solution.

    Parameters
    ----------
    stored : tuple of Part, in the kit's order, each sound before its copies from low to high
    unserved : mapping, sound to the asks that nothing plays
    dropped : tuple of (sound, semitones), optional copies that were left out for lack of room
    """

    stored: tuple[Part, ...]
    unserved: Mapping[str, tuple[Ask, ...]]
    dropped: tuple[tuple[str, int], ...]
