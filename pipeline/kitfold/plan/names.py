"""Names: which ones a file system keeps for itself, and the nearest allowed one to any text."""

from __future__ import annotations

import re
import unicodedata

__all__ = ["LONGEST_NAME", "clean", "is_reserved", "plain_letters"]

LONGEST_NAME = 32
"""Letters of a kit's, sound's or section's name: a-z 0-9 -."""
_LETTERS = str.maketrans({"ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "Ae", "œ": "oe", "ł": "l", "Ł": "L", "đ": "d",
                          "ð": "d", "þ": "th", "♯": "#", "♭": "b"})  # fmt: skip

# Microsoft, "Naming Files, Paths, and Namespaces": reserved device names, whatever the ending.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³")}


def is_reserved(name: str) -> bool:
    """Say whether a file of this name could not be made on some file system."""
    return name.split(".")[0].strip().lower() in _RESERVED


def clean(text: str) -> str:
    """Turn any text into a-z 0-9 -, at most 32 of them; what has no Latin letters or digits becomes empty."""
    return re.sub(r"[^a-z0-9]+", "-", plain_letters(text).lower()).strip("-")[:LONGEST_NAME].strip("-")


def plain_letters(text: str) -> str:
    """Take accents off letters; what is no ASCII then parts words, as a space does."""
    folded = unicodedata.normalize("NFKD", text.translate(_LETTERS))
    return "".join(letter if ord(letter) < 128 else " " for letter in folded if not unicodedata.combining(letter))
