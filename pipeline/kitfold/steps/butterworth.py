"""Butterworth filters as second-order sections, for `measure.sections.filtered`."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["butterworth"]


def butterworth(
    order: int, corner_hz: float, kind: Literal["highpass", "lowpass"], rate_hz: int
) -> NDArray[np.float64]:
    """Design a Butterworth filter.

    Parameters
    ----------
    order : int, >= 1: 6 dB per octave each
    corner_hz : float, Hz, -3.01 dB there; below half the rate
    kind : ``"highpass"`` or ``"lowpass"``
    rate_hz : int, Hz

    Returns
    -------
    ndarray, (ceil(order / 2), 6): b0, b1, b2, 1, a1, a2 of each section

    Source: S. Butterworth, Experimental Wireless 7, 1930 (the poles); the bilinear transform with its corner in place
    (Oppenheim and Schafer, Discrete-Time Signal Processing, 7.1.2, from memory). tests/steps compare it with scipy's.
    """
    corner = math.tan(math.pi * corner_hz / rate_hz)
    rows = [_single(corner, kind)] if order % 2 else []
    for pair in range(order // 2):
        damping = 2.0 * math.sin((2 * pair + 1) * math.pi / (2 * order))
        rows.append(_pair(corner, damping, kind))
    return np.array(rows)


def _single(corner: float, kind: str) -> list[float]:
    """Return a section with one real pole."""
    below = 1.0 + corner
    gain = corner / below if kind == "lowpass" else 1.0 / below
    return [gain, gain if kind == "lowpass" else -gain, 0.0, 1.0, (corner - 1.0) / below, 0.0]


def _pair(corner: float, damping: float, kind: str) -> list[float]:
    """Return a section with a pair of poles."""
    square = corner * corner
    below = 1.0 + damping * corner + square
    gain, sign = (square / below, 2.0) if kind == "lowpass" else (1.0 / below, -2.0)
    return [gain, sign * gain, gain, 1.0, 2.0 * (square - 1.0) / below, (1.0 - damping * corner + square) / below]
