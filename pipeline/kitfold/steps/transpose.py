"""The step `transpose`: another pitch, with the length kept or as a sampler plays it."""

from __future__ import annotations

from kitfold.plan.settings import Transpose
from kitfold.sound import Sound
from kitfold.steps.shift import keep_length, varispeed
from kitfold.units import semitones_to_ratio

__all__ = ["transpose"]


def transpose(sound: Sound, settings: Transpose) -> Sound:
    """Move a sound up or down; a known root moves along.

    Parameters
    ----------
    sound : Sound, (frames, channels)
    settings : Transpose

    Returns
    -------
    Sound, (frames, channels) by keep-length, (max(1, floor(frames / 2^(semitones/12) + 0.5)), channels) by varispeed;
    0 semitones return the samples untouched. Silence stays silence; a sound without frames has none.

    Raises
    ------
    StepError : where varispeed would make it longer than ten minutes
    """
    move = varispeed if settings.method == "varispeed" else keep_length
    return move(sound, semitones_to_ratio(settings.semitones))
