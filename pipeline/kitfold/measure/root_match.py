"""Which harmonic of which candidate each line could be, and how much each line counts.

Peaks are assigned once to the stretched harmonics f_n = n f sqrt((1 + B n²)/(1 + B)) of a stiff string (Fletcher, 1964)
for a few stiffnesses B.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.root_spectrum import Peaks

__all__ = ["RANGE_DB", "STIFFNESS", "Match", "body", "bright", "dull", "match_harmonics", "salience"]

Real = NDArray[np.float64]

RANGE_DB = 60.0
STIFFNESS = (0.0, 5e-5, 1.5e-4, 4e-4, 1.2e-3, 4e-3)
_STIFFNESS_COST = 0.012  # a stiffer reading must explain that much more of the sound
_HIGHEST_NUMBER = 40


@dataclass(frozen=True)
class Match:
    """How the peaks fit each candidate.

    Parameters
    ----------
    fit : ndarray, (candidates, peaks), 0 to 1: how exactly a peak lies on a harmonic
    number : ndarray, (candidates, peaks), the harmonic's number
    fifth : ndarray, (candidates, peaks), 0 to 1: what a layer a fifth up would explain of the rest
    stiffness : ndarray, (candidates,), B
    """

    fit: Real
    number: Real
    fifth: Real
    stiffness: Real


def match_harmonics(hz: Real, peaks: Peaks, bin_hz: float) -> Match:
    """Assign every peak to a harmonic of every candidate.

    Parameters
    ----------
    hz : ndarray, (candidates,), Hz
    peaks : Peaks
    bin_hz : float, Hz, the resolution the peaks were found with
    """
    ratio = peaks.hz / hz[:, np.newaxis]
    weight = bright(peaks)
    finest = 1200.0 / np.log(2.0) * 0.25 * bin_hz / peaks.hz
    readings = [_stretched(ratio, stiffness, finest) for stiffness in STIFFNESS]
    score = np.stack([np.sum(fit * weight, axis=1) for fit, _ in readings])
    score -= _STIFFNESS_COST * weight.sum() * np.arange(len(STIFFNESS))[:, np.newaxis]
    best, rows = np.argmax(score, axis=0), np.arange(len(hz))
    fit = np.stack([fit for fit, _ in readings])[best, rows]
    number = np.stack([number for _, number in readings])[best, rows]
    return Match(fit, number, _fifth(ratio) * (1.0 - fit), np.array(STIFFNESS)[best])


def salience(peaks: Peaks) -> Real:
    """Weigh lines by level, within 60 dB, and by their distance to the noise: 0 to 1."""
    level = np.clip((peaks.db - peaks.db.max() + RANGE_DB) / RANGE_DB, 0.0, 1.0)
    return np.asarray(level * np.clip((peaks.db - peaks.floor_db - 6.0) / 24.0, 0.1, 1.0))


def dull(peaks: Peaks) -> Real:
    """Take back the highs: a half at 5 kHz."""
    return np.asarray(1.0 / (1.0 + (peaks.hz / 5000.0) ** 2))


def bright(peaks: Peaks) -> Real:
    """Weigh lines by salience, the highs taken back."""
    return salience(peaks) * dull(peaks)


def body(peaks: Peaks) -> Real:
    """Weigh lines by loudness (amplitude to the power 0.6), the highs taken back."""
    return np.asarray(10.0 ** (0.6 * (peaks.db - peaks.db.max()) / 20.0) * dull(peaks))


def _stretched(ratio: Real, stiffness: float, finest_cents: Real) -> tuple[Real, Real]:
    """Fit peaks to the harmonics of one stiffness: how exactly (0 to 1), and which number."""
    position = ratio
    if stiffness > 0:
        stretched = 4.0 * stiffness * (1.0 + stiffness) * ratio**2
        position = np.sqrt((np.sqrt(1.0 + stretched) - 1.0) / (2.0 * stiffness))
    number = np.maximum(1.0, np.round(position))
    expected = number * np.sqrt((1.0 + stiffness * number**2) / (1.0 + stiffness))
    cents = 1200.0 * np.log2(ratio / expected)
    # a tenth of the way to the next harmonic, 22 cents at most, never finer than the spectrum can tell
    tolerance = np.maximum(np.minimum(22.0, 173.1 / number), finest_cents)
    return np.exp(-0.5 * (cents / tolerance) ** 2) * (number <= _HIGHEST_NUMBER), number


def _fifth(ratio: Real) -> Real:
    """Fit peaks to the odd harmonics of a layer a fifth up; its even ones the root has too."""
    number = np.maximum(1.0, np.round(ratio / 1.5))
    cents = 1200.0 * np.log2(ratio / 1.5 / number)
    return np.asarray(np.exp(-0.5 * (cents / 22.0) ** 2) * (number % 2 == 1) * (number <= 9))
