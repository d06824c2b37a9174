"""The claims of a build, each measured against its limit, with advice in one sentence."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite
from typing import Literal

from kitfold.pack.holds import lasts_s
from kitfold.pack.kit import Packed, Slot
from kitfold.pack.manifest import Check
from kitfold.pack.slots import stored_name
from kitfold.plan.plan import Plan
from kitfold.plan.settings import Stack

__all__ = ["HOLD_SLACK_S", "checks_of"]

TUNING_LIMIT_CENTS = 3.0
"""What a listener cannot tell in a steady tone at middle register: about 3 cents (Moore 1973, JASA 54, from memory)."""
TUNING_FAIL_CENTS = 10.0
BALANCE_LIMIT_LU = 0.2
HOLD_SLACK_S = 0.01
"""A hold is measured in windows of 50 ms; a hundredth of a second is inside their grain."""
Result = Literal["pass", "warn", "fail"]


def checks_of(plan: Plan, packed: Packed) -> list[Check]:
    """Return every check of a build, failures and warnings included.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    """
    return [
        _memory(packed),
        _slots(packed),
        *_holds(packed),
        *_reach(packed),
        *_tuning(packed),
        _balance(packed),
        _clipping(packed),
        *_fifths(plan),
        *_rootless(plan, packed),
    ]


def _check(
    check: str, result: Result, figure: float, limit: float, unit: str, about: Iterable[str] = (), advice: str = ""
) -> Check:
    figure, limit = round(figure, 3) + 0.0, round(limit, 3) + 0.0
    about, advice = list(about), advice if result != "pass" else ""
    return Check(check=check, result=result, figure=figure, limit=limit, unit=unit, about=about, advice=advice)


def _memory(packed: Packed) -> Check:
    used = sum(packed.memory.cost(slot.stored.frames) for slot in packed.slots)
    limit = packed.memory.limit
    return _check("memory", "pass" if used <= limit else "fail", used, limit, packed.memory.unit)


def _slots(packed: Packed) -> Check:
    count = len(packed.slots)
    return _check("slots", "pass" if count <= packed.device.slots else "fail", count, packed.device.slots, "slots")


def _holds(packed: Packed) -> list[Check]:
    """Compare the tightest hold of every held slot, on the file as it is stored."""
    checks = []
    for slot in packed.slots:
        margins = [
            (lasts_s(slot.held_s, one.setting) - one.ask.needs_s, one) for one in slot.part.serves if one.ask.needs_s
        ]
        if margins:
            margin, worst = min(margins, key=lambda pair: pair[0])
            lasts = lasts_s(slot.held_s, worst.setting)
            ask = worst.ask
            advice = (
                f"{ask.chord} in {ask.section} is held {ask.needs_s:.2f} s and it lasts {lasts:.2f} s: "
                "take a longer source, a shorter chord or a device that loops"
            )
            result: Result = "pass" if margin >= -HOLD_SLACK_S else "fail"
            checks.append(_check("hold", result, lasts, worst.ask.needs_s, "s", [_label(slot)], advice))
    return checks


def _reach(packed: Packed) -> list[Check]:
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
            checks.append(_check("reach", "fail", furthest.semitones, limit, "semitones", [name], advice))
    return checks


def _tuning(packed: Packed) -> list[Check]:
    checks = []
    for slot in packed.slots:
        if slot.note.tuned and slot.error_cents is not None:
            off = abs(slot.error_cents)
            result: Result = "pass" if off <= TUNING_LIMIT_CENTS else "warn" if off <= TUNING_FAIL_CENTS else "fail"
            advice = "listen to it beside the others; a chorus wanders, anything else wants tune.heard set by ear"
            checks.append(_check("tuning", result, off, TUNING_LIMIT_CENTS, "cents", [_label(slot)], advice))
    return checks


def _balance(packed: Packed) -> Check:
    """Compare the loudness that slots are played at with the loudness that the recipes set, up to one common gain."""
    played = {
        _label(slot): slot.lufs + slot.gain.play_db - packed.wanted_lufs[slot.part.name]
        for slot in packed.slots
        if isfinite(slot.lufs)
    }
    middle = (max(played.values()) + min(played.values())) / 2 if played else 0.0
    off = {label: abs(level - middle) for label, level in played.items()}
    worst = max(off, key=lambda label: off[label], default="")
    figure = off.get(worst, 0.0)
    advice = f"{worst} changed most in the device's bits and rate; set its level by ear"
    result: Result = "pass" if figure <= BALANCE_LIMIT_LU else "warn"
    return _check(
        "balance", result, figure, BALANCE_LIMIT_LU, "LU", [worst] if figure > BALANCE_LIMIT_LU else [], advice
    )


def _clipping(packed: Packed) -> Check:
    peaks = {_label(slot): slot.peak_db for slot in packed.slots}
    worst = max(peaks, key=lambda label: peaks[label], default="")
    peak = max(peaks.get(worst, -120.0), -120.0)
    return _check("peak", "pass" if peak < 0 else "warn", peak, 0.0, "dBFS", [], f"{worst} reaches full scale")


def _fifths(plan: Plan) -> list[Check]:
    """Warn of a stacked fifth that leaves the key: on a diatonic root only that of the diminished degree does."""
    stacked = [s for s in plan.sounds if any(_has_fifth(step.settings) for step in s.steps) and s.plays == "chords"]
    checks = []
    for sound in stacked:
        outside = [
            f"{trigger.chord.text} in {section.name}"
            for section in plan.song.sections
            if sound.name not in section.silent
            for trigger in section.triggers
            if trigger.chord.root in plan.key.scale and (trigger.chord.root + 7) % 12 not in plan.key.scale
        ]
        if outside:
            advice = (
                f"its fifth leaves {plan.key} at {', '.join(dict.fromkeys(outside))}: rest it there or stack octaves"
            )
            checks.append(_check("fifth in key", "warn", len(outside), 0, "chords", [sound.name], advice))
    return checks


def _has_fifth(settings: object) -> bool:
    return isinstance(settings, Stack) and any(interval % 12 == 7 for interval in settings.intervals)


def _rootless(plan: Plan, packed: Packed) -> list[Check]:
    """Warn of sounds that should follow the chords and cannot, since no root is clear."""
    lost = {s.part.name for s in packed.slots if s.note.midi is None and plan.sound(s.part.name).plays != "fixed"}
    advice = 'no clear root, so it is not transposed: say what you hear (tune.heard = "A3") or set plays = "fixed"'
    return [_check("root", "warn", 0, 1, "roots found", [name], advice) for name in sorted(lost)]


def _label(slot: Slot) -> str:
    return stored_name(slot.part.name, slot.part.root)
