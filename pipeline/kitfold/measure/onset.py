"""Where a sound begins and ends: envelope, noise floor, start of the attack, end of the tail.

Levels are RMS over short windows, power averaged over channels. A floor counts as noise only where it is steady and far
under the sound: whatever is in doubt is part of the sound.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.channels import loudest_of_channels, sum_of_channels
from kitfold.units import db_to_gain

__all__ = ["attack_start", "envelope", "floor_level", "sounding_part", "tail_end"]

Floats = NDArray[np.float64]

_SHORT_S = 0.002  # shows an attack, and still averages enough samples of noise
_LONG_S = 0.020  # a period at 50 Hz, so that a low note's level doesn't follow its waveform
_BLOCK_S = 0.010
_NOISE_BELOW_DB = -30.0  # a steady level above this is a drone or a sustain, not noise
_ATTACK_MARGIN_DB = 6.0  # noise averaged over 2 ms stays under this above its mean, by measurement in tests/measure
_TAIL_MARGIN_DB = 2.0  # noise averaged over 20 ms stays under this
_SLOW_S = 0.025  # an attack that takes longer is followed back to its beginning
_MISFIT = 0.05  # of the variance: more, and the rise is no simple shape that could be followed back


def envelope(samples: Floats, rate_hz: int, window_s: float = _SHORT_S) -> Floats:
    """Follow how loud a sound is, frame by frame.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    rate_hz : int, Hz
    window_s : float, s, > 0, centred on each frame; at least 8 frames are averaged

    Returns
    -------
    level : ndarray, (frames,): RMS over the window and the channels; beyond the ends lies silence
    """
    from kitfold.measure.compiled import uniform_filter1d

    if not len(samples):
        return np.zeros(0)
    power = sum_of_channels(samples * samples) / samples.shape[1]
    width = max(8, round(window_s * rate_hz))
    smooth: Floats = uniform_filter1d(power, width, mode="constant")
    return np.sqrt(np.maximum(smooth, 0.0))


def sounding_part(samples: Floats) -> tuple[int, int]:
    """Find the frames between the first and the last that is more than digital silence.

    Returns
    -------
    (start, end) : frames, end exclusive; (0, 0) where there is nothing but silence
    """
    loudness = loudest_of_channels(samples)
    sounding = np.flatnonzero(loudness > loudness.max(initial=0.0) * db_to_gain(-120.0))
    return (int(sounding[0]), int(sounding[-1]) + 1) if sounding.size else (0, 0)


def floor_level(samples: Floats, rate_hz: int) -> float:
    """Measure the steady noise that a sound begins with; turn the samples round to ask about its end.

    From the outer end inwards the level is followed as long as it stays within 3 dB. An exponential rise or decay
    changes by about those 3 dB over that stretch, however slow it is, and steady noise by next to nothing: the trend
    tells them apart, so a natural tail is never taken for noise.

    Parameters
    ----------
    samples : ndarray, (frames, channels), without digital silence at the end in question
    rate_hz : int, Hz

    Returns
    -------
    level : float, RMS; 0.0 where there is no steady noise 40 ms long and 30 dB under the loudest 10 ms
    """
    levels_db = _block_levels_db(samples, rate_hz)
    if len(levels_db) < 8:
        return 0.0
    outer_db = float(np.median(levels_db[:4]))
    leaves = np.flatnonzero(np.abs(_median_of_three(levels_db) - outer_db) > 3.0)
    steady_db = levels_db[: leaves[0]] if leaves.size else levels_db
    if outer_db > levels_db.max() + _NOISE_BELOW_DB or len(steady_db) < 4:
        return 0.0
    steady_db = steady_db[: max(4, len(steady_db) - 1)]  # the last block may already hold some of the attack
    trend_db = np.polyfit(np.arange(len(steady_db)), steady_db, 1)[0] * len(steady_db)
    return float(db_to_gain(float(np.median(steady_db)))) if abs(trend_db) < 1.5 else 0.0


def attack_start(samples: Floats, rate_hz: int, head_db: float = -50.0) -> int | None:
    """Find the frame on which a sound's attack starts, under lead noise too.

    The first crossing of the threshold is late where the attack is slow. So the rise is followed back to its beginning:
    to the first sound after digital silence where that fits the rise, else along the power law that fits it best (a
    straight ramp begins as the first power of time, a raised cosine as the second).

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    rate_hz : int, Hz
    head_db : float, dB under the loudest 2 ms, < 0; raised to 6 dB over the noise where there is some

    Returns
    -------
    frame : int, or None where nothing sounds
    """
    start, end = sounding_part(samples)
    if start == end:
        return None
    part = samples[start:end]
    short = envelope(part, rate_hz)
    floor = floor_level(part, rate_hz)
    threshold = max(short.max() * db_to_gain(head_db), floor * db_to_gain(_ATTACK_MARGIN_DB))
    first = _first_loud_frame(part, short, threshold, rate_hz)
    long = np.sqrt(np.maximum(envelope(part, rate_hz, _LONG_S) ** 2 - floor**2, 0.0))
    low, high = _rise(long, threshold)
    if floor == 0.0 and first <= high - low:
        return start
    if high - low > _SLOW_S * rate_hz:
        first = min(first, _beginning(long, low, high, rate_hz))
    return start + first


def tail_end(samples: Floats, rate_hz: int, tail_db: float = -60.0) -> int | None:
    """Find the frame after which a sound's tail has gone, or has sunk into noise.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    rate_hz : int, Hz
    tail_db : float, dB under the loudest 2 ms, < 0; raised to 2 dB over the noise where there is some

    Returns
    -------
    frame : int, exclusive, or None where nothing sounds
    """
    start, end = sounding_part(samples)
    if start == end:
        return None
    part = samples[start:end]
    backwards = part[::-1]
    floor = floor_level(backwards, rate_hz)
    if floor and _is_tonal(_outer(backwards, rate_hz)):
        floor = 0.0  # a drone that is held to the end: part of the sound
    threshold = max(envelope(part, rate_hz).max() * db_to_gain(tail_db), floor * db_to_gain(_TAIL_MARGIN_DB))
    loud = np.flatnonzero(envelope(part, rate_hz, _LONG_S) > threshold)
    return start + int(loud[-1]) + 1 if loud.size else start + 1


def _block_levels_db(samples: Floats, rate_hz: int) -> Floats:
    size = max(16, round(_BLOCK_S * rate_hz))
    blocks = len(samples) // size
    power = np.mean(samples[: blocks * size].reshape(blocks, -1) ** 2, axis=1) if blocks else np.zeros(0)
    return 10.0 * np.log10(np.maximum(power, 1e-30))


def _median_of_three(values: Floats) -> Floats:
    padded = np.concatenate([values[:1], values, values[-1:]])
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 3), axis=1)  # type: ignore[no-any-return]


def _first_loud_frame(samples: Floats, short: Floats, threshold: float, rate_hz: int) -> int:
    """Return the first single frame over the threshold, from half a window before the envelope crosses it."""
    around = int(np.argmax(short > threshold))
    reach = max(8, round(_SHORT_S * rate_hz))
    begin = max(0, around - reach)
    # A window with one loud frame crosses before that frame does; noise's own crests lie under twice the threshold.
    loud = loudest_of_channels(samples[begin : around + reach]) > 2.0 * threshold
    if not loud.any():
        return around
    first = begin + int(np.argmax(loud))
    quiet = loudest_of_channels(samples[begin:first]) <= threshold
    return begin + (int(np.flatnonzero(quiet)[-1]) + 1 if quiet.any() else 0)


def _rise(level: Floats, threshold: float) -> tuple[int, int]:
    """Return the frames on which a level has left the threshold well behind, and has come to 12 dB under its peak."""
    bounds = 1.5 * threshold, max(3.0 * threshold, 0.25 * level.max())
    low, high = (int(np.argmax(level > min(bound, 0.9 * level.max()))) for bound in bounds)
    return low, high


def _beginning(level: Floats, low: int, high: int, rate_hz: int) -> int:
    """Follow a slow rise back to its beginning, no further than it takes from `low` to `high`."""
    hop = max(1, rate_hz // 1000)
    times = np.arange(low, high, hop, dtype=np.float64)
    misfit, zero = min(_line(times, level[low:high:hop] ** (1.0 / power)) for power in (1, 2))
    if misfit > _MISFIT:
        return low
    return max(0, 2 * low - high, round(zero))


def _line(times: Floats, values: Floats) -> tuple[float, float]:
    """Return how badly a line fits (0 to 1), and where it crosses zero."""
    slope, offset = np.polyfit(times, values, 1)
    misfit = np.sum((values - slope * times - offset) ** 2) / np.sum((values - values.mean()) ** 2)
    return float(misfit), float(-offset / slope) if slope > 0 else float(times[0])


def _outer(samples: Floats, rate_hz: int) -> Floats:
    return samples[: max(64, round(4 * _BLOCK_S * rate_hz))]


def _is_tonal(samples: Floats) -> bool:
    """Say whether few lines hold most of the power: noise spreads it, whatever its colour up to pink."""
    window = np.hanning(len(samples))[:, np.newaxis]
    power = np.sort(np.sum(np.abs(np.fft.rfft(samples * window, axis=0)) ** 2, axis=1))[::-1]
    few = max(8, len(power) // 50)
    return bool(power[:few].sum() > 0.9 * power.sum())
