"""A wash: what is left of a sound in a very long diffuse tail. Same pitches, no attack, steady level, natural width.

Tails are usually modelled as the sound convolved with noise that decays exponentially (Moorer, "About this
reverberation business", Computer Music Journal 3, 1979). The decay is a gain that comes later; here the noise is steady
and all-pass (every line of the sound keeps its strength, only its phase is random), and it goes round in a circle, so
that a wash has no beginning and no end.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

__all__ = ["levelled", "wash"]

Floats = NDArray[np.float64]

_LONGEST_PART_S = 4.0  # of the source: longer makes lines narrower than a detuned pad's own
_SHORTEST_S = 0.25  # of a wash: its lines lie close enough to show any pitch
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
    from scipy.fft import next_fast_len

    part = _loudest_part(source, rate_hz)
    size = next_fast_len(max(frames, len(part), round(_SHORTEST_S * rate_hz)), real=True)
    chance = np.random.default_rng(_seed(source, rate_hz))
    window = max(1, round(level_s * rate_hz))
    mid = sum(_diffused(channel, size, rate_hz, chance) for channel in part.T)
    mid = levelled(np.asarray(mid)[:, None], window)
    if part.shape[1] == 1:
        return mid
    middle, side = part.sum(axis=1), part[:, 0] - part[:, 1]
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
    from scipy.ndimage import uniform_filter1d

    edge = "wrap" if circular else "reflect"
    window = min(window_frames, len(samples))
    for _ in range(2):  # the second time takes out what the first one's changes of level left
        power = np.mean(samples * samples, axis=1)
        for _ in range(2):
            power = uniform_filter1d(power, window, mode=edge)
        least = 1e-12 * power.max(initial=0.0)
        samples = samples / np.sqrt(np.maximum(power, max(least, 1e-200)))[:, None]
    return samples


def _loudest_part(source: Floats, rate_hz: int) -> Floats:
    """Return the part with the most power, faded at both ends so that its lines are narrow."""
    length = min(len(source), round(_LONGEST_PART_S * rate_hz))
    power = np.concatenate([[0.0], np.cumsum(np.sum(source * source, axis=1))])
    start = int(np.argmax(power[length:] - power[: len(power) - length]))
    window = np.hanning(length + 2)[1:-1]
    part: Floats = source[start : start + length] * window[:, None]
    return part


def _diffused(channel: Floats, size: int, rate_hz: int, chance: np.random.Generator) -> Floats:
    """Give every line of a sound a phase of its own: convolution with all-pass noise, in a circle."""
    from scipy.fft import irfft, rfft

    lines = rfft(channel, size)
    lines *= np.exp(2j * np.pi * chance.random(len(lines)))
    low_hz, high_hz = _SUBSONIC_HZ
    place = np.clip((np.arange(len(lines)) * (rate_hz / size) - low_hz) / (high_hz - low_hz), 0.0, 1.0)
    diffused: Floats = irfft(lines * np.sin(0.5 * np.pi * place) ** 2, size)
    return diffused


def _rms(samples: Floats) -> float:
    return float(np.sqrt(np.mean(samples * samples)))


def _seed(source: Floats, rate_hz: int) -> int:
    content = np.ascontiguousarray(source, dtype="<f4").tobytes() + rate_hz.to_bytes(4, "little")
    return int.from_bytes(hashlib.sha256(content).digest()[:16], "little")
