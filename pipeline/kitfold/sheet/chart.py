"""The play chart: slot by chord, what to set, which note sounds, which level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kitfold.plan.key import parse_key
from kitfold.sheet.numbers import decibels, signed
from kitfold.sheet.score import Score, Section
from kitfold.units import note_name

__all__ = ["chart_of", "label_of", "masking_map", "sounding_note", "writes_flats"]


def chart_of(manifest: Mapping[str, Any], score: Score) -> list[dict[str, Any]]:
    """Return one table a section: columns are its chords, rows the slots that play there."""
    flats = writes_flats(manifest)
    return [_table(manifest, section, flats) for section in score.sections]


def masking_map(checks: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return who covers whom, from the checks that say so: rows are covered, columns cover; None without any."""
    pairs = [one for one in checks if one["check"] == "masking" and len(one["about"]) == 2]
    if not pairs:
        return None
    figures: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for one in pairs:
        figures.setdefault((one["about"][0], one["about"][1]), []).append(one)
    rows = sorted({lost for lost, _ in figures})
    columns = sorted({under for _, under in figures})
    cells = [
        [max(figures.get((lost, under), ()), key=lambda one: float(one["figure"]), default=None) for under in columns]
        for lost in rows
    ]
    return {"columns": columns, "rows": [{"name": name, "cells": line} for name, line in zip(rows, cells, strict=True)]}


def label_of(slot: Mapping[str, Any]) -> str:
    """Name a slot: the sound, and how far a copy is transposed."""
    return slot["sound"] if slot["copy"] is None else f"{slot['sound']} {signed(slot['copy'])}"


def sounding_note(slot: Mapping[str, Any], setting: int, kit: Mapping[str, Any], flats: bool) -> str | None:
    """Name the note that sounds at a setting; None where the sound has no clear root."""
    if slot["root"]["midi"] is None:
        return None
    midi = slot["root"]["midi"] + setting - slot["play_semitones"]
    return note_name(midi, kit.get("middle_c", "C4"), flats)


def writes_flats(manifest: Mapping[str, Any]) -> bool:
    """Say whether the kit's key is written with flats."""
    return parse_key(manifest["kit"]["key"]).flats


def _table(manifest: Mapping[str, Any], section: Section, flats: bool) -> dict[str, Any]:
    chords = list(dict.fromkeys((chord.text, chord.name) for chord in section.chords))
    rows = [_row(slot, section, [text for text, _ in chords], manifest["kit"], flats) for slot in manifest["slots"]]
    heads = [{"text": text, "name": name} for text, name in chords]
    return {"name": section.name, "chords": heads, "rows": [row for row in rows if row is not None]}


def _row(
    slot: Mapping[str, Any], section: Section, chords: Sequence[str], kit: Mapping[str, Any], flats: bool
) -> dict[str, Any] | None:
    if slot["sound"] in section.silent:
        return None
    cells = [_cell(slot, section.name, chord, kit, flats) for chord in chords]
    free = slot["plays"] == "fixed" and not slot["holds"]
    if not any(cells) and not free:
        return None
    return {
        "slot": slot,
        "label": label_of(slot),
        "level": decibels(slot["play_db"]),
        "cells": cells,
        "free": _note(slot, slot["play_semitones"], kit, flats) if free else None,
    }


def _cell(
    slot: Mapping[str, Any], section: str, chord: str, kit: Mapping[str, Any], flats: bool
) -> list[dict[str, Any]]:
    holds = [one for one in slot["holds"] if (one["section"], one["chord"]) == (section, chord)]
    several = slot["plays"] == "tones" or (isinstance(slot["plays"], (list, tuple)) and len(slot["plays"]) > 1)
    several = several or any(one.get("tone", "root") != "root" for one in holds)
    return [
        {**_note(slot, one["setting"], kit, flats), "ok": one["ok"], "tone": one.get("tone", "") if several else ""}
        for one in holds
    ]


def _note(slot: Mapping[str, Any], setting: int, kit: Mapping[str, Any], flats: bool) -> dict[str, Any]:
    return {"setting": signed(setting), "note": sounding_note(slot, setting, kit, flats)}
