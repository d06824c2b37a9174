"""Which roots could explain a sound's lines: strong lines divided by 1 to 8, and the distances between neighbours.

Divisors are the classic subharmonic reading (Schroeder, "Period histogram and product spectrum", 1968); distances find
a root that is not there itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.root_spectrum import Peaks

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "find_candidates"]

Real = NDArray[np.float64]

LOWEST_HZ, HIGHEST_HZ = 24.0, 5200.0
_RANGE_DB = 60.0
_STRONG = 14
_ANY_DB = 50.0
_SAME_CENTS = 18.0


def find_candidates(peaks: Peaks) -> Real:
    """List the roots that could explain the peaks.

    Parameters
    ----------
    peaks : Peaks, at least one

    Returns
    -------
    ndarray, Hz, ascending, each at least 18 cents from the next
    """
    strong = np.sort(peaks.hz[np.argsort(-peaks.db, kind="stable")[:_STRONG]])
    divided = (strong[:, np.newaxis] / np.arange(1.0, 9.0)).ravel()
    itself = peaks.hz[peaks.db > peaks.db.max() - _ANY_DB]
    raw = _in_range(np.concatenate([divided, np.diff(strong), itself]))
    if len(raw) == 0:
        return raw
    return _apart(_in_range(_settle(raw, peaks)), peaks)


def _in_range(hz: Real) -> Real:
    return np.sort(hz[(hz > LOWEST_HZ) & (hz < HIGHEST_HZ)])


def _salience(peaks: Peaks) -> Real:
    return np.asarray(np.clip((peaks.db - peaks.db.max() + _RANGE_DB) / _RANGE_DB, 0.0, 1.0) ** 2)


def _deviation(hz: Real, peaks: Peaks) -> tuple[Real, Real]:
    """Number of the harmonic next to each peak, and how far the peak lies from it in cents: (candidates, peaks)."""
    ratio = peaks.hz / hz[:, np.newaxis]
    number = np.maximum(1.0, np.round(ratio))
    return number, 1200.0 * np.log2(ratio / number)


def _settle(hz: Real, peaks: Peaks) -> Real:
    """Move each candidate to where its first six harmonics lie."""
    number, cents = _deviation(hz, peaks)
    weight = _salience(peaks) * (number <= 6) * (np.abs(cents) < 35) * np.sqrt(number)
    shift = np.sum(weight * cents, axis=1) / (np.sum(weight, axis=1) + 1e-9)
    return np.asarray(hz * 2.0 ** (shift / 1200.0))


def _apart(hz: Real, peaks: Peaks) -> Real:
    """Keep the best of candidates that lie within 18 cents of each other."""
    number, cents = _deviation(hz, peaks)
    score = np.sum(_salience(peaks) * (number <= 8) * np.exp(-0.5 * (cents / 12.0) ** 2), axis=1)
    log_cents = 1200.0 * np.log2(hz)
    near = np.abs(log_cents[:, np.newaxis] - log_cents) < _SAME_CENTS
    taken = np.zeros(len(hz), dtype=bool)
    kept = []
    for index in np.argsort(-score, kind="stable"):
        if not taken[index]:
            kept.append(index)
            taken |= near[index]
    return np.sort(hz[kept])
