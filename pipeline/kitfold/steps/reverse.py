"""The step `reverse`: plays it backwards."""

from __future__ import annotations

from kitfold.plan.settings import Reverse
from kitfold.sound import Sound

__all__ = ["reverse"]


def reverse(sound: Sound, settings: Reverse) -> Sound:
    """Play a sound backwards.

    Parameters
    ----------
    sound : Sound, any length and channels
    settings : Reverse, nothing to set

    Returns
    -------
    Sound : (frames, channels), the same samples, last first
    """
    return sound.with_samples(sound.samples[::-1])
