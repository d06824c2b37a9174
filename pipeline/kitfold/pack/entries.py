"""From a packed kit to its manifest: every figure rounded to what it means."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, log10
from typing import Any

from kitfold.pack.checks import HOLD_SLACK_S
from kitfold.pack.entry_parts import (
    kit_entry,
    level_db,
    made_with,
    named_note,
    plays_of,
    root_entry,
    rounded,
    song_entry,
    step_entry,
)
from kitfold.pack.holds import lasts_s
from kitfold.pack.kit import Packed, Slot
from kitfold.pack.manifest import (
    SCHEMA,
    Budget,
    Change,
    Check,
    FileEntry,
    Hold,
    LevelEntry,
    Made,
    Manifest,
    MoreMemory,
    SlotEntry,
)
from kitfold.pack.remedies import amount
from kitfold.pack.ways import OCTAVE
from kitfold.plan.plan import Plan
from kitfold.units import semitones_to_ratio

__all__ = ["manifest_of", "slot_note"]

_LEAST_COST_DB = -120.0


def manifest_of(
    plan: Plan, packed: Packed, files: Sequence[FileEntry], others: Sequence[FileEntry], checks: Sequence[Check]
) -> Manifest:
    """Return the manifest of a build.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    files : sequence of FileEntry, one a slot
    others : sequence of FileEntry, everything beside the slots
    checks : sequence of Check
    """
    used = sum(packed.memory.cost(slot.stored.frames) for slot in packed.slots)
    return Manifest(
        schema=SCHEMA,
        made_with=made_with(),
        kit=kit_entry(plan),
        song=song_entry(plan),
        fit=plan.fit.model_dump(mode="json"),
        device=packed.device.model_dump(mode="json", exclude_none=True),
        budget=Budget(
            unit=packed.memory.unit,
            limit=packed.memory.limit,
            used=used,
            slots=packed.memory.slots,
            slots_used=len(packed.slots),
            cost_db=_cost_db(packed.fitted.cost),
            more=_more(packed),
        ),
        slots=[_entry(slot, file, plan, packed) for slot, file in zip(packed.slots, files, strict=True)],
        files=list(others),
        checks=list(checks),
    )


def slot_note(slot: Slot, plan: Plan) -> str | None:
    """Name a slot's note as the kit names notes; None where it has no clear root."""
    return named_note(slot.note.midi, plan)


def _more(packed: Packed) -> MoreMemory | None:
    """Say what a little more memory would buy, by solving again; nothing where it would buy nothing."""
    if packed.fitted.more is None:
        return None
    units, cost = packed.fitted.more
    return MoreMemory(units=units, cost_db=_cost_db(cost))


def _entry(slot: Slot, file: FileEntry, plan: Plan, packed: Packed) -> SlotEntry:
    stored, part = slot.stored, slot.part
    return SlotEntry(
        slot=slot.slot,
        sound=part.name,
        copy=part.root or None,
        file=file.file,
        sha256=file.sha256,
        frames=stored.frames,
        rate_hz=stored.rate_hz,
        bits=stored.bits,
        encoding=stored.encoding,
        channels=stored.channels,
        bytes=file.bytes,
        seconds=rounded(stored.frames / stored.rate_hz, 4),
        memory=packed.memory.cost(stored.frames),
        plays=plays_of(plan, slot.part.name, slot.note.midi),
        play_semitones=part.play_semitones,
        play_db=slot.gain.play_db,
        root=root_entry(slot.note, slot.error_cents, plan),
        level=LevelEntry(
            lufs=level_db(slot.lufs), peak_db=level_db(slot.peak_db), true_peak_db=level_db(slot.true_peak_db)
        ),
        loop=None if slot.loop is None else {"start": slot.loop[0], "end": slot.loop[1]},
        cost_db=_cost_db(part.share),
        holds=_holds(slot),
        changes=_changes(slot, packed),
        made=_made(slot),
    )


def _holds(slot: Slot) -> list[Hold]:
    holds = []
    for one in slot.part.serves:
        lasts = lasts_s(slot.held_s, one.setting)
        holds.append(
            Hold(
                section=one.ask.section,
                chord=one.ask.chord,
                semitones=one.ask.semitones,
                setting=one.setting,
                needs_s=rounded(one.ask.needs_s, 4),
                lasts_s=None if lasts == inf else rounded(lasts, 4),
                ok=lasts >= one.ask.needs_s - HOLD_SLACK_S,
            )
        )
    return holds


def _changes(slot: Slot, packed: Packed) -> list[Change]:
    part = slot.part
    changes = [Change(what=what, why=_why(what, slot, packed), cost_db=_cost_db(share)) for what, share in part.costs]
    if part.root == 0:
        for name, semitones, share in packed.fitted.dropped:
            if name == part.name:
                why = f"the copy at {semitones:+d} is optional and its room serves the kit better elsewhere"
                changes.append(Change(what="drop-copy", why=why, cost_db=_cost_db(share)))
    return changes


def _why(what: str, slot: Slot, packed: Packed) -> str:
    """Say in one sentence why the fit did that."""
    variant, memory, frames = slot.part.variant, packed.memory, slot.stored.frames
    if what == "lower-rate":
        return f"stored at {variant.rate_hz} Hz: what lies above {variant.rate_hz / 2:g} Hz is worth less than its room"
    if what == "repitch":
        return f"{_moved_words(variant.up_semitones)}, and its highs are worth less than that"
    if what == "loop":
        return f"its sustain goes round over {_loop_s(slot):.2f} s, so that it lasts for ever"
    saved = memory.cost(variant.frames) - memory.cost(frames)
    return f"its tail gave back {amount(saved, memory, packed.device.top_rate_hz)}, where it is heard least"


def _moved_words(up_semitones: int) -> str:
    """Say how far up a sound is stored, and how much less room it takes so: 2^(-1/12) of it a semitone."""
    if up_semitones == OCTAVE:
        return "stored an octave up and played an octave down: half the room"
    up, share = f"{up_semitones} semitone{'s' * (up_semitones > 1)}", 100 / semitones_to_ratio(up_semitones)
    return f"stored {up} up and played {up_semitones} down: {share:.0f} % of the room"


def _loop_s(slot: Slot) -> float:
    start, end = slot.loop or (0, 0)
    return (end - start) / slot.stored.rate_hz


def _cost_db(lost: float) -> float:
    return rounded(max(10 * log10(lost), _LEAST_COST_DB), 1) if lost > 0 else _LEAST_COST_DB


def _made(slot: Slot) -> Made:
    planned, part = slot.master.planned, slot.part
    history = [step_entry(done) for done in slot.history]
    dither = {"dither": "tpdf" if slot.dithered else "none"}
    found = {"gain_db": rounded(slot.gain.store_db, 2)}
    device: list[dict[str, Any]] = []
    if part.root:
        device.append({"step": "copy", "settings": {"semitones": part.root, "method": "keep-length"}})
    if any(what == "loop" for what, _ in part.costs):
        device.append({"step": "loop", "settings": {"method": "auto"}})
    if up := part.variant.up_semitones:
        device.append({"step": "transpose", "settings": {"semitones": up, "method": "varispeed"}})
    device.append({"step": "store", "settings": dither, "found": found})
    return Made(
        source=slot.master.source_text,
        source_sha256=slot.master.source_sha256,
        **{"from": planned.from_sound},
        rights=slot.master.rights,
        steps=history + device,
    )
