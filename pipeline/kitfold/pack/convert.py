"""Convert: bring a sound to the rate and the gain at which a device stores it."""

from __future__ import annotations

import numpy as np

from kitfold.sound import Sound
from kitfold.steps.rate import resample, resampled_frames
from kitfold.units import db_to_gain

__all__ = ["apply_gain", "resample", "resampled_frames"]


def apply_gain(sound: Sound, gain_db: float) -> Sound:
    """Make a sound louder or softer.

    Parameters
    ----------
    sound : Sound
    gain_db : float, dB

    Returns
    -------
    Sound, the same shape; the same object at 0 dB
    """
    if gain_db == 0:
        return sound
    return sound.with_samples(sound.samples * np.float32(db_to_gain(gain_db)))
