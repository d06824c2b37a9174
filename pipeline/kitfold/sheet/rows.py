"""One row a slot: its facts, its place in the score, its figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from kitfold.files import Store
from kitfold.pack.recent import Recent
from kitfold.pack.slots import checks_about, checks_by_name, shared_steps
from kitfold.sheet.audio import Take, of_files, read_slot, read_take
from kitfold.sheet.chart import label_of, sounding_note, writes_flats
from kitfold.sheet.figures import BANDS_HZ, area_path, band_levels_db, line_path, outline
from kitfold.sheet.marks import Mark, marks_of
from kitfold.sheet.notes import Note, notes_of
from kitfold.sheet.numbers import decibels, signed
from kitfold.sheet.playing import how_played
from kitfold.sheet.scales import time_ticks
from kitfold.sheet.score import Score
from kitfold.sheet.words import change_words, check_title, error_words, step_words

__all__ = ["FIGURE", "Rows", "master_of"]

FIGURE = {"columns": 240, "width": 480, "half": 30, "bands_width": 140, "bands_height": 60}
_KEPT_TAKES = 4
_RANGE_DB = 60.0  # of the band figure: the quietest that a held sound under others can still be heard at, roughly
_WORST = {"fail": 0, "warn": 1, "pass": 2}


@dataclass(frozen=True, eq=False)
class Rows:
    """What the page says of the slots: a few facts for its lists, and a whole row for the score, made when asked for.

    Parameters
    ----------
    manifest : mapping as in manifest.json
    files : mapping, file name to bytes: without a file its figure stays empty
    score : Score
    store : Store or None, where figures are kept from build to build
    """

    manifest: Mapping[str, Any]
    files: Mapping[str, bytes]
    score: Score
    store: Store | None = None

    def facts(self, slot: Mapping[str, Any]) -> dict[str, Any]:
        """Return what every list of slots says of one."""
        return {
            "slot": slot,
            "label": label_of(slot),
            "note": sounding_note(slot, slot["play_semitones"], self.manifest["kit"], self.flats),
            "share": _share(slot, self.manifest),
            "level": decibels(slot["play_db"]),
            "at_root": signed(slot["play_semitones"]),
        }

    def row(self, slot: Mapping[str, Any]) -> dict[str, Any]:
        """Return everything that the page says of one slot."""
        steps, inherited = slot["made"]["steps"], self._inherited(slot)
        marks, notes = marks_of(slot, self.score), notes_of(slot, self.score, self.manifest["kit"], self.flats)
        figures = _kept_figures(slot, self.files, self.store, self._takes)
        whole_s = figures["master_s"]
        return {
            **self.facts(slot),
            "marks": marks,
            "notes": notes,
            "held": any(mark.kind == "hold" for mark in marks),
            "score_words": _score_words(marks, notes, self.score),
            "tuned": _tuned(slot),
            "played": how_played(slot, self.manifest.get("song")),
            "lost": error_words(slot, whole_s),
            "changes": [change_words(change, slot, whole_s) for change in slot["changes"]],
            "steps": [step_words(step) for step in steps[inherited:]],
            "inherited": [str(step.get("step", "")) for step in steps[:inherited]],
            **self._verdict(slot),
            "seconds": time_ticks(figures["span_s"]),
            **figures,
        }

    @cached_property
    def _takes(self) -> Recent[Take]:
        """The masters that were read lately: a sound's copies follow it."""
        return Recent(_KEPT_TAKES)

    @cached_property
    def flats(self) -> bool:
        """Whether notes are written with flats."""
        return writes_flats(self.manifest)

    @cached_property
    def _steps(self) -> Mapping[str, Any]:
        """The steps of each sound, as its first slot has them."""
        return {slot["sound"]: slot["made"]["steps"] for slot in reversed(self.manifest["slots"])}

    @cached_property
    def _checks(self) -> Mapping[str, list[int]]:
        """The places of the checks about each name."""
        return checks_by_name(self.manifest["checks"])

    def _inherited(self, slot: Mapping[str, Any]) -> int:
        """Count the steps that a sound shares with the one it is made from: what they said was said there."""
        return shared_steps(slot["made"]["steps"], self._steps.get(slot["made"].get("from"), ()))

    def _verdict(self, slot: Mapping[str, Any]) -> dict[str, Any]:
        """Return the worst result of the checks that name this slot or its sound, and which ones do not pass."""
        checks, about = self.manifest["checks"], checks_about(slot, self._checks)
        about.sort(key=lambda place: _WORST[checks[place]["result"]])
        poor = [(place, check_title(checks[place])) for place in about if checks[place]["result"] != "pass"]
        return {"result": checks[about[0]]["result"] if about else "pass", "poor": poor}


def master_of(slot: Mapping[str, Any]) -> str:
    """Return the file of the sound before the device."""
    return f"masters/{slot['sound']}.wav"


def _kept_figures(
    slot: Mapping[str, Any], files: Mapping[str, bytes], store: Store | None, takes: Recent[Take]
) -> dict[str, Any]:
    """Return the figures of a slot, from the store where they were drawn of the same files before."""
    master, stored = files.get(master_of(slot)), files.get(slot["file"])
    form = [slot["rate_hz"], slot["bits"], slot["encoding"], slot["channels"], slot["file"].lower().endswith(".raw")]
    parts = [master is None, stored is None, slot["copy"], slot["play_semitones"], *form]

    def drawn() -> dict[str, Any]:
        before = None if master is None else takes.get(master_of(slot), lambda: read_take(master))
        return _figures(slot, before, None if stored is None else read_slot(slot, stored))

    return of_files(store, "figures", [one for one in (master, stored) if one is not None], parts, drawn)


def _figures(slot: Mapping[str, Any], master: Take | None, stored: Take | None) -> dict[str, Any]:
    """Draw both versions over one span of time, each as it comes out at its root."""
    up, speed = 2.0 ** ((slot["copy"] or 0) / 12.0), 2.0 ** (slot["play_semitones"] / 12.0)
    stored_s = stored.seconds / speed if stored else 0.0
    master_s = master.seconds if master else 0.0
    span_s = max(stored_s, master_s, 1e-3)
    columns, half = FIGURE["columns"], FIGURE["half"]
    above = outline(master, columns, span_s) if master else np.zeros(columns)
    below = outline(stored, columns, span_s, speed) if stored else np.zeros(columns)
    tops = [one / max(float(one.max()), 1e-6) for one in (above, below)]
    return {
        "span_s": round(span_s, 2),
        "master_s": round(master_s, 2),
        "stored_s": round(stored_s, 2),
        "above": area_path(tops[0], FIGURE["width"], half, -(half - 2)),
        "below": area_path(tops[1], FIGURE["width"], half, half - 2),
        "bands": _bands(master, stored, stored_s, up, speed),
    }


def _bands(master: Take | None, stored: Take | None, seconds: float, up: float, speed: float) -> dict[str, Any]:
    """Draw both spectra over the part of the sound that is stored, each under its own loudest band."""
    width, height = FIGURE["bands_width"], FIGURE["bands_height"]
    before = band_levels_db(master, seconds or master.seconds, up) if master else None
    after = band_levels_db(stored, stored.seconds, speed) if stored else None
    top_hz = stored.rate_hz * speed / 2.0 if stored else 0.0
    place = np.interp(np.log(max(top_hz, 1.0)), np.log(BANDS_HZ), np.arange(len(BANDS_HZ)))
    return {
        "before": "" if before is None else line_path(_heights(before), width, height, -(height - 4)),
        "after": "" if after is None else area_path(_heights(after), width, height, -(height - 4)),
        "top": round(float(place) * width / (len(BANDS_HZ) - 1), 1),
        "top_khz": f"{top_hz / 1000:.3g}",
    }


def _heights(levels_db: Any) -> Any:
    return np.clip((levels_db - levels_db.max()) / _RANGE_DB + 1.0, 0.0, 1.0)


def _tuned(slot: Mapping[str, Any]) -> str:
    cents = slot["root"]["error_cents"]
    if not slot["root"]["pitched"] or cents is None:
        return "no clear root"
    return "in tune to 0.1 cent" if abs(cents) < 0.1 else f"{abs(cents):.1f} cents {'sharp' if cents > 0 else 'flat'}"


def _share(slot: Mapping[str, Any], manifest: Mapping[str, Any]) -> float:
    return round(100.0 * float(slot["memory"]) / max(1, int(manifest["budget"]["limit"])), 1)


def _score_words(marks: tuple[Mark, ...], notes: tuple[Note, ...], score: Score) -> str:
    """Say the row's drawing in words, for a screen reader."""
    asked = [_mark_words(mark) for mark in marks] or ["not in the song"] * bool(score.sections)
    return "; ".join([*asked, *_played_words(notes, score)])


def _played_words(notes: tuple[Note, ...], score: Score) -> list[str]:
    """Say how often the sketch plays a slot, and in which patterns."""
    if score.sketch is None:
        return []
    patterns = sorted({int(note.x * score.patterns / 100.0 + 0.001) + 1 for note in notes})
    lost = sum(not note.reached for note in notes)
    if not notes:
        return ["Play the song does not play it"]
    where = f"{'pattern' if len(patterns) == 1 else 'patterns'} {', '.join(map(str, patterns))}"
    times = "once" if len(notes) == 1 else f"{len(notes)} times"
    return [f"Play the song plays it {times}, in {where}"] + [f"{lost} of them only by the master"] * bool(lost)


def _mark_words(mark: Mark) -> str:
    if mark.kind == "rest":
        return f"{mark.section}: rests"
    if mark.kind == "free":
        return f"{mark.section}: never moved, lasts {_lasts(mark)}"
    if mark.kind == "note":
        return f"{mark.section}, {mark.chord}: {mark.said}, lasts {_lasts(mark)}"
    short = "" if mark.ok else ", too short"
    return f"{mark.section}, {mark.chord}: {mark.said}, held {mark.needs_s:.2f} s, lasts {_lasts(mark)}{short}"


def _lasts(mark: Mark) -> str:
    return "for ever" if mark.lasts_s is None else f"{mark.lasts_s:.2f} s"
