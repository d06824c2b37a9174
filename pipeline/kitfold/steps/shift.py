"""Moving pitch, the one place that does: as a sampler does it, or with the length kept.

`varispeed` is resampling by soxr at its best quality. `keep_length` is Rubber Band's phase vocoder through
pedalboard.time_stretch, whose formant correction is off: it takes up to 36 dB from notes that are no voice.
"""

from __future__ import annotations

import math

import numpy as np
import soxr
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from kitfold.channels import loudest_of_channels, sum_of_channels
from kitfold.errors import StepError
from kitfold.sound import Audio, Sound
from kitfold.steps.loop_moved import loop_at_speed
from kitfold.steps.shapes import fall
from kitfold.units import seconds_to_frames

__all__ = ["keep_length", "varispeed", "varispeed_frames"]

Samples = NDArray[np.float64]

LOOP_GONE = "its loop is gone, because the pitch was moved with the length kept; put the step loop after that"
_LONGEST_S = 600.0
"""A sound lasts ten minutes at most, as long as a source may be."""
_MARGIN_S = 0.1
"""Silence that the stretcher gets at both ends: without it a start loses up to 11 dB in its first 20 ms, by measurement
in tests/steps/test_shift.py. It also spares the stretcher inputs too short for its window."""
_STRETCH_RATE_HZ = 40_000
"""Sounds at lower rates are stretched at a multiple of theirs that reaches this: at 22 kHz the stretcher makes sines
waver and loses up to 0.8 dB, at 44.1 kHz mostly under 0.1 dB (tests/steps/test_shift.py)."""
_MOST_PLAYED = 2.0
"""Over an octave up the stretcher resamples after all: a sound that it made many times as long fills the memory."""
_STRETCH_PEAK = 0.5
"""The stretcher's choices hang on the level, so it always gets the same one: a gain before it is a gain after it."""
_STEP_S = 0.01
_SMOOTH_STEPS = 23  # a Hann window of 0.22 s
_MOST_MAKE_UP_DB = 3.0
_START_AT = 1e-3
"""A sound has started where it first reaches this share of its peak, -60 dB."""
_LAG_S, _LAG_BEFORE_S, _LAG_AFTER_S, _LAG_STEP_S = 0.006, 0.012, 0.04, 0.0001
_HELD_S, _EASED_S = 0.02, 0.04
"""For 20 ms from its start a sound may not pass its source's attack; by 40 ms it is left alone."""
_LINE_S = 0.008  # half a period at 62 Hz: below that a swing is heard as one
_RECENT_S = 0.004
_NOTHING = 1e-12  # -240 dB, so that silence over silence is no division by zero
_RISE_S = 0.0005  # over half a millisecond a gain that moves adds little above 4 kHz


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
    rate). It starts and ends as the source does: from zero where that does, and nowhere above its attack. Channels are
    stretched together, so that their phases stay related. Silence, ratio 1 and sounds without
    frames return the samples untouched. Any other loses its loop, whose ends no longer meet, and says so.
    """
    root_hz = _moved_root(sound, ratio)
    peak = sound.peak()
    if ratio == 1.0 or peak == 0.0:
        return sound.with_samples(sound.samples, root_hz=root_hz)
    even = (sound.float64() * (_STRETCH_PEAK / peak)).astype(np.float32)
    moved = _shaped(even, _stretched(even, sound.rate_hz, ratio), sound.rate_hz, ratio)
    moved_sound = sound.with_samples(moved * (peak / _STRETCH_PEAK), root_hz=root_hz, loop=None)
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
    """Return what the stretcher makes of a sound, with a margin at both ends: it smears into them.

    The stretcher moves a pitch by changing the length and then playing the result faster or slower. We have it do the
    former only and resample ourselves: as near to the right sound, for 5 to 60 % less of its time
    (tests/benchmarks/stretches.py).
    """
    from pedalboard import time_stretch

    up = math.ceil(_STRETCH_RATE_HZ / rate_hz)
    played = ratio if ratio <= _MOST_PLAYED else 1.0
    padded = _with_margins(samples, rate_hz)
    longer = time_stretch(
        np.ascontiguousarray(_resampled(padded, 1.0 / up).T),
        up * rate_hz,
        stretch_factor=1.0 / played,
        pitch_shift_in_semitones=12.0 * math.log2(ratio / played),
        high_quality=True,
        preserve_formants=False,
    )
    return _to_length(_resampled(np.asarray(longer, dtype=np.float32).T, up * played), len(padded))


def _with_margins(samples: Audio, rate_hz: int) -> Audio:
    margin = seconds_to_frames(_MARGIN_S, rate_hz)
    return np.pad(samples, ((margin, margin), (0, 0)))


def _shaped(before: Audio, after: Audio, rate_hz: int, ratio: float) -> Samples:
    """Cut a stretched sound out of its margins, at the level of its source, and let it start and end as that does."""
    margin = seconds_to_frames(_MARGIN_S, rate_hz)
    gain = _make_up_gain(before, after[margin : margin + len(before)], rate_hz, ratio)
    moved = after.astype(np.float64) * gain
    moved = moved[margin + _lag_frames(before, moved, rate_hz) :][: len(before)]
    start_gain, end_gain = _edge_gain(before, moved, rate_hz), _edge_gain(before[::-1], moved[::-1], rate_hz)
    return moved * (start_gain * end_gain[::-1])[:, np.newaxis]


def _lag_frames(before: Audio, after: Samples, rate_hz: int) -> int:
    """Measure by how many frames the stretcher starts a sound late: -5 to +5 ms, as the sound and its windows fall.

    The loudest heard so far is compared around the start of the source; the lag that fits best counts.
    """
    reach, early, late = (round(seconds * rate_hz) for seconds in (_LAG_S, _LAG_BEFORE_S, _LAG_AFTER_S))
    start = seconds_to_frames(_MARGIN_S, rate_hz) + _start_frame(before)
    span = slice(start - early - reach, start + late + reach)  # within the margins, which are longer
    step = max(1, round(_LAG_STEP_S * rate_hz))
    wanted, got = (_risen(part[span], rate_hz) for part in (_with_margins(before, rate_hz), after))
    inside = np.arange(reach, len(wanted) - reach, step)
    lags = sorted(range(-reach, reach + 1, step), key=abs)
    return lags[int(np.argmin([np.sum((got[inside + lag] - wanted[inside]) ** 2) for lag in lags]))]


def _edge_gain(before: Audio, after: Samples, rate_hz: int) -> Samples:
    """Return the gain, (frames,), that keeps the start of a sound under the attack of its source.

    One gain for all channels; 1 from 40 ms after the source's start on. It moves smoothly, as in a limiter that looks
    ahead: the least gain within its reach, averaged over that reach (common practice), is nowhere above the one needed.
    """
    held, eased, recent, rise = (round(seconds * rate_hz) for seconds in (_HELD_S, _EASED_S, _RECENT_S, _RISE_S / 2))
    end = _start_frame(before) + eased
    loud = loudest_of_channels(after[:end])
    loudest = sliding_window_view(np.pad(loud, (recent, 0)), recent + 1).max(axis=1)
    ahead = end + round(_LINE_S * rate_hz)
    needed = np.minimum(1.0, _risen(before[:ahead], rate_hz)[:end] / np.maximum(loudest, _NOTHING))
    weight = np.concatenate([np.ones(end - eased + held), fall(eased - held)])[: len(needed)]
    least = sliding_window_view(np.pad(needed**weight, 2 * rise, mode="edge"), 2 * rise + 1).min(axis=1)
    window = np.hanning(2 * rise + 3)[1:-1]
    gain = np.ones(len(before))
    gain[:end] = np.convolve(least, window / window.sum(), mode="valid")
    return gain


def _risen(samples: Audio | Samples, rate_hz: int) -> Samples:
    """Return the attack of a sound: its loudest sample of any channel so far, with the steps between its swings filled.

    Lines lead from peak to higher peak, of the last 8 ms before each; none leads out of silence.
    """
    loud = loudest_of_channels(samples).astype(np.float64)
    risen = np.maximum.accumulate(loud)
    grows = np.diff(risen, prepend=-1.0, append=np.inf)[: len(risen) + 1] > 0
    peaks = np.flatnonzero(grows[:-1] & ~grows[1:])
    start = _start_frame(samples)
    peaks = peaks[peaks > start]
    feet = np.maximum(peaks - round(_LINE_S * rate_hz), np.concatenate([[start], peaks])[:-1])
    places = np.stack([feet, peaks], axis=1).ravel()
    lines = np.interp(np.arange(len(risen)), places, risen[places], left=0.0) if len(places) else risen
    return np.maximum(risen, lines)


def _start_frame(samples: Audio | Samples) -> int:
    loud = loudest_of_channels(samples)
    return int(np.argmax(loud >= _START_AT * float(np.max(loud))))


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
    total = np.concatenate([[0.0], np.cumsum(sum_of_channels(samples.astype(np.float64) ** 2))])
    edges = np.round(np.linspace(0, len(samples), steps + 1)).astype(int)
    return np.convolve(np.diff(total[edges]) / np.maximum(np.diff(edges), 1), np.hanning(_SMOOTH_STEPS))
