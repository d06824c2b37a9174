"""From a master to what could be stored: in the device's channels, transposed, cut."""

from __future__ import annotations

import numpy as np

from kitfold.plan.device import Device
from kitfold.plan.settings import Fold
from kitfold.sound import Sound
from kitfold.steps.fold import fold
from kitfold.steps.shapes import fall
from kitfold.units import seconds_to_frames

__all__ = ["cut", "fade_frames", "folded", "played_out", "widened"]

_FADE_S = 0.15
_FADE_SHARE = 0.25


def folded(master: Sound, device: Device) -> Sound:
    """Return a master in the device's channels: stereo is folded, the way that cancels least; mono is doubled."""
    if master.channels > device.channels:
        return fold(master, Fold(channels=1)).logged("fold", {"channels": 1, "method": "auto"})
    return widened(master, device.channels)


def widened(sound: Sound, channels: int) -> Sound:
    """Return a mono sound on so many channels; any other as it is."""
    if sound.channels == 1 < channels:
        return sound.with_samples(np.repeat(sound.samples, channels, axis=1))
    return sound


def played_out(sound: Sound, seconds: float) -> Sound:
    """Return a looped sound for a device that does not loop: its sustain played round for so long, then faded out.

    Parameters
    ----------
    sound : Sound, with a loop
    seconds : float, s, at least so long before the fade; a shorter time than the sound's own is not cut
    """
    frames = max(sound.frames, seconds_to_frames(seconds, sound.rate_hz))
    frames += fade_frames(frames, sound.rate_hz)
    longer = cut(sound.sustained(frames + 1), frames)
    said = f"the device does not loop, so its loop was played round for {longer.seconds:.2f} s"
    return longer.telling(said, length_s=round(longer.seconds, 4)).logged("play-out", {})


def fade_frames(frames: int, rate_hz: int) -> int:
    """Return the length of the fade at a cut: 150 ms, on short sounds a quarter of their length."""
    return min(int(_FADE_S * rate_hz), int(frames * _FADE_SHARE))


def cut(sound: Sound, frames: int) -> Sound:
    """Return a sound cut to `frames`; a cut fades to exact zero, by a raised cosine."""
    if frames >= sound.frames:
        return sound
    samples = sound.samples[:frames].copy()
    fade = fade_frames(frames, sound.rate_hz)
    samples[frames - fade :] *= fall(fade)[:, np.newaxis].astype(np.float32)
    return sound.with_samples(samples)
