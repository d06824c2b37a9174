"""Checks of the fit: memory, slots, and whether every note that the song asks for can be played and held."""

from __future__ import annotations

from math import isfinite

from kitfold.pack.claim import Result, claim
from kitfold.pack.holds import lasts_s
from kitfold.pack.kit import Packed
from kitfold.pack.manifest import Check
from kitfold.pack.slots import stored_name

__all__ = ["HOLD_SLACK_S", "holds", "memory", "reach", "slots"]

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


def holds(packed: Packed) -> list[Check]:
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
            advice = (
                f"{ask.chord} in {ask.section} is held {ask.needs_s:.2f} s and it lasts {lasts:.2f} s: "
                "take a longer source, a shorter chord or a device that loops"
            )
            result: Result = "pass" if margin >= -HOLD_SLACK_S else "fail"
            label = stored_name(slot.part.name, slot.part.root)
            checks.append(claim("hold", result, lasts, worst.ask.needs_s, "s", [label], advice))
    return checks


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
