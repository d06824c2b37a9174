"""Moving pitch, the one place that does: as a sampler does it, or with the length kept.

`varispeed` is resampling by soxr at its best quality. `keep_length` is Rubber Band's phase vocoder through
pedalboard.time_stretch, whose formant correction is off: it takes up to 36 dB from notes that are no voice.
"""

from __future__ import annotations

import math

import numpy as np
import soxr
from numpy.typing import NDArray

from kitfold.errors import StepError
from kitfold.sound import Audio, Sound
from kitfold.steps.loop_moved import loop_at_speed
from kitfold.units import seconds_to_frames

__all__ = ["keep_length", "varispeed", "varispeed_frames"]

LOOP_GONE = "its loop is gone, because the pitch was moved with the length kept; put the step loop after that"
_LONGEST_S = 600.0
"""A sound lasts ten minutes at most, as long as a source may be."""
_MARGIN_S = 0.1
"""Silence that the stretcher gets at both ends: without it a start loses up to 11 dB in its first 20 ms, by measurement
in tests/steps/test_shift.py. It also spares the stretcher inputs too short for its window."""
_STRETCH_RATE_HZ = 40_000
"""Sounds at lower rates are stretched at a multiple of theirs that reaches this: at 22 kHz the stretcher makes sines
waver and loses up to 0.8 dB, at 44.1 kHz mostly under 0.1 dB (tests/steps/test_shift.py)."""
_STRETCH_PEAK = 0.5
"""The stretcher's choices hang on the level, so it always gets the same one: a gain before it is a gain after it."""
_STEP_S = 0.01
_SMOOTH_STEPS = 23  # a Hann window of 0.22 s
_MOST_MAKE_UP_DB = 3.0


def varispeed_frames(frames: int, ratio: float) -> int:
    """Count the frames that `varispeed` returns: `frames / ratio`, a half counts up, one at least."""
    return max(1, math.floor(frames / ratio + 0.5)) if frames else 0


def varispeed(sound: Sound, ratio: float) -> Sound:
    """Play a sound faster or slower, as tape and samplers do: pitch and length move together.

    Parameters
    ----------
    sound : Sound, (frames, channels); a known root moves along
    ratio : float, > 0: played this many times as fast, so every frequency is multiplied by it

    Returns
    -------
    Sound, (max(1, floor(frames / ratio + 0.5)), channels); without frames, none. What would lie above half the rate
    is taken away, not folded back; ratio 1 returns the samples untouched. A loop moves along: its ends lie on whole
    frames and its pitch within a cent, see `loop_at_speed`, which then says the length.

    Raises
    ------
    StepError : where the result would last more than ten minutes
    """
    frames = varispeed_frames(sound.frames, ratio)
    if frames > max(sound.frames, _LONGEST_S * sound.rate_hz):
        raise StepError(
            f"played at {ratio:.3g} times its speed it would last {frames / sound.rate_hz:.0f} s; "
            f"{_LONGEST_S:.0f} s are allowed",
            hint="take a shorter region (start_s, end_s), or the method keep-length",
        )
    if sound.loop is not None and ratio != 1.0:
        return loop_at_speed(sound, ratio)
    moved = _to_length(_resampled(sound.samples, ratio), frames)
    return sound.with_samples(moved, root_hz=_moved_root(sound, ratio))


def keep_length(sound: Sound, ratio: float) -> Sound:
    """Move the pitch of a sound and keep its length to the frame.

    Parameters
    ----------
    sound : Sound, (frames, channels); a known root moves along
    ratio : float, > 0: every frequency is multiplied by it

    Returns
    -------
    Sound, (frames, channels), with the level of the source (of that part of it that the new pitch leaves under half the
    rate). Channels are stretched together, so that their phases stay related. Silence, ratio 1 and sounds without
    frames return the samples untouched. Any other loses its loop, whose ends no longer meet, and says so.
    """
    root_hz = _moved_root(sound, ratio)
    peak = sound.peak()
    if ratio == 1.0 or peak == 0.0:
        return sound.with_samples(sound.samples, root_hz=root_hz)
    even = (sound.float64() * (_STRETCH_PEAK / peak)).astype(np.float32)
    up = math.ceil(_STRETCH_RATE_HZ / sound.rate_hz)
    moved = _stretched(_resampled(even, 1.0 / up), up * sound.rate_hz, ratio)
    moved = _to_length(_resampled(moved, up), sound.frames)
    gain = _make_up_gain(even, moved, sound.rate_hz, ratio)
    moved_sound = sound.with_samples(
        moved.astype(np.float64) * (gain * peak / _STRETCH_PEAK), root_hz=root_hz, loop=None
    )
    return moved_sound if sound.loop is None else moved_sound.telling(LOOP_GONE)


def _moved_root(sound: Sound, ratio: float) -> float | None:
    return None if sound.root_hz is None else sound.root_hz * ratio


def _resampled(samples: Audio, ratio: float) -> Audio:
    if ratio == 1.0:
        return samples
    moved: Audio = soxr.resample(np.ascontiguousarray(samples), ratio, 1.0, quality="VHQ")
    return moved


def _to_length(samples: Audio, frames: int) -> Audio:
    """Cut, or add silence: soxr may round a length the other way by one frame."""
    missing = frames - len(samples)
    return np.pad(samples, ((0, missing), (0, 0))) if missing > 0 else samples[:frames]


def _stretched(samples: Audio, rate_hz: int, ratio: float) -> Audio:
    from pedalboard import time_stretch

    margin = seconds_to_frames(_MARGIN_S, rate_hz)
    padded = np.pad(samples.T, ((0, 0), (margin, margin)))
    moved = time_stretch(
        padded,
        rate_hz,
        stretch_factor=1.0,
        pitch_shift_in_semitones=12.0 * math.log2(ratio),
        high_quality=True,
        preserve_formants=False,
    )
    return _to_length(np.asarray(moved, dtype=np.float32).T[margin:], len(samples))


def _make_up_gain(before: Audio, after: Audio, rate_hz: int, ratio: float) -> float:
    """Measure the level that the stretcher took: 0.0 to 0.1 dB from a sine, 0.6 to 2.2 dB from noise.

    The source played at the new pitch says what the level should be, moment by moment; the median of all moments
    counts, weighted by energy, so that neither end of the sound does. The gain stays within 3 dB.
    """
    steps = max(1, round(len(before) / rate_hz / _STEP_S))
    wanted, got = _level_curve(_resampled(before, ratio), steps), _level_curve(after, steps)
    heard = (wanted > 0) & (got > 0)
    if not heard.any():
        return 1.0
    taken_db = 10.0 * np.log10(wanted[heard] / got[heard])
    order = np.argsort(taken_db, kind="stable")
    running = np.cumsum(wanted[heard][order])
    median_db = float(taken_db[order][np.searchsorted(running, running[-1] / 2)])
    return float(10.0 ** (np.clip(median_db, -_MOST_MAKE_UP_DB, _MOST_MAKE_UP_DB) / 20.0))


def _level_curve(samples: Audio, steps: int) -> NDArray[np.float64]:
    """Return the mean square in `steps` equal parts, smoothed so that a low note's own swing does not show."""
    total = np.concatenate([[0.0], np.cumsum(np.sum(samples.astype(np.float64) ** 2, axis=1))])
    edges = np.round(np.linspace(0, len(samples), steps + 1)).astype(int)
    return np.convolve(np.diff(total[edges]) / np.maximum(np.diff(edges), 1), np.hanning(_SMOOTH_STEPS))
