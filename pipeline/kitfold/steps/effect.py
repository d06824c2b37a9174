"""The step `effect`: one of pedalboard's own effects, from a list of safe ones."""

from __future__ import annotations

import numpy as np

from kitfold.errors import StepError
from kitfold.plan.effects import EFFECTS
from kitfold.plan.settings import Effect
from kitfold.sound import Audio, Sound
from kitfold.units import seconds_to_frames

__all__ = ["effect"]

_FEWEST_FRAMES = 64  # with fewer, pedalboard cannot tell channels from frames by the array's shape


def effect(sound: Sound, settings: Effect) -> Sound:
    """Play a sound through an effect: a reverb, a delay, a chorus, a compressor.

    Parameters
    ----------
    sound : Sound, mono or stereo, any length
    settings : Effect, with the effect's own settings in `model_extra`

    Returns
    -------
    Sound : (frames + tail_s in frames, channels); the tail is silence that the effect rings in

    Raises
    ------
    StepError : where the effect gives values that are no numbers
    """
    tail_frames = seconds_to_frames(settings.tail_s, sound.rate_hz)
    frames = sound.frames + tail_frames
    spare = max(0, _FEWEST_FRAMES - frames)
    dry = np.pad(sound.samples, ((0, tail_frames + spare), (0, 0)))
    wet = _played(dry, settings, sound.rate_hz)[:frames]
    if not np.isfinite(wet).all():
        raise StepError(
            f"gave values that are no numbers with {dict(settings.model_extra or {})}, "
            f"on a sound at {sound.rate_hz} Hz",
            where=f"effect {settings.name}",
            hint="move its settings away from their limits; frequencies must lie below half the sound's rate",
        )
    return sound.with_samples(wet)


def _played(dry: Audio, settings: Effect, rate_hz: int) -> Audio:
    import pedalboard

    plugin = getattr(pedalboard, EFFECTS[settings.name].plugin)(**(settings.model_extra or {}))
    wet: Audio = plugin(np.ascontiguousarray(dry.T), rate_hz, reset=True)
    return wet.T
