"""Two small figures of a sound, before and after the device: its outline in time and its bands.

Both are numbers first (testable), then an SVG path, rounded to a tenth so that the same sound gives the same page.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kitfold.channels import loudest_of_channels
from kitfold.measure.compiled import next_fast_len, rfft
from kitfold.sheet.audio import Take

__all__ = ["BANDS_HZ", "area_path", "band_levels_db", "line_path", "outline"]

Real = NDArray[np.float64]

BANDS_HZ = tuple(1000.0 * 10.0 ** (band / 10.0) for band in range(-15, 14))
"""Mid-frequencies of the third-octave bands from 31.5 Hz to 20 kHz, base ten: IEC 61260-1:2014, 5.2 to 5.4."""
_HALF_BAND = 10.0**0.05
FLOOR_DB = -96.0


def outline(take: Take, columns: int, span_s: float, speed: float = 1.0) -> Real:
    """Return the highest sample of each slice of time.

    Parameters
    ----------
    take : Take
    columns : int, slices over the span
    span_s : float, seconds that the figure covers
    speed : float, at which it is played: 0.5 lasts twice as long

    Returns
    -------
    float64, (columns,), 0 to 1; 0 after the end
    """
    peaks = np.zeros(columns)
    if not len(take.samples) or span_s <= 0:
        return peaks
    size = loudest_of_channels(take.samples)
    edges = np.round(np.arange(columns + 1) * (span_s * speed * take.rate_hz / columns)).astype(np.int64)
    for column in range(columns):
        if edges[column] < len(size):
            peaks[column] = size[edges[column] : max(edges[column + 1], edges[column] + 1)].max()
    return peaks


def band_levels_db(take: Take, seconds: float, speed: float = 1.0) -> Real:
    """Return a sound's mean level in each third-octave band.

    Parameters
    ----------
    take : Take
    seconds : float, of the file that count, from its start
    speed : float, at which it is played: 0.5 moves everything an octave down

    Returns
    -------
    float64, (len(BANDS_HZ),), dB of mean square (a full-scale sine is -3), never under -96
    """
    samples = take.samples[: max(1, round(seconds * take.rate_hz))]
    if not len(samples):
        return np.full(len(BANDS_HZ), FLOOR_DB)
    size = next_fast_len(max(2, len(samples)), real=True)
    spectra = [rfft(np.ascontiguousarray(channel), size) for channel in samples.T]  # float32 is good for -140 dB
    power = np.sum([lines.real**2 + lines.imag**2 for lines in spectra], axis=0)
    scale = 2.0 / (size * len(samples) * samples.shape[1])
    below = scale * np.concatenate(([0.0], np.cumsum(power, dtype=np.float64)))  # energy below each bin's lower edge
    edges_hz = (np.arange(len(below)) - 0.5) * (take.rate_hz * speed / size)
    mids = np.array(BANDS_HZ)
    energy = np.interp(mids * _HALF_BAND, edges_hz, below) - np.interp(mids / _HALF_BAND, edges_hz, below)
    return np.asarray(np.maximum(10.0 * np.log10(np.maximum(energy, 1e-30)), FLOOR_DB))


def area_path(heights: Sequence[float] | Real, width: float, base: float, reach: float) -> str:
    """Return the SVG path of a filled outline.

    Parameters
    ----------
    heights : 0 to 1
    width : float, of the figure
    base : float, y of zero
    reach : float, from zero to one; negative goes up
    """
    step = width / max(1, len(heights) - 1)
    points = " ".join(f"{_short(i * step)} {_short(base + reach * height)}" for i, height in enumerate(heights))
    return f"M0 {_short(base)} L{points} L{_short(width)} {_short(base)} Z"


def line_path(heights: Sequence[float] | Real, width: float, base: float, reach: float) -> str:
    """Return the SVG path of a line over the same points as `area_path`."""
    step = width / max(1, len(heights) - 1)
    points = (f"{_short(i * step)} {_short(base + reach * height)}" for i, height in enumerate(heights))
    return "M" + " L".join(points)


def _short(value: float) -> str:
    return f"{round(float(value), 1) + 0.0:g}"
