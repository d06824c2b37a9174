"""Finding a loop in a sound: the two places, whole periods apart, that are most alike.

Every possible length is compared at once by normalised cross-correlation (J. P. Lewis, "Fast normalized
cross-correlation", Vision Interface 1995) on a copy at a low rate whose highs are raised, so that the overtones count
and not the root alone; the best are compared again frame by frame at the full rate. A length that joins well holds
whole periods of everything loud: of the root, of other layers, and of their beating.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray

from kitfold.channels import sum_of_channels
from kitfold.steps.seam import correlation
from kitfold.units import cents_to_ratio

__all__ = ["Join", "Span", "find_joins"]

Real = NDArray[np.float64]

_LOW_RATE_HZ = 11_025
_TILT = 0.9  # first difference: raises the highs by up to 6 dB an octave, to about what falling overtones need
_STARTS = 10
_LAST_START_S = 1.5  # after the first possible one: a later loop costs memory
_SECOND_COSTS = 0.05  # in likeness: an earlier loop is a smaller one
_KEPT = 12
_APART_S = 0.02  # two joins of lengths nearer than this, at one start, are one
_WHOLE_PERIODS_CENTS = 1.0


@dataclass(frozen=True)
class Span:
    """Where a loop may lie, in frames: from `first` on, up to `end`, `least` to `most` long.

    `fade` frames before its start are blended into its end.
    """

    first: int
    end: int
    least: int
    most: int
    fade: int


@dataclass(frozen=True)
class Join:
    """A loop that could be: its start and length in frames, and how alike the sound is before start and end."""

    start: int
    length: int
    likeness: float


def find_joins(samples: Real, rate_hz: int, span: Span, root_hz: float | None) -> list[Join]:
    """Find the loops that join best.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    rate_hz : int, Hz
    span : Span
    root_hz : float or None, Hz: the loop holds whole periods of it within a cent

    Returns
    -------
    list of Join, the best first; at least one
    """
    tilted = samples.copy()
    tilted[1:] -= _TILT * samples[:-1]
    step = max(1, rate_hz // _LOW_RATE_HZ)
    low = soxr.resample(tilted[: span.end], step, 1, quality="MQ") if step > 1 else tilted[: span.end]
    rough = [join for start in _starts(span, rate_hz) for join in _alike(low, step, start, span, rate_hz, root_hz)]
    cost = _SECOND_COSTS / rate_hz
    rough.sort(key=lambda join: cost * join.start - join.likeness)
    exact = [_refined(tilted, join, step, span, rate_hz, root_hz) for join in rough[:_KEPT]]
    return sorted(exact, key=lambda join: -join.likeness)


def _starts(span: Span, rate_hz: int) -> list[int]:
    last = min(span.end - span.least, span.first + round(_LAST_START_S * rate_hz))
    return sorted({int(start) for start in np.linspace(span.first, max(last, span.first), _STARTS)})


def _alike(low: Real, step: int, start: int, span: Span, rate_hz: int, root_hz: float | None) -> list[Join]:
    """Compare what lies before a start with what lies before every possible end, at the low rate."""
    fade = max(2, span.fade // step)
    begin = max(fade, start // step)
    pattern = low[begin - fade : begin]
    most = min(begin + span.most // step, len(low), span.end // step)
    field = low[begin - fade + span.least // step : most]
    if len(field) <= fade:
        return []
    scores = _normalised_correlation(field, pattern)
    lengths = (span.least // step + np.arange(len(scores))) * step
    slack = step + _slack_frames(lengths)
    scores = np.where(_off_period(lengths, rate_hz, root_hz) <= slack, scores, -2.0)
    return [
        Join(start, int(lengths[best]), float(scores[best]))
        for best in _peaks(scores, round(_APART_S * rate_hz / step))
    ]


def _normalised_correlation(field: Real, pattern: Real) -> Real:
    """Return the correlation of a pattern with every place of a field: (len(field) - len(pattern) + 1,)."""
    from kitfold.measure.compiled import irfft, next_fast_len, rfft

    size = next_fast_len(len(field), real=True)
    across = irfft(np.sum(rfft(field, size, axis=0) * np.conj(rfft(pattern, size, axis=0)), axis=1), size)
    energy = np.concatenate([[0.0], np.cumsum(sum_of_channels(field * field))])
    heard = energy[len(pattern) :] - energy[: -len(pattern)]
    own = float(np.sum(pattern * pattern))
    scores: Real = across[: len(heard)] / np.sqrt(np.maximum(heard * own, 1e-30 + 1e-12 * own * own))
    return scores


def _peaks(scores: Real, apart: int) -> list[int]:
    """Return the highest places, `apart` from each other, five at most."""
    left, best = scores.copy(), []
    for _ in range(5):
        top = int(np.argmax(left))
        if left[top] <= -1.5:
            break
        best.append(top)
        left[max(0, top - apart) : top + apart + 1] = -2.0
    return best


def _off_period(lengths: NDArray[np.int64], rate_hz: int, root_hz: float | None) -> Real:
    """Say how many frames lengths lie off whole periods."""
    if root_hz is None:
        return np.zeros(len(lengths))
    periods = lengths * (root_hz / rate_hz)
    off: Real = np.abs(periods - np.rint(periods)) * (rate_hz / root_hz)
    return off


def _slack_frames(lengths: NDArray[np.int64]) -> Real:
    """Say by how many frames lengths may lie off whole periods: a cent, half a frame at least."""
    slack: Real = np.maximum(0.5, lengths * (cents_to_ratio(_WHOLE_PERIODS_CENTS) - 1.0))
    return slack


def _refined(samples: Real, join: Join, step: int, span: Span, rate_hz: int, root_hz: float | None) -> Join:
    """Compare the lengths around a rough one, frame by frame."""
    lengths = np.arange(max(join.length - step, span.fade + 1), min(join.length + step, span.end - join.start) + 1)
    whole = lengths[_off_period(lengths, rate_hz, root_hz) <= _slack_frames(lengths)]
    pattern = samples[join.start - span.fade : join.start]

    def likeness(length: int) -> float:
        return correlation(samples[join.start + length - span.fade : join.start + length], pattern)

    best = max((int(length) for length in (whole if len(whole) else lengths)), key=likeness, default=join.length)
    return Join(join.start, best, likeness(best))
