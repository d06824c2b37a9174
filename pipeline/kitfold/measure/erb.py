"""How the ear divides frequency: equivalent rectangular bandwidths, their scale, spreading, the threshold of hearing.

Bandwidths and the ERB-number scale: Glasberg and Moore, "Derivation of auditory filter shapes from notched-noise data",
Hearing Research 47, 1990, equations 3 and 4; one step of the scale is one auditory filter. Filter shapes: the rounded
exponential of the same paper. Threshold in quiet: Terhardt, "Calculating virtual pitch", Hearing Research 1, 1979.
Full scale is taken to be heard at 90 dB SPL: music at -20 LUFS is then as loud as 73 dB SPL, a moderate level.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FULL_SCALE_SPL_DB",
    "band_centres_hz",
    "band_edges_hz",
    "band_powers",
    "erb_hz",
    "erb_number",
    "excitation",
    "hz_at",
    "threshold_spl_db",
]

Real = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

FULL_SCALE_SPL_DB = 90.0
"""Sound pressure level of a sine whose peak is full scale."""
LOWEST_HZ, HIGHEST_HZ = 20.0, 16_000.0
"""What the bands span; above 16 kHz few adults hear anything at this level (common practice)."""
_SLOPE = 4.0  # a filter's rounded exponential falls with p g = 4 |f - centre| / ERB (Glasberg and Moore, section 2)


def erb_hz(hz: ArrayLike) -> Real:
    """Say how wide the auditory filter around a frequency is: 132.6 Hz at 1 kHz.

    Parameters
    ----------
    hz : array_like, Hz, >= 0

    Returns
    -------
    ndarray, Hz, the shape of `hz` (Glasberg and Moore 1990, equation 3)
    """
    return np.asarray(24.7 * (4.37e-3 * np.asarray(hz, dtype=np.float64) + 1.0))


def erb_number(hz: ArrayLike) -> Real:
    """Say how many auditory filters lie under a frequency: 15.6 under 1 kHz.

    Parameters
    ----------
    hz : array_like, Hz, >= 0

    Returns
    -------
    ndarray, the shape of `hz` (Glasberg and Moore 1990, equation 4)
    """
    return np.asarray(21.4 * np.log10(4.37e-3 * np.asarray(hz, dtype=np.float64) + 1.0))


def hz_at(number: ArrayLike) -> Real:
    """Return the frequency under which so many auditory filters lie, in Hz: the inverse of `erb_number`."""
    return np.asarray((10.0 ** (np.asarray(number, dtype=np.float64) / 21.4) - 1.0) / 4.37e-3)


def band_edges_hz(per_erb: int = 1) -> Real:
    """Return the edges of bands of equal width on the ERB-number scale, from 20 Hz to about 16 kHz, in Hz."""
    low, high = erb_number([LOWEST_HZ, HIGHEST_HZ])
    count = round(float(high - low) * per_erb)
    return hz_at(low + np.arange(count + 1) / per_erb)


def band_centres_hz(per_erb: int = 1) -> Real:
    """Return the middle of each band on the ERB-number scale, in Hz: 39 bands of one ERB."""
    numbers = erb_number(band_edges_hz(per_erb))
    return hz_at((numbers[1:] + numbers[:-1]) / 2)


def band_powers(bin_powers: Floats, bin_hz: float, per_erb: int = 1, signed: bool = False) -> Real:
    """Gather a power spectrum into bands.

    Parameters
    ----------
    bin_powers : ndarray, (..., bins), bin k centred on k * `bin_hz` and `bin_hz` wide
    bin_hz : float, Hz, > 0
    per_erb : int, bands to an ERB
    signed : bool, True for cross spectra, which may be under 0; powers may not, whatever rounding does

    Returns
    -------
    ndarray, (..., bands): a bin that an edge crosses is shared by its two bands; nothing lies above the last bin
    """
    bins = bin_powers.shape[-1]
    total = np.zeros((*bin_powers.shape[:-1], bins + 1))
    np.cumsum(bin_powers, axis=-1, out=total[..., 1:])
    at = np.clip(band_edges_hz(per_erb) / bin_hz + 0.5, 0.0, bins)
    whole = np.minimum(at.astype(np.int64), bins - 1)
    under = total[..., whole] + (at - whole) * bin_powers[..., whole]
    bands: Real = np.diff(under, axis=-1)
    return bands if signed else np.maximum(bands, 0.0)


def excitation(powers: Floats, per_erb: int = 1) -> Real:
    """Spread the power of each band over its neighbours, as the overlapping filters of the ear do.

    Parameters
    ----------
    powers : ndarray, (..., bands), linear
    per_erb : int, bands to an ERB

    Returns
    -------
    ndarray, the shape of `powers`: each filter passes (1 + 4 d) exp(-4 d) of what lies d ERB from its centre (roex(p)
    as it is at 51 dB an ERB, both sides alike): -10.4 dB at one ERB, -25.2 dB at two. A band's own power passes whole.
    """
    spread = powers.astype(np.float64)
    for distance in range(1, min(4 * per_erb, powers.shape[-1] - 1) + 1):
        steep = _SLOPE * distance / per_erb
        weight = (1.0 + steep) * np.exp(-steep)
        spread[..., distance:] += weight * powers[..., :-distance]
        spread[..., :-distance] += weight * powers[..., distance:]
    return spread


def threshold_spl_db(hz: ArrayLike) -> Real:
    """Say how loud a tone must be to be heard in quiet: 3.4 dB SPL at 1 kHz.

    Parameters
    ----------
    hz : array_like, Hz, > 0

    Returns
    -------
    ndarray, dB SPL, the shape of `hz` (Terhardt 1979)
    """
    khz = np.asarray(hz, dtype=np.float64) / 1000.0
    return np.asarray(3.64 * khz**-0.8 - 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) + 1e-3 * khz**4)
