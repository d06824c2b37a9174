"""Clicks at the ends of a sound: a step to or from silence that is steeper than the sound itself is there."""

from __future__ import annotations

import numpy as np

from kitfold.channels import loudest_of_channels
from kitfold.sound import Sound

__all__ = ["STEEPEST", "end_steps"]

STEEPEST = 99.0
"""Stands for any step beside which the sound does not move at all."""
_BESIDE_S = 0.02  # a period at 50 Hz, so that a low note's own steepest place is among them


def end_steps(sound: Sound) -> tuple[float, float]:
    """Compare the steps out of and into silence at a sound's ends with how steep the sound is beside them.

    Parameters
    ----------
    sound : Sound, any length and channels

    Returns
    -------
    (start, end) : float, 0 to `STEEPEST`: the step over the greatest step from frame to frame in the 20 ms beside it.
        A sound that starts or ends in a zero crossing has 1 or less, whatever its pitch; a sine of f Hz that is cut on
        its crest has rate / (2 pi f). The first and last frame count as part of the step: a device's file has zeros
        there. 0 for silence.
    """
    silence = np.zeros((1, sound.channels), dtype=np.float32)
    steps = loudest_of_channels(np.diff(np.concatenate([silence, sound.samples, silence]), axis=0))
    beside = 2 + max(2, round(_BESIDE_S * sound.rate_hz))
    return _over_slope(steps[:beside]), _over_slope(steps[::-1][:beside])


def _over_slope(steps: np.typing.NDArray[np.float32]) -> float:
    """Return the greater of the two outermost steps over the greatest of the others."""
    step, slope = float(steps[:2].max(initial=0.0)), float(steps[2:].max(initial=0.0))
    if step == 0.0:
        return 0.0
    return min(STEEPEST, step / slope) if slope > 0.0 else STEEPEST
