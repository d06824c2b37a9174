"""Which tone of its chord each note of the song is: what the play chart writes beside a setting."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kitfold.plan.chord import Chord, parse_chord
from kitfold.plan.key import Key, parse_key
from kitfold.plan.song import shortest_move
from kitfold.sheet.numbers import signed

__all__ = ["with_tones"]

_INTERVALS = {0: "root", 2: "second", 3: "minor third", 4: "major third", 5: "fourth", 7: "fifth"}
"""Names that every musician shares; any other distance from the root is written in semitones."""


def with_tones(manifest: Mapping[str, Any]) -> dict[str, Any]:
    """Return a manifest whose holds say in `tone` what they play of their chord.

    Parameters
    ----------
    manifest : mapping as in manifest.json

    Returns
    -------
    dict, the same otherwise; `tone` is empty where the chord cannot be read or the sound has no clear root
    """
    key = parse_key(manifest["kit"]["key"])
    slots = [
        {**slot, "holds": [_named(hold, slot, manifest, key) for hold in slot["holds"]]} for slot in manifest["slots"]
    ]
    return {**manifest, "slots": slots}


def _named(hold: Mapping[str, Any], slot: Mapping[str, Any], manifest: Mapping[str, Any], key: Key) -> dict[str, Any]:
    return {**hold, "tone": _tone(hold, slot, manifest, key)}


def _tone(hold: Mapping[str, Any], slot: Mapping[str, Any], manifest: Mapping[str, Any], key: Key) -> str:
    midi = slot["root"]["midi"]
    try:
        chord = parse_chord(hold["chord"], key)
    except ValueError:
        return ""
    if midi is None:
        return ""
    sections = (manifest.get("song") or {}).get("sections") or ()
    shift: Mapping[str, int] = next((one.get("shift", {}) for one in sections if one["name"] == hold["section"]), {})
    above = hold["semitones"] - shortest_move((midi - (slot["copy"] or 0)) % 12, chord.root)
    return _name(above, shift.get(slot["sound"], 0), slot["plays"], chord)


def _name(above: int, shift: int, plays: Any, chord: Chord) -> str:
    """Name a distance from the chord's root: by its place in the triad where the triad is what is played."""
    if plays == "tones" and shift % 12 == 0 and above - shift in (chord.third, chord.fifth):
        return "fifth" if above - shift == chord.fifth else {2: "second", 5: "fourth"}.get(above - shift, "third")
    if above != shift and above % 12 == 0 and above > 0:
        return "octave" if above == 12 else f"{above // 12} octaves up"
    return _INTERVALS.get(above % 12, f"{signed(above)} from the root")
