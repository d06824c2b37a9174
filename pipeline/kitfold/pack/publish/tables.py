"""The tables of a pack, for spreadsheets: one row a sound, and one row a chord of the song.

Source: RFC 4180 (fields in quotes where they need it), with line feeds, as every text of a pack has them.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from kitfold.pack.asks import asks_of
from kitfold.pack.manifest import SlotEntry
from kitfold.pack.publish.manifest import PackSound
from kitfold.plan.plan import Plan

__all__ = ["CHART_COLUMNS", "CHART_FILE", "SOUND_COLUMNS", "chart_csv", "patterns_csv", "sounds_csv"]

SOUND_COLUMNS = (
    "name", "file", "note", "midi", "hz", "error_cents", "seconds", "rate_hz", "bits", "channels", "lufs", "peak_db",
    "true_peak_db", "loop_start", "loop_end", "plays", "rights", "preview", "sha256",
)  # fmt: skip
"""The columns of manifest.csv; loop points in frames, the end exclusive."""


CHART_FILE = "chart.csv"
CHART_COLUMNS = ("slot", "file", "sound", "level_db", "section", "chord", "set_semitones")
"""The columns of a device edition's chart.csv."""


def chart_csv(slots: Iterable[SlotEntry]) -> str:
    """Write what to set on the device: one row a slot and chord.

    Returns
    -------
    str, CSV: several settings with spaces between; without section and chord where a slot is set once for all
    """
    return _csv([CHART_COLUMNS, *(row for slot in slots for row in _chart_rows(slot))])


def _chart_rows(slot: SlotEntry) -> list[Sequence[object]]:
    head = (slot.slot, slot.file, slot.sound, slot.play_db)
    settings: dict[tuple[str, str], list[int]] = {}
    for hold in slot.holds:
        settings.setdefault((hold.section, hold.chord), []).append(hold.setting)
    if not settings:
        return [(*head, "", "", slot.play_semitones)]
    return [(*head, *place, " ".join(map(str, sorted(set(found))))) for place, found in settings.items()]


def sounds_csv(sounds: Iterable[PackSound]) -> str:
    """Write one row a sound of the full edition."""
    rows = [_row(sound) for sound in sounds]
    return _csv([SOUND_COLUMNS, *([row[column] for column in SOUND_COLUMNS] for row in rows)])


def patterns_csv(plan: Plan, pitch_classes: Mapping[str, int | None]) -> str:
    """Write the song as a table: one row a chord, and what each sound is moved by, in semitones from its own root.

    Parameters
    ----------
    plan : Plan
    pitch_classes : mapping, sound to its root's pitch class, in the kit's order; None: it has no clear root

    Returns
    -------
    str, CSV: section, the pattern it starts on (from 1, over the whole song), how many patterns it lasts, the chord as
    the kit writes it, its name, then a column a sound: several moves with spaces between, nothing where it rests
    """
    rows: list[Sequence[object]] = [("section", "pattern", "patterns", "chord", "name", *pitch_classes)]
    asked = {name: _asked(plan, name, root) for name, root in pitch_classes.items()}
    first = 1
    for section in plan.song.sections:
        for trigger in section.triggers:
            chord = trigger.chord
            moves = [
                "" if name in section.silent else asked[name].get((section.name, chord.text), "0")
                for name in pitch_classes
            ]
            start = first + trigger.pattern
            rows.append((section.name, start, trigger.patterns, chord.text, chord.name(plan.key.flats), *moves))
        first += section.patterns
    return _csv(rows)


def _asked(plan: Plan, name: str, pitch_class: int | None) -> dict[tuple[str, str], str]:
    """Return what a sound is moved by at each chord of each section; nothing for one that is never moved."""
    found: dict[tuple[str, str], list[int]] = {}
    for ask in asks_of(name, plan.sound(name).plays, pitch_class, plan.song):
        found.setdefault((ask.section, ask.chord), []).append(ask.semitones)
    return {place: " ".join(map(str, sorted(moves))) for place, moves in found.items()}


def _row(sound: PackSound) -> dict[str, object]:
    loop: dict[str, int] = sound.loop or {}
    return {
        **sound.model_dump(include=set(SOUND_COLUMNS)),
        **sound.root.model_dump(),
        **sound.level.model_dump(),
        "loop_start": loop.get("start", ""),
        "loop_end": loop.get("end", ""),
        "plays": sound.plays if isinstance(sound.plays, str) else " ".join(map(str, sound.plays)),
    }


def _csv(rows: Iterable[Sequence[object]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()
