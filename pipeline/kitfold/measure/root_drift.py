"""How a held pitch moves: one reading a span, the run that is held, and the drift over it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.root_spectrum import Spectrum

__all__ = ["drift_cents", "held_run", "track_cents"]

Real = NDArray[np.float64]

_AROUND_CENTS = 70.0
_PARTIALS = 8
_FAINT = 0.01  # spans whose partials lie 40 dB under the loudest say nothing
_HELD_CENTS = 25.0
_WAVERS = 3.0


def track_cents(spectrum: Spectrum, root_hz: float) -> Real:
    """Read the pitch of each span, in cents over the root, from the power centroids of its partials.

    Parameters
    ----------
    spectrum : Spectrum
    root_hz : float, Hz

    Returns
    -------
    ndarray, (spans,), NaN where a span is too faint or has no line there
    """
    lines = []
    for number in range(1, _PARTIALS + 1):
        half_hz = max(number * root_hz * (2.0 ** (_AROUND_CENTS / 1200.0) - 1.0), spectrum.lobe_bins * spectrum.bin_hz)
        first = int((number * root_hz - half_hz) / spectrum.bin_hz) + 1
        last = int((number * root_hz + half_hz) / spectrum.bin_hz) + 1
        if half_hz < 0.45 * root_hz and first > 0 and last < spectrum.spans.shape[1]:
            lines.append(_centroids(spectrum, first, last, number * root_hz))
    if not lines:
        return np.full(len(spectrum.spans), np.nan)
    cents, amplitude = (np.stack(part) for part in zip(*lines, strict=True))
    weight = np.sum(amplitude, axis=0)
    track = np.sum(amplitude * cents, axis=0) / np.maximum(weight, 1e-30)
    return np.where(weight > _FAINT * weight.max(), track, np.nan)


def drift_cents(track: Real, starts: NDArray[np.int64]) -> float:
    """Say how far the pitch moves from the first to the last span: the median slope (Theil, 1950; Sen, 1968).

    A movement that is no larger than the pitch wavers anyway, as in a vibrato, is none.

    Parameters
    ----------
    track : ndarray, (spans,), cents, from `track_cents`
    starts : ndarray, (spans,), frames
    """
    known = np.isfinite(track)
    if np.count_nonzero(known) < 3:
        return 0.0
    cents, time = track[known], starts[known].astype(np.float64)
    later = time > time[:, np.newaxis]
    slope = float(np.median((cents - cents[:, np.newaxis])[later] / (time - time[:, np.newaxis])[later]))
    level = cents - slope * time
    waver = float(np.median(np.abs(level - np.median(level))))
    drift = slope * float(time[-1] - time[0])
    return drift if abs(drift) > _WAVERS * waver else 0.0


def held_run(track: Real, starts: NDArray[np.int64], drift: float) -> tuple[int, int]:
    """Find the first and the last span that lie within 25 cents of the middle pitch, its `drift` taken out.

    Slides into and out of the note stay outside; what wavers in between, as a chorus does when it beats, stays inside.

    Returns
    -------
    (first, last) : span numbers, last included; all spans where the pitch cannot be followed
    """
    known = np.isfinite(track)
    if np.count_nonzero(known) < 3:
        return 0, len(track) - 1
    level = track - drift * (starts - starts[known][0]) / np.ptp(starts[known])
    held = np.flatnonzero(np.abs(level - np.median(level[known])) <= _HELD_CENTS)
    return (int(held[0]), int(held[-1])) if len(held) else (0, len(track) - 1)


def _centroids(spectrum: Spectrum, first: int, last: int, expected_hz: float) -> tuple[Real, Real]:
    part = spectrum.spans[:, first:last]
    part = np.where(part > 0.02 * part.max(axis=1, keepdims=True), part, 0.0)
    power = part.sum(axis=1)
    centre_hz = np.sum(part * np.arange(first, last), axis=1) / np.maximum(power, 1e-30) * spectrum.bin_hz
    return 1200.0 * np.log2(np.maximum(centre_hz, 1e-3) / expected_hz), np.sqrt(power)
