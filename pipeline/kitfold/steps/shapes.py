"""Shapes that several steps fade with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["fall", "rise"]


def rise(frames: int) -> NDArray[np.float64]:
    """Return a raised-cosine fade in: starts at exact zero and would reach one on the frame after its last.

    Parameters
    ----------
    frames : int, >= 0

    Returns
    -------
    gain : ndarray, (frames,): sin²(π k / 2 frames)
    """
    return np.sin(np.arange(frames) * (0.5 * np.pi / max(frames, 1))) ** 2  # type: ignore[no-any-return]


def fall(frames: int) -> NDArray[np.float64]:
    """Return a raised-cosine fade out, `rise` turned round: its last frame is exact zero."""
    return rise(frames)[::-1]
