"""A wash: what is left of a sound in a very long diffuse tail. Same pitches, no attack, steady level, natural width.

Tails are usually modelled as the sound convolved with noise that decays exponentially (Moorer, "About this
reverberation business", Computer Music Journal 3, 1979). The decay is a gain that comes later; here the noise is steady
and all-pass (every line of the sound keeps its strength, only its phase is random), and it goes round in a circle, so
that a wash has no beginning and no end. A short sound's lines are wide, which would turn its pitch into hiss: they are
drawn together to where their phase says that their frequency is (reassignment: Auger and Flandrin, IEEE Transactions on
Signal Processing 43, 1995).
"""

from __future__ import annotations

import hashlib
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kitfold.channels import sum_of_channels

__all__ = ["levelled", "wash"]

Floats = NDArray[np.float64]

_LONGEST_PART_S = 4.0  # of the source: longer makes lines narrower than a detuned pad's own
_SHORTEST_S = 20.0  # of a wash: its lines lie 0.05 Hz apart, so that none is moved by more than 0.7 cent at 60 Hz
_LINE_CENTS = 1.0  # a wash's lines are as wide as that where the source's were wider: they shimmer, and stay in tune
_HANN_LINE = 0.577  # rms width of a line seen through a Hann window, times the window's length: 1 / sqrt(3)
_SUBSONIC_HZ = (5.0, 15.0)  # below the first nothing is kept: convolved offsets would wander
_NARROWEST = 1e-4  # side over mid: less is rounding, not width


def wash(source: Floats, rate_hz: int, frames: int, level_s: float) -> Floats:
    """Make an endless wash of a sound.

    Mid and side are washed apart and each levelled, so that the mono fold is as steady as the stereo picture. The side
    is never stronger than the mid, so that a fold cancels nothing, even where the source's own would.

    Parameters
    ----------
    source : ndarray, (frames, channels), mono or stereo, not silent
    rate_hz : int, Hz
    frames : int, >= 1: the least length wanted
    level_s : float, s: how fast the level is held steady

    Returns
    -------
    ndarray, (at least `frames`, channels), RMS 1 over all channels; the end joins the start
    """
    from kitfold.measure.compiled import next_fast_len

    part = _loudest_part(source, rate_hz)
    size = next_fast_len(max(frames, len(part), round(_SHORTEST_S * rate_hz)), real=True)
    chance = np.random.default_rng(_seed(source, rate_hz))
    window = max(1, round(level_s * rate_hz))
    mid = sum(_diffused(channel, size, rate_hz, chance) for channel in part.T)
    mid = levelled(np.asarray(mid)[:, None], window)
    if part.shape[1] == 1:
        return mid
    middle, side = sum_of_channels(part), part[:, 0] - part[:, 1]
    width = min(1.0, _rms(side) / max(_rms(middle), 1e-30))
    if width < _NARROWEST:
        return levelled(np.repeat(mid, 2, axis=1), window)
    sides = width * levelled(_diffused(side, size, rate_hz, chance)[:, None], window)
    balance = np.array([_rms(channel) for channel in part.T])
    return levelled(np.hstack([mid + sides, mid - sides]) * balance, window)


def levelled(samples: Floats, window_frames: int, *, circular: bool = True) -> Floats:
    """Hold the level of a sound steady at RMS 1 over all its channels, with one gain for all of them.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    window_frames : int, >= 1: the level is measured over a triangle twice as long
    circular : bool, whether the end joins the start

    Returns
    -------
    ndarray, (frames, channels); silence stays silence
    """
    from kitfold.measure.compiled import uniform_filter1d

    edge: Literal["wrap", "reflect"] = "wrap" if circular else "reflect"
    window = min(window_frames, len(samples))
    for _ in range(2):  # the second time takes out what the first one's changes of level left
        power = sum_of_channels(samples * samples) / samples.shape[1]
        for _ in range(2):
            power = uniform_filter1d(power, window, mode=edge)
        least = 1e-12 * power.max(initial=0.0)
        samples = samples / np.sqrt(np.maximum(power, max(least, 1e-200)))[:, None]
    return samples


def _loudest_part(source: Floats, rate_hz: int) -> Floats:
    length = min(len(source), round(_LONGEST_PART_S * rate_hz))
    power = np.concatenate([[0.0], np.cumsum(sum_of_channels(source * source))])
    start = int(np.argmax(power[length:] - power[: len(power) - length]))
    return source[start : start + length]


def _diffused(channel: Floats, size: int, rate_hz: int, chance: np.random.Generator) -> Floats:
    """Give every line of a sound a phase of its own: convolution with all-pass noise, in a circle.

    In float32, which adds noise 140 dB down and takes half the time.
    """
    from kitfold.measure.compiled import irfft

    power = _drawn_together(channel, size, rate_hz)
    low_hz, high_hz = _SUBSONIC_HZ
    place = np.clip((np.arange(len(power)) * (rate_hz / size) - low_hz) / (high_hz - low_hz), 0.0, 1.0)
    strength = (np.sqrt(power) * np.sin(0.5 * np.pi * place) ** 2).astype(np.float32)
    phase = (2.0 * np.pi * chance.random(len(power))).astype(np.float32)
    lines = np.empty(len(power), np.complex64)
    lines.real, lines.imag = strength * np.cos(phase), strength * np.sin(phase)
    return np.asarray(irfft(lines, size), dtype=np.float64)


def _drawn_together(channel: Floats, size: int, rate_hz: int) -> Floats:
    """Return the power of a sound's lines, each drawn together to at most `_LINE_CENTS`."""
    from kitfold.measure.compiled import rfft

    turn = 2.0 * np.pi / (len(channel) + 1)
    place = turn * np.arange(1, len(channel) + 1)
    lines = rfft((channel * (0.5 - 0.5 * np.cos(place))).astype(np.float32), size)
    slopes = rfft((channel * (0.5 * turn * np.sin(place))).astype(np.float32), size)
    power = (lines.real**2 + lines.imag**2).astype(np.float64)
    across = slopes.imag * lines.real - slopes.real * lines.imag
    away = across / np.maximum(power, 1e-30 * power.max() + 1e-300)  # radians a frame
    away_cells = np.clip(away * size / (2.0 * np.pi), -2.5 * size / len(channel), 2.5 * size / len(channel))
    cells = np.arange(len(power))
    natural_cells = _HANN_LINE * size / len(channel)
    kept = np.minimum(1.0, cells * (2.0 ** (_LINE_CENTS / 1200.0) - 1.0) / natural_cells)
    to = np.clip(np.rint(cells - (1.0 - kept) * away_cells), 0, len(power) - 1).astype(np.int64)
    drawn: Floats = np.bincount(to, power, len(power)).astype(np.float64)
    return drawn


def _rms(samples: Floats) -> float:
    return float(np.sqrt(np.mean(samples * samples)))


def _seed(source: Floats, rate_hz: int) -> int:
    content = np.ascontiguousarray(source, dtype="<f4").tobytes() + rate_hz.to_bytes(4, "little")
    return int.from_bytes(hashlib.sha256(content).digest()[:16], "little")
