"""Checks of the fit: memory, slots, and whether every note that the song asks for can be played and held."""

from __future__ import annotations

from math import isfinite

from kitfold.measure.audible import FLOOR_DB
from kitfold.pack.claim import Result, Row, claim, worst_of
from kitfold.pack.holds import lasts_s
from kitfold.pack.kit import Packed, Slot
from kitfold.pack.manifest import Check
from kitfold.pack.slots import stored_name
from kitfold.pack.ways import can_loop
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.units import power_to_db

__all__ = ["HOLD_SLACK_S", "changes", "holds", "memory", "reach", "slots"]

_MOSTLY_GONE_DB = -3.0
_FULL = 0.98  # of the memory: below that it is not memory that a sound was changed for
CHANGE_LIMIT_DB = -12.0
"""Six hundredths of what is heard: about half of a bell's ring (by measurement on the demo kit)."""
HOLD_SLACK_S = 0.01
"""A hold is measured in windows of 50 ms; a hundredth of a second is inside their grain."""


def memory(packed: Packed) -> Check:
    """Compare what the slots take with what the device has."""
    used = sum(packed.memory.cost(slot.stored.frames) for slot in packed.slots)
    limit = packed.memory.limit
    return claim("memory", "pass" if used <= limit else "fail", used, limit, packed.memory.unit)


def slots(packed: Packed) -> Check:
    """Count the slots."""
    count = len(packed.slots)
    return claim("slots", "pass" if count <= packed.device.slots else "fail", count, packed.device.slots, "slots")


def changes(packed: Packed) -> list[Check]:
    """Warn of every sound that the fit changed so far that nobody would miss it."""
    rows = []
    used = sum(packed.memory.cost(slot.stored.frames) for slot in packed.slots)
    full = used >= _FULL * packed.memory.limit
    for slot in packed.slots:
        part = slot.part
        if part.costs:
            heard = ", ".join(what for what, share in part.costs if power_to_db(share) > CHANGE_LIMIT_DB - 6) or "it"
            cost_db = max(FLOOR_DB, power_to_db(part.share))
            gone = cost_db > _MOSTLY_GONE_DB
            said = "more than half of what is heard of it is gone" if gone else "what was done to make it fit is heard"
            way = (
                "leave it out, or another sound" if gone else "give it more room with `spare`, leave another sound out"
            )
            more = "take a device with more memory"
            advice = f"{said} ({heard}): " + (
                f"{way}, or {more}" if full else "more memory would not help, a longer take may"
            )
            rows.append(Row(cost_db, (stored_name(part.name, part.root),), advice))
    return worst_of("changes", rows, CHANGE_LIMIT_DB, "dB")


def holds(plan: Plan, packed: Packed) -> list[Check]:
    """Compare the tightest hold of every held slot, on the file as it is stored."""
    checks = []
    for slot in packed.slots:
        margins = [
            (lasts_s(slot.held_s, one.setting) - one.ask.needs_s, one) for one in slot.part.serves if one.ask.needs_s
        ]
        if margins:
            margin, worst = min(margins, key=lambda pair: (pair[0], -pair[1].ask.needs_s))
            ask, lasts = worst.ask, lasts_s(slot.held_s, worst.setting)
            lasts = lasts if isfinite(lasts) else ask.needs_s  # a loop lasts as long as anybody asks
            result: Result = "pass" if margin >= -HOLD_SLACK_S else "fail"
            advice = f"{ask.chord} in {ask.section} is held {ask.needs_s:.2f} s and it lasts {lasts:.2f} s: "
            advice += _longer(plan, packed.device, slot) if result == "fail" else ""
            label = stored_name(slot.part.name, slot.part.root)
            checks.append(claim("hold", result, lasts, worst.ask.needs_s, "s", [label], advice))
    return checks


def _longer(plan: Plan, device: Device, slot: Slot) -> str:
    """Say what makes a sound last: a loop only where one is found in it."""
    if not can_loop(device):
        return "take a longer source, a shorter chord or a device that loops"
    may = "loop" not in plan.fit.allow and not slot.master.sound.whole
    if may and slot.whole is not None and slot.whole.round(slot.part.root).loop:
        return "allow `loop` in fit.allow, which finds one in it"
    return "take a longer source or a shorter chord"


def reach(packed: Packed) -> list[Check]:
    """Report notes that nothing stored can play."""
    checks = []
    low, high = packed.device.transpose
    for name, asks in packed.fitted.unserved.items():
        if asks:
            furthest = max(asks, key=lambda ask: abs(ask.semitones))
            advice = (
                f"{len(asks)} of its notes lie out of reach, {furthest.chord} in {furthest.section} by the most: "
                'set copies = "auto", or shift it there'
            )
            limit = high if furthest.semitones > 0 else low
            checks.append(claim("reach", "fail", furthest.semitones, limit, "semitones", [name], advice))
    return checks
