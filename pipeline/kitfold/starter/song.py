"""A sketch of a song that the pads can hold: four chords of the key, and how long each lasts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product

from kitfold.plan.chord import parse_chord
from kitfold.plan.key import Key
from kitfold.plan.song import Section, Song, Trigger, shortest_move
from kitfold.units import semitones_to_ratio

__all__ = ["CHORDS", "SECTION", "Pad", "sketch"]

CHORDS = {"minor": ("i", "VI", "v", "VII"), "major": ("I", "vi", "IV", "V")}
"""Diatonic triads, none diminished. In minor every move from the tonic goes down, where a sound lasts longer."""
SECTION = "first"
_TEMPI = (80.0, 96.0, 120.0)  # tried where no file name says a tempo
_BEATS = (4.0, 2.0, 1.0, 0.5)
_MARGIN = 0.9  # of what was measured: the recipe's steps change it a little


@dataclass(frozen=True)
class Pad:
    """A sound that is held under chords.

    Parameters
    ----------
    pitch_class : int, of its root in the kit
    held_s : float, seconds it is expected to hold at its root
    """

    pitch_class: int
    held_s: float

    def holds(self, song: Song) -> bool:
        """Say whether it lasts under every chord without a copy."""
        return all(
            _MARGIN * self.held_s / semitones_to_ratio(shortest_move(self.pitch_class, trigger.chord.root))
            >= song.held_s(trigger.patterns)
            for section in song.sections
            for trigger in section.triggers
        )


def sketch(key: Key, tempo: float | None, pads: Iterable[Pad]) -> Song:
    """Write a section of four chords that every pad holds.

    Parameters
    ----------
    key : Key
    tempo : float or None, beats per minute; None leaves it open
    pads : those that have to last; a pattern becomes as short as the shortest needs, no shorter than half a beat

    Returns
    -------
    Song with one section, one chord a pattern
    """
    pads = list(pads)
    tempi: Sequence[float] = _TEMPI if tempo is None else (tempo,)
    songs = [_song(key, beats, one) for beats, one in product(_BEATS, tempi)]
    return next((song for song in songs if all(pad.holds(song) for pad in pads)), songs[-1])


def _song(key: Key, beats_per_pattern: float, tempo: float) -> Song:
    triggers = tuple(Trigger(parse_chord(text, key), place, 1) for place, text in enumerate(CHORDS[key.mode]))
    section = Section(SECTION, triggers, len(triggers), frozenset(), {})
    return Song((section,), beats_per_pattern, tempo, tempo)
