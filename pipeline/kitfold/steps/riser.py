"""The step `riser`: turns a tail into a swell whose peak lies on the beat, then a short release."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.channels import sum_of_channels
from kitfold.measure.onset import attack_start
from kitfold.plan.settings import Riser
from kitfold.sound import Sound
from kitfold.steps.shapes import fall, rise
from kitfold.steps.wash import levelled, wash
from kitfold.units import db_to_gain, frames_to_seconds, power_to_db, seconds_to_frames

__all__ = ["riser"]

Floats = NDArray[np.float64]

_DECAY_DB = 60.0  # the fall within one reverberation time (ISO 3382-1:2009, 3.1)
_QUARTER = 0.25  # rise_db is promised between the first and the last quarter, and so between any shorter windows there
_SPARE_DB = 0.5  # the swell's curve rises by this more than asked
_DEEPEST_DB = -180.0  # what lies lower is silence
_START = 0.125  # of the length: the fade from silence at the very start
_ON_BEAT_S = 0.002  # how far from the beat the highest sample may lie
_BELOW_PEAK = 0.97  # how high any other crest may come
_BRIGHT_AT, _OPEN_AT = (
    0.8,
    0.97,
)  # of the length: where the low-pass reaches the sound's own brightness, and opens fully
_BRIGHT = 0.999  # of the power lies under what is called the sound's brightness
_LEAST_DB = -200.0  # what is reported for silence


@dataclass(frozen=True)
class _Shape:
    """A swell in frames: up to `peak`, then `release`."""

    peak: int
    release: int
    rate_hz: int

    @property
    def frames(self) -> int:
        return self.peak + self.release

    def progress(self) -> Floats:
        """Return 0 at the start, 1 from the peak's frame on."""
        return np.minimum(np.arange(self.frames) / max(self.peak, 1), 1.0)

    def level_window_s(self) -> float:
        """Say how fast the level is held: far quicker than a beat, far slower than a low note's period."""
        return min(0.12, max(0.03, self.peak / self.rate_hz / 64))


def riser(sound: Sound, settings: Riser) -> Sound:
    """Turn a sound into a swell that ends on the beat, as if its long tail were played backwards.

    The sound's loudest part becomes a wash (see `kitfold.steps.wash`), which rises exponentially: 60 dB in `decay_s`,
    the definition of reverberation time turned round. The level never falls on the way, starts from silence, and its
    highest crest lies on frame ``length_s * rate_hz``; a raised cosine of `release_ms` follows. The peak is as high as
    the source's own.

    Parameters
    ----------
    sound : Sound, mono or stereo, any length; silence gives silence, and says so
    settings : Riser, resolved: `length_s` is set
        Where `decay_s` is too slow for `rise_db`, the first three quarters fall lower than it says.

    Returns
    -------
    Sound : (peak + release, channels), `whole`; with `hit` the source follows from its attack on, at its own level,
        and the length is at least peak + source from there
    """
    assert settings.length_s is not None, "the plan resolves beats into length_s"  # noqa: S101
    peak, release = (seconds_to_frames(s, sound.rate_hz) for s in (settings.length_s, settings.release_ms / 1000.0))
    shape = _Shape(peak, release, sound.rate_hz)
    source = sound.float64()
    attack = attack_start(source, sound.rate_hz)
    if attack is None:
        silent = sound.with_samples(np.zeros((shape.frames, sound.channels)), whole=True)
        return silent.telling("the riser is silent: so is its source.", peak_frame=shape.peak)
    swell = _swell(source, shape, settings)
    told = _told(swell, shape, settings)
    swell *= sound.peak() / max(np.max(np.abs(swell), initial=0.0), 1e-30)
    if settings.hit:
        swell = _with_hit(swell, source[attack:], shape.peak)
    return sound.with_samples(swell, whole=True).telling(**told)


def _swell(source: Floats, shape: _Shape, settings: Riser) -> Floats:
    window_s = shape.level_window_s()
    steady = wash(source, shape.rate_hz, shape.frames, window_s)
    gain = _db_gains(_curve_db(shape, _slope_db(shape, settings)))
    gain[shape.peak :] *= fall(shape.release)
    start = round(_START * shape.peak)
    gain[:start] *= rise(start)
    crest = _best_crest(steady, gain, shape)
    swell = np.roll(steady, shape.peak - crest, axis=0)[: shape.frames]
    if shape.peak and settings.open_hz is not None and settings.open_hz < shape.rate_hz / 2:
        swell = _level_as(swell, _opened(swell, shape, settings.open_hz), round(window_s * shape.rate_hz))
    swell = swell * gain[:, None]
    swell *= _taming(swell, shape)[:, None]
    return swell * _db_gains(_dip_db(swell, shape, settings.rise_db))[:, None]


def _db_gains(levels_db: Floats) -> Floats:
    """Turn levels in dB into gains; what is too low to be heard becomes exact zero."""
    return np.where(levels_db > _DEEPEST_DB, 10.0 ** (np.maximum(levels_db, _DEEPEST_DB) / 20.0), 0.0)


def _slope_db(shape: _Shape, settings: Riser) -> float:
    """Say by how much the whole swell rises: by what decay_s says, else by enough for rise_db."""
    if settings.decay_s is not None:
        return _DECAY_DB * frames_to_seconds(shape.peak, shape.rate_hz) / settings.decay_s
    return (settings.rise_db + _SPARE_DB) / (1.0 - _QUARTER)


def _curve_db(shape: _Shape, slope_db: float) -> Floats:
    return slope_db * (shape.progress() - 1.0)


def _best_crest(steady: Floats, gain: Floats, shape: _Shape) -> int:
    """Choose the frame of the wash that shall lie on the beat: the one whose neighbours need least taming."""
    views = _views(steady)
    heights = np.min([view / max(view.max(), 1e-30) for view in views], axis=0)
    is_crest = (heights >= np.roll(heights, 1)) & (heights > np.roll(heights, -1))
    crests = np.flatnonzero(is_crest)
    if not crests.size:
        return int(np.argmax(heights))
    highest = crests[np.argsort(-heights[crests], kind="stable")[:128]]
    reach = round(0.25 * shape.rate_hz)
    offsets = np.arange(max(-reach, -shape.peak), min(reach, shape.release))
    offsets = offsets[np.abs(offsets) > round(0.5 * _ON_BEAT_S * shape.rate_hz)]
    if not offsets.size:
        return int(highest[0])
    weight = gain[shape.peak + offsets]
    rivals = [max(float(_rivalry(view, crest, offsets, weight)) for view in views) for crest in highest]
    return int(highest[int(np.argmin(rivals))])


def _rivalry(view: Floats, crest: int, offsets: NDArray[np.int64], weight: Floats) -> float:
    return float(np.max(np.take(view, crest + offsets, mode="wrap") * weight) / max(view[crest], 1e-30))


def _views(samples: Floats) -> list[Floats]:
    """Return how high each frame stands: in the channels, and in their mono fold, which a small sampler plays."""
    channels = list(samples.T)
    highest = np.maximum.reduce([np.abs(channel) for channel in channels])
    fold = np.abs(np.asarray(sum(channels)))
    return [highest] if len(channels) == 1 or not fold.any() else [highest, fold]


def _taming(swell: Floats, shape: _Shape) -> Floats:
    """Return a smooth gain, 1 on the beat, that holds every other crest a little lower than the beat's.

    It is smoothed on a logarithmic scale of distance from the beat: slow where the beat is far, quick beside it.
    """
    gain = np.ones(shape.frames)
    near = max(1, round(_ON_BEAT_S * shape.rate_hz))
    wanted = np.ones(shape.frames)
    for view in _views(swell):
        around = view[max(0, shape.peak - near // 2) : shape.peak + near // 2 + 1]
        wanted = np.minimum(wanted, _BELOW_PEAK * around.max(initial=0.0) / np.maximum(view, 1e-30))
    before, after = slice(shape.peak - 1, None, -1) if shape.peak else slice(0, 0), slice(shape.peak + 1, None)
    for side in (before, after):
        gain[side] = _smooth_from_beat(wanted[side], near)
    return gain


def _smooth_from_beat(wanted: Floats, near: int) -> Floats:
    """Smooth a gain that must stay under `wanted` from `near` frames on, and come back to 1 before that."""
    from kitfold.measure.compiled import minimum_filter1d, uniform_filter1d

    if len(wanted) <= near or wanted[near:].min() >= 1.0:
        return np.ones(len(wanted))
    distance = np.arange(1, len(wanted) + 1)
    cells = np.floor(16.0 * np.log2(distance / near)).astype(np.int64)  # 16 cells an octave of distance
    first = np.searchsorted(cells, np.arange(cells[-1] + 1))
    least = np.minimum.reduceat(wanted, np.minimum(first, len(wanted) - 1))
    least = np.minimum(least, 1.0)
    held = minimum_filter1d(least, 19, mode="nearest")
    smooth = uniform_filter1d(uniform_filter1d(held, 9, mode="nearest"), 9, mode="nearest")
    curve = np.interp(np.log2(distance / near) * 16.0, np.arange(len(smooth)) + 0.5, smooth)
    curve[:near] = 1.0 - (1.0 - curve[near]) * rise(near)
    return np.asarray(curve)


def _dip_db(swell: Floats, shape: _Shape, rise_db: float) -> Floats:
    """Return how much lower the first three quarters must lie for the level to rise by `rise_db`."""
    bend = np.maximum(0.0, 1.0 - shape.progress() / (1.0 - _QUARTER)) ** 2
    quarter = shape.peak // 4
    power = sum_of_channels(swell * swell) / swell.shape[1]
    first, last = power[:quarter], power[shape.peak - quarter : shape.peak].sum()
    allowed = last * db_to_gain(-2.0 * (rise_db + 0.5 * _SPARE_DB))
    low, high = 0.0, 400.0
    if quarter == 0 or first.sum() <= allowed:
        return np.zeros(shape.frames)
    for _ in range(40):
        middle = 0.5 * (low + high)
        enough = np.sum(first * 10.0 ** (-0.1 * middle * bend[:quarter])) <= allowed
        low, high = (low, middle) if enough else (middle, high)
    return -high * bend


def _opened(swell: Floats, shape: _Shape, open_hz: float) -> Floats:
    """Play a swell through a low-pass that opens on its way to the peak, without moving anything in time."""
    from kitfold.measure.compiled import irfft, rfft

    half = 1 << max(3, round(math.log2(0.025 * shape.rate_hz)))
    blocks = -(-shape.frames // half) + 1
    padded = np.pad(swell, ((half, blocks * half - shape.frames), (0, 0)))
    window = np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half))[:, None]
    lines_hz = np.fft.rfftfreq(2 * half, 1.0 / shape.rate_hz)
    path = np.log([open_hz, max(open_hz, _brightness_hz(swell, shape.rate_hz)), 2.0 * shape.rate_hz])
    opened = np.zeros_like(padded)
    for block in range(blocks):
        span = slice(block * half, (block + 2) * half)
        opening = block * half / max(shape.peak, 1)
        corner_hz = np.exp(np.interp(opening, [0.0, _BRIGHT_AT, _OPEN_AT], path))
        gain = 1.0 if opening >= _OPEN_AT else 1.0 / (1.0 + (lines_hz / corner_hz) ** 4)
        lines = rfft(padded[span] * window, axis=0) * np.reshape(gain, (-1, 1))
        opened[span] += irfft(lines, 2 * half, axis=0) * window
    return opened[half : half + shape.frames]


def _level_as(steady: Floats, opened: Floats, window_frames: int) -> Floats:
    """Hold a filtered wash as steady as it was before: mid and side apart, each at its own strength."""
    if steady.shape[1] == 1:
        return levelled(opened, window_frames, circular=False)
    middle, side = (
        levelled(0.5 * (opened[:, :1] + sign * opened[:, 1:]), window_frames, circular=False)
        * math.sqrt(np.mean((0.5 * (steady[:, :1] + sign * steady[:, 1:])) ** 2))
        for sign in (1.0, -1.0)
    )
    return levelled(np.hstack([middle + side, middle - side]), window_frames, circular=False)


def _brightness_hz(samples: Floats, rate_hz: int) -> float:
    from kitfold.measure.compiled import next_fast_len, rfft

    size = next_fast_len(len(samples), real=True)
    power = np.cumsum(np.sum(np.abs(rfft(samples, size, axis=0)) ** 2, axis=1))
    return float(float(np.searchsorted(power, _BRIGHT * power[-1])) * rate_hz / size)


def _with_hit(swell: Floats, source: Floats, peak: int) -> Floats:
    both = np.zeros((max(len(swell), peak + len(source)), swell.shape[1]))
    both[: len(swell)] += swell
    both[peak : peak + len(source)] += source
    return both


def _told(swell: Floats, shape: _Shape, settings: Riser) -> dict[str, float | int]:
    length_s = frames_to_seconds(shape.peak, shape.rate_hz)
    decay_s = settings.decay_s or _DECAY_DB * length_s / _slope_db(shape, settings)
    eighth = max(1, shape.peak // 8)
    first, last = (np.mean(swell[span] ** 2) if len(swell[span]) else 0.0 for span in _ends(shape.peak, eighth))
    rise_db = max(_LEAST_DB, power_to_db(float(last))) - max(_LEAST_DB, power_to_db(float(first)))
    return {
        "peak_frame": shape.peak,
        "length_s": length_s,
        "decay_s": round(decay_s, 6),
        "rise_db": round(rise_db, 2),
    }


def _ends(peak: int, window: int) -> tuple[slice, slice]:
    return slice(0, window), slice(max(0, peak - window), peak)
