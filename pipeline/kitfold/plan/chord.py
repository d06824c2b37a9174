"""Chords as a song writes them: Roman numerals, scale degrees or names."""

from __future__ import annotations

import re
from dataclasses import dataclass

from kitfold.plan.key import Key
from kitfold.units import parse_pitch_class, pitch_class_names

__all__ = ["Chord", "counts_along_key", "parse_chord"]

_NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")
# Third and fifth in semitones above the root; None where the chord has no third.
_TRIADS: dict[str, tuple[int | None, int]] = {
    "major": (4, 7),
    "minor": (3, 7),
    "diminished": (3, 6),
    "augmented": (4, 8),
    "sus2": (2, 7),
    "sus4": (5, 7),
    "fifth": (None, 7),
}
_SUFFIXES = {
    "m": "minor",
    "min": "minor",
    "maj": "major",
    "dim": "diminished",
    "°": "diminished",
    "o": "diminished",
    "aug": "augmented",
    "+": "augmented",
    "sus2": "sus2",
    "sus4": "sus4",
    "5": "fifth",
}
_SUFFIX = r"(?P<suffix>min|maj(?!7)|m(?!aj)|dim|°|o|aug|\+|sus2|sus4|5|)(?P<added>maj7|add9|6|7|9|)"
_ROMAN = re.compile(rf"(?P<accidental>b|#|♭|♯|)(?P<numeral>VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i){_SUFFIX}")
_NAMED = re.compile(rf"(?P<root>[A-G](?:b|#|♭|♯|)){_SUFFIX}")
_SHIFTS = {"": 0, "b": -1, "♭": -1, "#": 1, "♯": 1}


@dataclass(frozen=True)
class Chord:
    """A chord's triad.

    Parameters
    ----------
    text : str, as it was written
    root : int, pitch class
    third : int or None, semitones above the root; None where the chord has no third
    fifth : int, semitones above the root
    """

    text: str
    root: int
    third: int | None
    fifth: int

    @property
    def tones(self) -> tuple[int, ...]:
        """Root, third, fifth and octave, in semitones above the root."""
        return tuple(tone for tone in (0, self.third, self.fifth, 12) if tone is not None)

    def name(self, flats: bool = False) -> str:
        """Name the chord, for instance ``"Dm"``, ``"Bb"`` or ``"Edim"``."""
        quality = next(name for name, triad in _TRIADS.items() if triad == (self.third, self.fifth))
        suffix = {"major": "", "minor": "m", "diminished": "dim", "augmented": "aug", "fifth": "5"}
        return pitch_class_names(flats)[self.root] + suffix.get(quality, quality)


def counts_along_key(text: str) -> bool:
    """Say whether only a key tells which chord this is: a Roman numeral or a degree."""
    return text in tuple("1234567") or _ROMAN.fullmatch(text) is not None


def parse_chord(text: str, key: Key) -> Chord:
    """Read a chord: a Roman numeral or degree counts along the key's own scale, a name stands for itself.

    Capital numerals are major, small ones minor; a bare degree takes the scale's own triad. A seventh, sixth or ninth
    is accepted and not sounded: the song's sketch plays triads.

    Parameters
    ----------
    text : str, ``"VI"``, ``"vii°"``, ``"bII"``, ``"6"``, ``"Dm"``, ``"Bbsus4"``
    key : Key

    Raises
    ------
    ValueError : where the text is none of these
    """
    if text in tuple("1234567"):
        return _diatonic(text, int(text) - 1, key)
    if match := _ROMAN.fullmatch(text):
        numeral = match["numeral"]
        degree = _NUMERALS.index(numeral.upper())
        root = (key.scale[degree] + _SHIFTS[match["accidental"]]) % 12
        return _chord(text, root, match["suffix"], "major" if numeral.isupper() else "minor")
    if match := _NAMED.fullmatch(text):
        return _chord(text, parse_pitch_class(match["root"]), match["suffix"], "major")
    raise ValueError(
        f"must be a Roman numeral (i, VI, vii°), a scale degree (1 to 7), a name (Dm, Bb) or '-', got {text!r}"
    )


def _chord(text: str, root: int, suffix: str, otherwise: str) -> Chord:
    third, fifth = _TRIADS[_SUFFIXES.get(suffix, otherwise)]
    return Chord(text, root, third, fifth)


def _diatonic(text: str, degree: int, key: Key) -> Chord:
    """Stack two thirds of the scale on one of its degrees."""
    root, third, fifth = (key.scale[(degree + step) % 7] for step in (0, 2, 4))
    return Chord(text, root, (third - root) % 12, (fifth - root) % 12)
