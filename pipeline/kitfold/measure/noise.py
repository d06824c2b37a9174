"""The steady noise that a stored sound carries, measured where the sound itself leaves room."""

from __future__ import annotations

import numpy as np

from kitfold.sound import Sound

__all__ = ["white_noise_power"]

_WINDOW_S = 0.05
_GROUP_HZ = 400.0  # wide enough to average, narrow enough to lie above what a resampler leaves under half the rate
_SOUNDING = 1e-3  # in power, 30 dB under the loudest: where undithered codes have gone silent there is no noise either


def white_noise_power(sound: Sound) -> float:
    """Measure the white noise under a sound, such as rounding and dither leave.

    Parameters
    ----------
    sound : Sound, any length and channels

    Returns
    -------
    float, mean square of all channels together, full scale 1.0: what the quietest 400 Hz of its spectrum would be over
    the whole of it, averaged over the pieces in which it sounds. An upper bound: a sound that fills every band leaves
    nowhere to look. 0 for silence.
    """
    from kitfold.measure.compiled import rfft

    size = max(32, round(_WINDOW_S * sound.rate_hz) // 2 * 2)
    if not sound.samples.any():
        return 0.0
    padded = np.pad(sound.samples, ((0, max(0, size - sound.frames)), (0, 0)))
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size, axis=0)[:: size // 2]
    # Blackman-Harris (Harris 1978): side lobes 92 dB down, so that a loud low note does not leak into what is quiet
    turn = 2.0 * np.pi * np.arange(size) / size
    bell = 0.35875 - 0.48829 * np.cos(turn) + 0.14128 * np.cos(2 * turn) - 0.01168 * np.cos(3 * turn)
    lines = rfft(pieces * bell.astype(np.float32), axis=-1)
    powers = (lines.real**2 + lines.imag**2).sum(axis=1, dtype=np.float64)
    sounding = powers.sum(axis=1) >= _SOUNDING * powers.sum(axis=1).max()
    mean = powers[sounding].mean(axis=0) * (2.0 / (size * np.sum(bell**2)))
    width = max(1, round(_GROUP_HZ * size / sound.rate_hz))
    groups = len(mean) // width
    from_top = mean[len(mean) - groups * width :].reshape(groups, width).mean(axis=1)
    return float(from_top.min() * (len(mean) - 1))
