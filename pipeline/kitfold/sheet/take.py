"""The transfer take's cue list, as the page counts it down."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

__all__ = ["CUES_FILE", "TAKE_FILE", "cues_of"]

TAKE_FILE, CUES_FILE = "transfer/take.wav", "transfer/cues.csv"


def cues_of(files: Mapping[str, bytes]) -> list[dict[str, Any]]:
    """Read what the take holds, in order; nothing where the device is not loaded through its line input.

    Returns
    -------
    list of dict: slot (0: the level tone, for which no slot is armed), name, start_s, length_s; set (semitones), level
    (dB), in_take (the note that sounds meanwhile) and when_set (the note that it plays once set): empty for the tone
    """
    if not {TAKE_FILE, CUES_FILE} <= files.keys():
        return []
    lines = csv.DictReader(io.StringIO(files[CUES_FILE].decode("utf-8-sig")))
    return [
        {
            "slot": int(line["slot"]),
            "name": line["name"],
            "start_s": float(line["start_s"]),
            "length_s": float(line["length_s"]),
            "set": line["set_semitones"],
            "level": line["set_level_db"],
            "in_take": line.get("note_in_take", ""),
            "when_set": line.get("note_when_set") or line.get("note", ""),
        }
        for line in lines
    ]
