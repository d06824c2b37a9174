"""What the whole sound says about a reading of its root: how tonal it is, how steady, and how clear the choice was."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.root_match import Match
from kitfold.measure.root_spectrum import Peaks, Spectrum

__all__ = ["judge_reading", "odds"]

Real = NDArray[np.float64]
Figures = dict[str, Real]

_LOWEST_HZ, _HIGHEST_HZ = 20.0, 12000.0
_AROUND_BINS = 4  # a line's share of the power lies this close to its peak


def odds(score: Real) -> Real:
    """Turn the ranker's scores into shares that add up to 1."""
    share = np.exp(score - score.max())
    return np.asarray(share / share.sum())


def judge_reading(
    spectrum: Spectrum, peaks: Peaks, match: Match, candidates: Real, best: int, share: Real, scatter_cents: float
) -> Figures:
    """Collect the figures that the confidence is read from, beside the winner's own.

    Parameters
    ----------
    spectrum, peaks, match : what was seen
    candidates : ndarray, (candidates,), Hz
    best : int, the winner's row
    share : ndarray, (candidates,), from `odds`
    scatter_cents : float, how far the partials are from agreeing on one pitch

    Returns
    -------
    dict, name to ndarray (1,)
    """
    near = np.abs(np.log2(candidates / candidates[best])) < 60.0 / 1200.0
    chosen = float(share[near].sum())
    second = float(np.max(share[~near], initial=0.0))
    figures = {
        "chosen": chosen,
        "doubt": float(np.log(1e-4 + max(0.0, 1.0 - chosen))),
        "second": second,
        "scatter": min(scatter_cents, 30.0) / 30.0,
        "seconds": float(np.log(1e-3 + len(spectrum.spans) * 0.19)),
        "clear": _clearness(peaks),
        "steady": _steadiness(spectrum),
    }
    figures |= _tonal(spectrum, peaks, match.fit[best], float(candidates[best]))
    return {name: np.array([value]) for name, value in figures.items()}


def _clearness(peaks: Peaks) -> float:
    """Average the distance of the lines to the noise, by amplitude; 60 dB is 1."""
    amplitude = 10.0 ** ((peaks.db - peaks.db.max()) / 20.0)
    return float(np.sum(amplitude * (peaks.db - peaks.floor_db)) / amplitude.sum() / 60.0)


def _steadiness(spectrum: Spectrum) -> float:
    """Say how alike the first and the second half of the spans are, 0 to 1; noise is not, even when averaged."""
    if len(spectrum.spans) < 2:
        return 0.5
    half = len(spectrum.spans) // 2
    early, late = np.sqrt(spectrum.spans[:half].mean(axis=0)), np.sqrt(spectrum.spans[-half:].mean(axis=0))
    return float(np.sum(early * late) / (np.sqrt(np.sum(early**2) * np.sum(late**2)) + 1e-30))


def _tonal(spectrum: Spectrum, peaks: Peaks, fit: Real, root_hz: float) -> dict[str, float]:
    """Compare lines with everything else, in power."""
    bin_hz = spectrum.bin_hz
    first = int(_LOWEST_HZ / bin_hz)
    power = spectrum.power[first : int(_HIGHEST_HZ / bin_hz)]
    total = float(power.sum()) + 1e-30
    turns = 2.0 * np.pi * np.arange(first, first + len(power)) * bin_hz / root_hz
    amplitude, comb = np.sqrt(power), np.cos(turns)
    at = np.round(peaks.hz / bin_hz).astype(int) - first
    strongest = at[np.argsort(-peaks.db, kind="stable")[:5]]
    flatness = np.exp(np.mean(np.log(power + 1e-14))) / (power.mean() + 1e-14)
    return {
        "tonal": float(power[_around(at, len(power))].sum()) / total,
        "harmonic": float(power[_around(at[fit > 0.4], len(power))].sum()) / total,
        "comb_power": float(np.sum(power * comb)) / total,
        "comb_amplitude": float(np.sum(amplitude * comb) / (amplitude.sum() + 1e-30)),
        "flatness": float(np.log10(flatness + 1e-12)),
        "sharpness": _sharpness(power, strongest),
    }


def _around(at: NDArray[np.int_], bins: int) -> NDArray[np.bool_]:
    marked = np.zeros(bins, dtype=bool)
    marked[np.clip(at[:, np.newaxis] + np.arange(-_AROUND_BINS, _AROUND_BINS + 1), 0, bins - 1)] = True
    return marked


def _sharpness(power: Real, strongest: NDArray[np.int_]) -> float:
    """Measure how far the strongest lines fall off within 7 bins, 40 dB is 1."""
    db = 10.0 * np.log10(power + 1e-16)
    strongest = np.clip(strongest, 0, len(db) - 1)
    sides = db[np.maximum(strongest - 7, 0)] + db[np.minimum(strongest + 7, len(db) - 1)]
    return float(np.mean(db[strongest] - 0.5 * sides) / 40.0)
