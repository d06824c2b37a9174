"""How the song plays a slot, in words: what it plays of each chord, and where it is moved from that."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kitfold.pack.claim import joined
from kitfold.sheet.numbers import signed

__all__ = ["how_played"]

_ROOT_AT = {
    3: "the minor third",
    4: "the major third",
    7: "the fifth",
    12: "an octave up",
    -12: "an octave down",
    -5: "the fifth, an octave down",
}
"""What a chord's root becomes when it is shifted, where every musician has one word for it."""


def how_played(slot: Mapping[str, Any], song: Mapping[str, Any] | None = None) -> str:
    """Say how the song plays a slot.

    Parameters
    ----------
    slot : mapping as in manifest.json
    song : mapping as in manifest.json, or None: what its sections shift is said too
    """
    return _plays(slot["plays"]) + ("" if slot["plays"] == "fixed" else _shifted(slot, song or {}))


def _plays(plays: Any) -> str:
    if plays == "chords":
        return "held under each chord"
    if plays == "fixed":
        return "never moved"
    if plays == "tones":
        return "plays the tones of each chord"
    if list(plays) == [0]:
        return "plays each chord's root"
    return "plays " + ", ".join(signed(tone) for tone in plays) + " from each chord's root"


def _shifted(slot: Mapping[str, Any], song: Mapping[str, Any]) -> str:
    """Say where the sound is shifted, by how much, and what that makes of a root."""
    places: dict[int, list[str]] = {}
    for section in song.get("sections") or ():
        shift = section.get("shift", {}).get(slot["sound"], 0)
        if shift and slot["sound"] not in section.get("silent", ()):
            places.setdefault(shift, []).append(section["name"])
    root = slot["plays"] == "chords" or (slot["plays"] != "tones" and list(slot["plays"]) == [0])
    parts = []
    for shift, names in places.items():
        known = root or abs(shift) == 12
        name = f" ({_ROOT_AT[shift]})" if known and shift in _ROOT_AT else ""
        parts.append(f"shifted {signed(shift)}{name} in {joined(names)}")
    return "".join(f", {part}" for part in parts)
