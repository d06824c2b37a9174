"""The sketch's notes in the score: what the page plays, drawn where it plays it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitfold.sheet.score import Score, percent

__all__ = ["Note", "notes_of"]

_STEP_PX, _MOST_STEPS = 0.6, 12  # how far a note stands from its line for a semitone, and how many semitones count


@dataclass(frozen=True)
class Note:
    """One note of the sketch in the score.

    Parameters
    ----------
    x, width : float, percent: where it begins and how long it is heard
    rise : float, pixels above the middle of its staff: higher than the root, higher
    reached : bool, the device plays it; else only the master is heard
    """

    x: float
    width: float
    rise: float
    reached: bool


def notes_of(slot: Mapping[str, Any], score: Score) -> tuple[Note, ...]:
    """Return the sketch's notes that a slot plays, and at a sound's own slot those that the device cannot reach."""
    found = []
    for one in score.sketch.notes if score.sketch else ():
        stray = one.slot is None and one.sound == slot["sound"] and slot["copy"] is None
        if one.slot == slot["slot"] or stray:
            x = percent(one.start, score.patterns)
            steps = one.setting - (0 if stray else slot["play_semitones"])
            rise = _STEP_PX * max(-_MOST_STEPS, min(_MOST_STEPS, steps))
            width = round(min(percent(one.length, score.patterns), 100.0 - x), 3)
            found.append(Note(x, width, round(rise, 1), not stray))
    return tuple(found)
