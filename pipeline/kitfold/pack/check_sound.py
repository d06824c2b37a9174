"""Checks of every sound by itself, as the device plays it."""

from __future__ import annotations

from functools import partial
from math import isfinite

import numpy as np

from kitfold.measure import erb
from kitfold.measure.clicks import end_steps
from kitfold.measure.onset import envelope
from kitfold.measure.stereo import fold_losses_lu
from kitfold.pack.claim import Result, Row, claim, worst_of
from kitfold.pack.manifest import Check
from kitfold.pack.played import Played, PlayedKit
from kitfold.units import power_to_db, semitones_to_ratio

__all__ = ["band", "clicks", "mono", "noise", "peak", "rootless", "slow", "tuning"]

TUNING_LIMIT_CENTS = 3.0
"""What a listener cannot tell in a steady tone at middle register: about 3 cents (Moore 1973, JASA 54, from memory)."""
TUNING_FAIL_CENTS = 10.0
NOISE_OVER_STEPS_DB = 1.0
"""How far over what the device's steps give the quietest reading may lie: by measurement in tests/pack/test_checks."""
NOISE_UNDER_DB = 24.0
"""Four bits of 6.02 dB between a sound and its noise: with fewer the noise is a part of the sound (common practice)."""
STEP_LIMIT = 2.0
"""A step twice as steep as the sound beside it is heard as a click of its own: by measurement in tests/pack."""
MONO_LIMIT_LU = 4.0
"""Two unrelated channels lose 3.0 to 3.8 LU in mono, by measurement in tests/pack/test_checks; more is cancelling."""
_ALL_CANCELLED_LU = 60.0
BAND_LIMIT_ERB = 1.0
"""Nearer than one auditory filter two centroids lie in the same place (Glasberg and Moore 1990)."""
_RISEN = 0.5  # -6 dB: a sound has spoken when it first comes so near to its loudest
_LEVEL_S = 0.02  # a period at 50 Hz


def tuning(kit: PlayedKit) -> list[Check]:
    """Compare every tuned slot with its note."""
    checks = []
    for one in kit.slots:
        if one.slot.note.tuned and one.slot.error_cents is not None:
            off = abs(one.slot.error_cents)
            result: Result = "pass" if off <= TUNING_LIMIT_CENTS else "warn" if off <= TUNING_FAIL_CENTS else "fail"
            advice = "listen to it beside the others; a chorus wanders, anything else wants tune.heard set by ear"
            checks.append(claim("tuning", result, off, TUNING_LIMIT_CENTS, "cents", [one.label], advice))
    return checks


def rootless(kit: PlayedKit) -> list[Check]:
    """Warn of sounds that should follow the chords and cannot, since no root is clear."""
    lost = [
        name for name, one in kit.first.items() if one.slot.note.midi is None and kit.plan.sound(name).plays != "fixed"
    ]
    advice = 'no clear root, so it is not transposed: say what you hear (tune.heard = "A3") or set plays = "fixed"'
    return [claim("root", "warn", 0, 1, "roots found", [name], advice) for name in sorted(lost)]


def peak(kit: PlayedKit) -> Check:
    """Warn of a slot that reaches full scale, where codes are clipped."""
    peaks = {one.label: one.slot.peak_db for one in kit.slots}
    worst = max(peaks, key=lambda label: peaks[label], default="")
    highest = max(peaks.get(worst, -120.0), -120.0)
    return claim("peak", "pass" if highest < 0 else "warn", highest, 0.0, "dBFS", [], f"{worst} reaches full scale")


def noise(kit: PlayedKit) -> list[Check]:
    """Measure the noise that conversion left: its floor, and how far under each sound it lies.

    Every slot's reading is an upper bound of the same floor, so the one least over its steps' own noise is shown;
    dBFS as AES17 counts it, a full-scale sine being 0.
    """
    floors = [
        (power_to_db(one.quietest / by_steps), power_to_db(2.0 * by_steps / one.sound.channels), one.label)
        for one in kit.slots
        if (by_steps := one.noise_by_steps) is not None and one.quietest > 0.0
    ]
    checks = []
    if floors:
        over_db, steps_db, label = min(floors)
        advice = f"conversion left more noise than {kit.packed.device.bits} bits should: report it, with the kit"
        row = Row(steps_db + over_db, (label,), advice)
        checks += worst_of("noise floor", [row], steps_db + NOISE_OVER_STEPS_DB, "dBFS")
    rows = [
        Row(
            power_to_db(one.spectrum.power / one.noise),
            (one.label,),
            f"its noise lies at {power_to_db(2.0 * one.noise / one.sound.channels):.0f} dBFS, close under it: "
            "take its peaks down (a compressor before kitfold), or a device with more bits",
        )
        for one in kit.slots
        if one.noise > 0.0 and one.spectrum.power > 0.0
    ]
    return checks + worst_of("noise under sound", rows, NOISE_UNDER_DB, "dB", at_least=True)


def clicks(kit: PlayedKit) -> list[Check]:
    """Look for steps at the start and at the end, where a cut may lie, of what is played once."""
    rows = []
    for one in kit.slots:
        if one.sound.loop is None:
            start, end = one.figure("ends", partial(end_steps, one.sound))
            place, cure = ("start", "trim.pre_ms or a fade") if start >= end else ("end", "a longer fade.out_ms")
            advice = f"its {place} steps {max(start, end):.1f} times as steep as the sound is there: give it {cure}"
            rows.append(Row(max(start, end), (one.label,), advice))
    return worst_of("clicks", rows, STEP_LIMIT, "times its slope")


def mono(kit: PlayedKit) -> list[Check]:
    """Say what a stereo sound loses when its channels meet: in the device, or behind it."""
    rows = []
    for one in kit.first.values():
        if one.slot.master.sound.channels > 1:
            lost = _mono_loss_lu(one)
            where = "in mono" if one.sound.channels > 1 else "by the best way to this device's one channel"
            advice = f"it loses {lost:.1f} LU {where}: narrow its chorus or take one channel of it (the step fold)"
            rows.append(Row(lost, (one.label,), advice))
    return worst_of("mono", rows, MONO_LIMIT_LU, "LU")


def _mono_loss_lu(one: Played) -> float:
    """Return what mono costs: measured on a stereo slot; where the device folded it, as the fold found it."""
    if one.sound.channels > 1:
        return min(one.figure("folds", lambda: fold_losses_lu(one.sound))["mid"], _ALL_CANCELLED_LU)
    folds = [done for done in one.slot.history if done.step == "fold"]
    return float(folds[-1].found.get("lost_lu", _ALL_CANCELLED_LU)) if folds else 0.0


def band(kit: PlayedKit) -> list[Check]:
    """Warn where the device's band takes away what made a sound bright: its centroid falls by an auditory filter."""
    rows = []
    for one in kit.first.values():
        before, after = one.master_spectrum.centroid_hz, one.centroid_hz
        fall = float(erb.erb_number(before) - erb.erb_number(after))
        advice = (
            f"the middle of its power falls from {before:.0f} to {after:.0f} Hz in the device's band: take a duller "
            "sound for that place, or play it an octave down from a brighter one"
        )
        rows.append(Row(max(fall, 0.0), (one.label,), advice))
    return worst_of("brightness lost", rows, BAND_LIMIT_ERB, "ERB")


def slow(kit: PlayedKit) -> list[Check]:
    """Warn of a pad that has not spoken within a beat, at the lowest setting it is played at.

    The limit is one beat at the kit's tempo: what comes later than the next beat is late (common practice).
    """
    rows, beat_s = [], 60.0 / kit.plan.song.tempo
    for one in kit.slots:
        settings = [served.setting for served in one.slot.part.serves if served.ask.needs_s > 0]
        if settings:
            lowest = min(settings)
            rise_s = one.figure("rise", partial(_rise_s, one)) / semitones_to_ratio(lowest)
            advice = (
                f"at {lowest:+d} it comes within 6 dB of its loudest only after {rise_s:.2f} s, a beat is {beat_s:.2f} "
                "s: start its region later (start_s), or trigger it a beat early"
            )
            rows.append(Row(rise_s, (one.label,), advice))
    return worst_of("speaks", rows, beat_s, "s")


def _rise_s(one: Played) -> float:
    level = envelope(one.sound.float64(), one.sound.rate_hz, _LEVEL_S)
    if not level.any() or not isfinite(one.slot.lufs):
        return 0.0
    return int(np.argmax(level >= _RISEN * level.max())) / one.sound.rate_hz
