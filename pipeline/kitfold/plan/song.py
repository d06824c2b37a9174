"""The song: what the kit will be asked to play, as a timeline of chords."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from kitfold.plan.chord import Chord

__all__ = ["Section", "Song", "Trigger", "shortest_move"]


@dataclass(frozen=True)
class Trigger:
    """One chord of a section and how long it is held.

    Parameters
    ----------
    chord : Chord
    pattern : int, the pattern it starts on, from 0 in its section
    patterns : int, how many patterns it lasts
    """

    chord: Chord
    pattern: int
    patterns: int


@dataclass(frozen=True)
class Section:
    """A part of the song.

    Parameters
    ----------
    name : str
    triggers : tuple of Trigger, in time
    patterns : int, length of the section in patterns
    silent : frozenset of str, sounds that rest
    shift : mapping, sound to semitones
    """

    name: str
    triggers: tuple[Trigger, ...]
    patterns: int
    silent: frozenset[str]
    shift: Mapping[str, int]


@dataclass(frozen=True)
class Song:
    """Sections in order, and the clock.

    Parameters
    ----------
    sections : tuple of Section, may be empty
    beats_per_pattern : float
    tempo, tempo_slowest : float, beats per minute; holds are proven at the slowest
    """

    sections: tuple[Section, ...]
    beats_per_pattern: float
    tempo: float
    tempo_slowest: float

    def held_s(self, patterns: int) -> float:
        """Return how long a number of patterns lasts at the slowest tempo, in seconds."""
        return patterns * self.beats_per_pattern * 60.0 / self.tempo_slowest


def shortest_move(from_pitch_class: int, to_pitch_class: int) -> int:
    """Return the shortest way between two pitch classes in semitones, -6 to 5: a tie goes down."""
    up = (to_pitch_class - from_pitch_class) % 12
    return up if up < 6 else up - 12
