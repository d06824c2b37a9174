"""The sketch's notes in the score: what the page plays, drawn where it plays it, and named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitfold.sheet.chart import sounding_note
from kitfold.sheet.numbers import signed
from kitfold.sheet.score import Score, percent
from kitfold.sheet.sketch import Heard

__all__ = ["Note", "any_unreached", "notes_of"]

_STEP_PX, _MOST_STEPS = 0.6, 12  # how far a note stands from its line for a semitone, and how many semitones count


@dataclass(frozen=True)
class Note:
    """One note of the sketch in the score.

    Parameters
    ----------
    x, width : float, percent: where it begins and how long it is heard
    rise : float, pixels above the middle of its staff: higher than the root, higher
    reached : bool, the device plays it; else only the master is heard
    said : str, which note, what is set, where in the song
    """

    x: float
    width: float
    rise: float
    reached: bool
    said: str


def notes_of(slot: Mapping[str, Any], score: Score, kit: Mapping[str, Any], flats: bool) -> tuple[Note, ...]:
    """Return the sketch's notes that a slot plays, and at a sound's own slot those that the device cannot reach.

    Parameters
    ----------
    slot, kit : mappings as in manifest.json
    score : Score
    flats : bool, write notes with flats
    """
    found = []
    for one in score.sketch.notes if score.sketch else ():
        stray = one.slot is None and one.sound == slot["sound"] and slot["copy"] is None
        if one.slot == slot["slot"] or stray:
            x = percent(one.start, score.patterns)
            steps = one.setting - (0 if stray else slot["play_semitones"])
            rise = _STEP_PX * max(-_MOST_STEPS, min(_MOST_STEPS, steps))
            width = round(min(percent(one.length, score.patterns), 100.0 - x), 3)
            name = sounding_note(slot, steps + slot["play_semitones"], kit, flats) or "no clear root"
            found.append(Note(x, width, round(rise, 1), not stray, _said(name, one, stray, score)))
    return tuple(found)


def any_unreached(slots: Sequence[Mapping[str, Any]], score: Score) -> bool:
    """Say whether the sketch has notes that a slot's own sound should play and the device cannot reach.

    Parameters
    ----------
    slots : sequence of mappings as in manifest.json
    score : Score
    """
    own = {slot["sound"] for slot in slots if slot["copy"] is None}
    return any(one.slot is None and one.sound in own for one in (score.sketch.notes if score.sketch else ()))


def _said(name: str, one: Heard, stray: bool, score: Score) -> str:
    """Say a note: D5, set +3; dusk, Bb; beats 17 to 20.5."""
    how = "beyond the device, only the master plays it" if stray else f"set {signed(one.setting)}"
    start, end = (1.0 + at * score.beats_per_pattern for at in (one.start, one.start + one.length))
    return "; ".join([f"{name}, {how}", *_where(one.start, score), f"beats {_beat(start)} to {_beat(end)}"])


def _where(start: float, score: Score) -> list[str]:
    """Name the section and the chord under a place of the song."""
    chords = [chord for chord in score.chords or score.plain if chord.start <= start + 1e-6]
    return [", ".join(filter(None, (chords[-1].section, chords[-1].name)))] if chords else []


def _beat(beat: float) -> str:
    return f"{round(beat, 2):g}"
