"""The step `fade`: fades in and out."""

from __future__ import annotations

from kitfold.plan.settings import Fade
from kitfold.sound import Sound
from kitfold.steps.shapes import fall, rise
from kitfold.units import seconds_to_frames

__all__ = ["fade"]


def fade(sound: Sound, settings: Fade) -> Sound:
    """Fade a sound in from exact zero and out to exact zero, along raised cosines.

    Parameters
    ----------
    sound : Sound, any length and channels
    settings : Fade
        A fade longer than the sound takes the whole sound; where both meet, both apply.

    Returns
    -------
    Sound : (frames, channels)
    """
    ins, outs = (
        min(sound.frames, seconds_to_frames(length_ms / 1000.0, sound.rate_hz))
        for length_ms in (settings.in_ms, settings.out_ms)
    )
    samples = sound.float64()
    samples[:ins] *= rise(ins)[:, None]
    samples[sound.frames - outs :] *= fall(outs)[:, None]
    return sound.with_samples(samples)
