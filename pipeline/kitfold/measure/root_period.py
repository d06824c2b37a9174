"""How strongly a sound repeats at each candidate's period: what lines cannot say where a sound is too short for them.

The autocorrelation of the held part is the transform of its power spectrum (Wiener, 1930; Khinchin, 1934), divided by
the window's own, as in Boersma, "Accurate short-term analysis of the fundamental frequency", 1993. It is taken twice:
of the power, where the strongest lines decide, and of its compressed power, where all do (Tolonen and Karjalainen, "A
computationally efficient multipitch analysis model", 2000).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.held import blackman
from kitfold.measure.root_spectrum import Spectrum

__all__ = ["periods"]

Real = NDArray[np.float64]

_LOWEST_HZ, _HIGHEST_HZ = 30.0, 5000.0
_STEPS_HZ = 88_000  # lags are read this finely: 17 a turn of the highest line
_COMPRESSED = 0.3
_FAR = 0.6  # of the window: a longer lag compares too little
_LAGS = {"period": 1.0, "half_period": 0.5, "third_period": 1.0 / 3.0, "two_periods": 2.0}


def periods(spectrum: Spectrum, hz: Real) -> dict[str, Real]:
    """Say how alike a sound is to itself one period later, and half, a third and two of them, for each candidate.

    Parameters
    ----------
    spectrum : Spectrum
    hz : ndarray, (candidates,), Hz

    Returns
    -------
    dict, name to ndarray (candidates,), -1 to 1: 1 for a sound that repeats exactly
    """
    first, last = int(_LOWEST_HZ / spectrum.bin_hz), int(_HIGHEST_HZ / spectrum.bin_hz)
    power = spectrum.power[:last].copy()
    power[:first] = 0.0
    span_s = 3.0 / (spectrum.lobe_bins * spectrum.bin_hz)
    figures = {}
    for suffix, lines in (("", power), ("_compressed", power**_COMPRESSED)):
        likeness = _autocorrelation(lines, spectrum.bin_hz)
        for name, turns in _LAGS.items():
            figures[name + suffix] = _at(likeness, turns / hz, span_s)
    return figures


def _autocorrelation(power: Real, bin_hz: float) -> Real:
    """Transform a power spectrum; one value a lag, 1 at no lag."""
    from kitfold.measure.compiled import irfft, next_fast_len

    size = int(next_fast_len(int(_STEPS_HZ / bin_hz), True))
    likeness = np.asarray(irfft(power.astype(np.float32), size)[: size // 4], dtype=np.float64)
    return likeness / max(float(likeness[0]), 1e-30)


def _at(likeness: Real, lag_s: Real, span_s: float) -> Real:
    """Read the autocorrelation at a lag, its window taken out; 0 where the window reaches too short."""
    far = lag_s / span_s
    own = np.interp(far, *_window_likeness())
    raw = np.interp(lag_s * _STEPS_HZ, np.arange(len(likeness)), likeness)
    return np.where(far < _FAR, np.clip(raw / own, -1.0, 1.0), 0.0)


@cache
def _window_likeness() -> tuple[Real, Real]:
    """Autocorrelation of a Blackman window over the lag, in windows: what a sine's would be."""
    window = blackman(512)
    lags = np.arange(0, 330, 6)
    likeness = [float(np.sum(window[lag:] * window[: 512 - lag])) for lag in lags]
    return lags / 512.0, np.array(likeness) / likeness[0]
