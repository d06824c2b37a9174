"""Which note each sound plays, from what was found and what its file name says; and the key that holds them all."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from kitfold.measure.root import Root
from kitfold.plan.key import SCALES, Key
from kitfold.starter.names import Hints
from kitfold.units import hz_to_midi, note_name

__all__ = ["KeyGuess", "Reading", "guess_key", "guess_middle_c", "read_root"]

MiddleC = Literal["C4", "C3"]

_AGREES = 0.6  # semitones: bounces are detuned, and a name says the nearest note
_SURE = 0.8  # of a confidence: below, a note in the name is believed instead
_TONIC, _FIFTH = 0.6, 0.15  # what a root counts on top where it is the tonic or the fifth of the key
_SAID = 2.0  # what a key in a file name counts, in sounds


@dataclass(frozen=True)
class Reading:
    """The root that a sound is taken to have.

    Parameters
    ----------
    midi : float or None, fractional MIDI number; None where nothing can be relied on
    heard : int or None, the note that the kit must be told (`tune.heard`), where the finder would go wrong
    remark : str, what to say about it, or nothing
    confidence : float, 0 to 1
    """

    midi: float | None
    heard: int | None
    remark: str
    confidence: float


@dataclass(frozen=True)
class KeyGuess:
    """A key, and how sure it is.

    Parameters
    ----------
    key : Key
    sure : str, half a sentence
    outside : tuple of int, pitch classes of roots that are no notes of the key
    """

    key: Key
    sure: str
    outside: tuple[int, ...]


def guess_middle_c(roots: Sequence[tuple[Root, Hints]]) -> MiddleC:
    """Say which octave the file names count from: C3 where at least two and most of them lie an octave under the sound.

    Some programs call MIDI 60 C3, others C4 (common practice).
    """
    offsets = [
        round(hz_to_midi(root.hz)) - note
        for root, hints in roots
        for note in hints.notes
        if root.hz is not None and root.pitched and root.confidence >= _SURE
    ]
    an_octave = sum(offset == 12 for offset in offsets)
    return "C3" if an_octave >= 2 and 2 * an_octave > len(offsets) else "C4"


def read_root(root: Root, hints: Hints, middle_c: MiddleC = "C4") -> Reading:
    """Settle a sound's root: the name decides the octave, and the note where the finder is not sure."""
    notes = [note + (12 if middle_c == "C3" else 0) for note in hints.notes]
    notes = [note for note in notes if 0 <= note <= 127]
    found = hz_to_midi(root.hz) if root.hz is not None else None
    relied = found if root.pitched else None
    if found is not None and (note := _near(notes, found)) is not None:
        if root.pitched:
            return Reading(found, None, "as its name says", root.confidence)
        return Reading(found, note, f"taken from its name: {_name(note, middle_c)}", 1.0)
    if found is not None and root.pitched and (note := _octave_of(notes, found)) is not None:
        octaves = round((note - found) / 12)
        remark = f"{_name(round(found), middle_c)} was found; the octave is its name's"
        return Reading(found + 12 * octaves, note, remark, root.confidence)
    if len(notes) == 1 and (relied is None or root.confidence < _SURE):
        return Reading(float(notes[0]), notes[0], f"taken from its name: {_name(notes[0], middle_c)}", 1.0)
    if notes and relied is not None:
        names = " or ".join(_name(note, middle_c) for note in notes)
        heard = f'tune.heard = "{_name(notes[0], middle_c)}" would settle it' if len(notes) == 1 else "listen to it"
        return Reading(relied, None, f"its name says {names}: {heard}", root.confidence)
    if relied is None and found is not None:
        guess = _name(round(found), middle_c)
        return Reading(None, None, f'perhaps {guess}: if it is, write tune.heard = "{guess}"', root.confidence)
    return Reading(relied, None, "", root.confidence)


def guess_key(roots: Iterable[tuple[int, float]], said: Iterable[Key] = ()) -> KeyGuess:
    """Propose the key whose scale holds most roots.

    Roots on the tonic count more, on its fifth a little more, since bounces are mostly made on them. Of keys that hold
    as much, minor comes before major: a root alone cannot tell.

    Parameters
    ----------
    roots : (pitch class, weight) of every sound that has a root
    said : keys that file names tell
    """
    roots, said = list(roots), list(said)
    total = sum(weight for _, weight in roots)
    each = total / len(roots) if roots else 1.0
    keys = [Key(tonic, mode) for mode in ("minor", "major") for tonic in range(12)]
    scores = {key: _score(key, roots) + _SAID * each * said.count(key) for key in keys}
    key = max(keys, key=lambda one: round(scores[one], 9))
    outside = tuple(sorted({pitch_class for pitch_class, _ in roots if pitch_class not in key.scale}))
    return KeyGuess(key, _how_sure(key, scores, roots, said), outside)


def _score(key: Key, roots: Sequence[tuple[int, float]]) -> float:
    worth = {0: 1.0 + _TONIC, 7: 1.0 + _FIFTH}
    steps = SCALES[key.mode]
    inside = ((weight, (pitch_class - key.tonic) % 12) for pitch_class, weight in roots)
    return sum(weight * worth.get(step, 1.0) for weight, step in inside if step in steps)


def _how_sure(key: Key, scores: dict[Key, float], roots: Sequence[tuple[int, float]], said: Sequence[Key]) -> str:
    if not roots and not said:
        return "no sound has a clear root, so this is only a default"
    if key in said:
        return f"{said.count(key)} of the file names say so"
    held = sum(pitch_class in key.scale for pitch_class, _ in roots)
    next_best = max((score for other, score in scores.items() if other != key), default=0.0)
    lead = (scores[key] - next_best) / scores[key] if scores[key] > 0 else 0.0
    rival = next(other for other, score in scores.items() if other != key and score == next_best)
    word = "sure" if lead > 0.2 else "likely" if lead > 0.05 else "not sure"
    if lead <= 1e-9 and rival.tonic == key.tonic:
        word = f"not sure: major or minor cannot be told, {rival} holds them too"
    elif word != "sure":
        word += f": {rival} comes next"
    return f"holds {held} of {len(roots)} roots; {word}"


def _near(notes: Sequence[int], found: float) -> int | None:
    return next((note for note in notes if abs(note - found) <= _AGREES), None)


def _octave_of(notes: Sequence[int], found: float) -> int | None:
    return next((note for note in notes if abs(math.remainder(note - found, 12.0)) <= _AGREES), None)


def _name(midi: int, middle_c: MiddleC) -> str:
    return note_name(midi, middle_c)
