"""The transfer take's cue list, as the page counts it down."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from kitfold.sheet.numbers import decibels, record_seconds, signed
from kitfold.sheet.words import pitched_up

__all__ = ["CUES_FILE", "TAKE_FILE", "cues_of"]

TAKE_FILE, CUES_FILE = "transfer/take.wav", "transfer/cues.csv"


def cues_of(files: Mapping[str, bytes], slots: Sequence[Mapping[str, Any]] = ()) -> list[dict[str, Any]]:
    """Read what the take holds, in order; nothing where the device is not loaded through its line input.

    Parameters
    ----------
    files : mapping, file name to bytes
    slots : sequence of mappings as in manifest.json; a looped sound runs on in the take behind what its slot records

    Returns
    -------
    list of dict: slot (0: the level tone, for which no slot is armed), name, start_s, length_s, record_s (0 for the
    tone) and record, the same in words; set (semitones), level (dB) and pitched (how far up it is stored), all in
    words; in_take (the note that sounds meanwhile) and when_set (the note that it plays once set): empty for the tone
    """
    if not {TAKE_FILE, CUES_FILE} <= files.keys():
        return []
    lines = csv.DictReader(io.StringIO(files[CUES_FILE].decode("utf-8-sig")))
    stored_s = {int(slot["slot"]): slot["frames"] / slot["rate_hz"] for slot in slots}
    return [_cue(line, stored_s) for line in lines]


def _cue(line: Mapping[str, str], stored_s: Mapping[int, float]) -> dict[str, Any]:
    slot, length_s = int(line["slot"]), float(line["length_s"])
    record_s = min(length_s, stored_s.get(slot, length_s)) if slot else 0.0
    semitones, level_db = line["set_semitones"], line["set_level_db"]
    return {
        "slot": slot,
        "name": line["name"],
        "start_s": float(line["start_s"]),
        "length_s": length_s,
        "record_s": record_s,
        "record": record_seconds(record_s),
        "set": signed(int(semitones)) if semitones else "",
        "pitched": pitched_up(int(semitones)) if semitones else "",
        "level": decibels(float(level_db)) if level_db else "",
        "in_take": line.get("note_in_take", ""),
        "when_set": line.get("note_when_set") or line.get("note", ""),
    }
