"""The key of a kit: a tonic and the notes of its scale."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from kitfold.plan.model import RefusedError
from kitfold.units import parse_pitch_class, pitch_class_names

__all__ = ["SCALES", "Key", "parse_key"]

SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "minor": (0, 2, 3, 5, 7, 8, 10),
}
"""Semitones above the tonic; minor is the natural minor."""
_FLAT_MAJORS = (5, 10, 3, 8, 1)
_LIKE_A_CHORD = re.compile(r"([A-Ga-g][#b♯♭]?)\s*(m|min|moll|maj|dur|)", re.IGNORECASE)


@dataclass(frozen=True)
class Key:
    """A key, for instance D minor.

    Parameters
    ----------
    tonic : int, pitch class, 0 (C) to 11
    mode : ``"major"`` or ``"minor"``
    """

    tonic: int
    mode: Literal["major", "minor"]

    @property
    def scale(self) -> tuple[int, ...]:
        """The seven pitch classes, from the tonic up."""
        return tuple((self.tonic + step) % 12 for step in SCALES[self.mode])

    @property
    def flats(self) -> bool:
        """Whether the key is written with flats: F, Bb, Eb, Ab, Db major and their relative minors."""
        major = self.tonic if self.mode == "major" else (self.tonic + 3) % 12
        return major in _FLAT_MAJORS

    def __str__(self) -> str:
        return f"{pitch_class_names(self.flats)[self.tonic]} {self.mode}"


def parse_key(text: str) -> Key:
    """Read a key: ``"D minor"``, ``"F# major"``, ``"Bb minor"``.

    Raises
    ------
    RefusedError : where the text is no key
    """
    words = text.split()
    if len(words) == 2 and words[1].lower() in SCALES:
        try:
            return Key(parse_pitch_class(words[0]), "minor" if words[1].lower() == "minor" else "major")
        except ValueError:
            pass
    raise RefusedError(f"must be a note and major or minor, like 'D minor', got {text!r}", _meant(text))


def _meant(text: str) -> str:
    """Offer the key that a chord's name was meant for: Em is E minor."""
    match = _LIKE_A_CHORD.fullmatch(text.strip())
    if match is None:
        return ""
    mode = "minor" if match[2].lower() in ("min", "moll") or match[2] == "m" else "major"
    return f"did you mean '{match[1][0].upper()}{match[1][1:]} {mode}'?"
