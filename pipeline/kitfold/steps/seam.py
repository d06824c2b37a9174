"""Joining two parts of a sound: a crossfade that keeps the level, however much the parts are alike.

Where two parts with correlation r overlap with gains g1 and g2, and are equally loud, the power of the sum is
g1² + g2² + 2 r g1 g2. Setting it to 1 gives equal gain for r = 1, equal power for r = 0, and what lies between: any two
shapes divided by the root of that sum do (derived here; the two ends are common practice).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.steps.shapes import rise

__all__ = ["correlation", "crossfaded", "turn_of"]

Real = NDArray[np.float64]

_LEAST_LIKENESS = -0.5  # parts more opposed than this would be raised too far


def correlation(first: Real, second: Real) -> float:
    """Say how much two parts are alike, all channels together: 1 the same, 0 strangers, -1 opposed.

    Parameters
    ----------
    first, second : ndarray, (frames, channels)

    Returns
    -------
    float, -1 to 1; 0 where one is silent
    """
    strength = float(np.sqrt(np.sum(first * first) * np.sum(second * second)))
    return float(np.sum(first * second)) / strength if strength > 0 else 0.0


def crossfaded(out: Real, into: Real) -> tuple[Real, float]:
    """Fade from one part to another of the same length; the level stays, as much alike as they may be.

    Parameters
    ----------
    out, into : ndarray, (frames, channels), equally loud

    Returns
    -------
    mixed : ndarray, (frames, channels): begins as `out`, ends as `into`
    likeness : float, the correlation that the gains were made for
    """
    grow = np.append(rise(len(out))[1:], 1.0)
    weight = np.sqrt(grow * (1.0 - grow))[:, np.newaxis]  # where both are heard, their likeness matters
    likeness = correlation(out * weight, into * weight)
    held = max(likeness, _LEAST_LIKENESS)
    fall = 1.0 - grow
    level = np.sqrt(grow * grow + fall * fall + 2.0 * held * grow * fall)
    return out * (fall / level)[:, np.newaxis] + into * (grow / level)[:, np.newaxis], likeness


def turn_of(samples: Real, start: int, length: int, fade: int) -> tuple[Real, float, float]:
    """Cut one round of a loop out of a sound, its end crossfaded into what lies before its start.

    A level that falls (or rises) along the round is held: an exponential gain brings the end to the start's level.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    start : int, frames, >= fade
    length : int, frames, > fade; start + length <= frames
    fade : int, frames, > 0

    Returns
    -------
    turn : ndarray, (length, channels): after its last frame its first one follows
    likeness : float, the correlation of the two parts that were crossfaded
    trend_db : float, dB, what the level had changed by
    """
    turn = samples[start : start + length].copy()
    before = samples[start - fade : start]
    trend_db = _level_db(turn[length - fade :]) - _level_db(before)
    turn *= (10.0 ** (-trend_db / 20.0 * np.arange(1, length + 1) / length))[:, np.newaxis]
    turn[length - fade :], likeness = crossfaded(turn[length - fade :], before)
    return turn, likeness, trend_db


def _level_db(samples: Real) -> float:
    return float(10.0 * np.log10(max(float(np.mean(samples * samples)), 1e-20)))
