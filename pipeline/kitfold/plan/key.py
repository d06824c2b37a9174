"""The key of a kit: a tonic and the notes of its scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kitfold.units import PITCH_CLASSES, parse_pitch_class

__all__ = ["SCALES", "Key", "parse_key"]

SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "minor": (0, 2, 3, 5, 7, 8, 10),
}
"""Semitones above the tonic; minor is the natural minor."""


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

    def __str__(self) -> str:
        return f"{PITCH_CLASSES[self.tonic]} {self.mode}"


def parse_key(text: str) -> Key:
    """Read a key: ``"D minor"``, ``"F# major"``, ``"Bb minor"``.

    Raises
    ------
    ValueError : where the text is no key
    """
    words = text.split()
    if len(words) == 2 and words[1].lower() in SCALES:
        try:
            return Key(parse_pitch_class(words[0]), "minor" if words[1].lower() == "minor" else "major")
        except ValueError:
            pass
    raise ValueError(f"must be a note and major or minor, like 'D minor', got {text!r}")
