"""How far two sounds lie apart in colour: the log-spectral distance over the ear's bands.

Gray and Markel, "Distance measures for speech processing", IEEE Trans. Acoust. Speech Signal Process. 24(5), 1976: the
root mean square difference of two log spectra, in dB, here over bands of one ERB (Glasberg and Moore 1990) instead of
lines, so that what the ear cannot part is not counted apart, and averaged over pieces of 46 ms. Level is told apart and
taken off first; what lies 60 dB under a sound's loudest band counts as nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.erb import band_edges_hz, band_powers
from kitfold.sound import Sound

__all__ = ["log_spectral_distance_db", "spectrum_distance_db"]

Real = NDArray[np.float64]

_PIECE_S = 0.046  # 2048 frames at 44.1 kHz: a usual length (common practice)
_HOP_S = 0.023
_PIECES_AT_ONCE = 256
_RANGE_DB = 60.0
_SILENCE = 1e-20


def spectrum_distance_db(old: Sound, new: Sound, louder_db: float = 0.0) -> float | None:
    """Say how differently two sounds are coloured, over the time and the bands that both have.

    Parameters
    ----------
    old, new : Sound, at any rates, mono or stereo (powers of channels are averaged)
    louder_db : float, dB, by how much `new` is louder: taken off

    Returns
    -------
    float, dB, 0 for the same sound at any level; None where one of them is silent or without frames
    """
    pieces = int(min(old.seconds, new.seconds) / _HOP_S) + 1
    heard = np.flatnonzero(band_edges_hz()[1:] <= min(old.rate_hz, new.rate_hz) / 2)
    levels = [_levels_db(sound, pieces)[:, heard] for sound in (old, new)]
    levels[1] = levels[1] - louder_db
    if any(level.size == 0 or level.max() <= _floor_db() for level in levels):
        return None
    return log_spectral_distance_db(*levels)


def log_spectral_distance_db(old_db: Real, new_db: Real) -> float:
    """Return the distance of two series of band levels.

    Parameters
    ----------
    old_db, new_db : ndarray, (pieces, bands), dB

    Returns
    -------
    float, dB: of each piece in which either sounds the root mean square over bands, then the mean over pieces
    """
    floor_db = max(old_db.max(), new_db.max()) - _RANGE_DB
    sounding = np.maximum(old_db.max(axis=1), new_db.max(axis=1)) > floor_db
    difference = np.maximum(old_db[sounding], floor_db) - np.maximum(new_db[sounding], floor_db)
    return float(np.mean(np.sqrt(np.mean(difference * difference, axis=1))))


def _levels_db(sound: Sound, pieces: int) -> Real:
    """Return the level of each band in each piece: (pieces, bands), pieces centred on multiples of the hop."""
    from kitfold.measure.compiled import rfft

    size = max(16, round(_PIECE_S * sound.rate_hz) // 2 * 2)
    samples = np.pad(sound.samples, ((size // 2, size), (0, 0)))
    window = np.hanning(size).astype(np.float32)
    bands = np.zeros((pieces, len(band_edges_hz()) - 1))
    for first in range(0, pieces, _PIECES_AT_ONCE):
        numbers = np.arange(first, min(first + _PIECES_AT_ONCE, pieces))
        starts = np.minimum(np.rint(numbers * _HOP_S * sound.rate_hz).astype(np.int64), len(samples) - size)
        views = np.lib.stride_tricks.sliding_window_view(samples, size, axis=0)[starts]
        lines = rfft(views * window, axis=-1)
        power = np.mean(lines.real**2 + lines.imag**2, axis=1) / size**2
        bands[numbers] = band_powers(power, sound.rate_hz / size)
    levels: Real = 10.0 * np.log10(bands + _SILENCE)
    return levels


def _floor_db() -> float:
    return float(10.0 * np.log10(_SILENCE)) + 1.0
