"""Bring a sound to another rate: no step of a recipe, but what the masters' common rate and every device need."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import soxr

from kitfold.sound import Sound
from kitfold.steps.loop_moved import loop_at_rate

__all__ = ["resample", "resampled_frames"]


def resampled_frames(frames: int, from_hz: float, to_hz: int) -> int:
    """Say how many frames a sound has at another rate: the nearest number, a half up; at least 1 if it had any."""
    return max(int((2 * frames * to_hz + from_hz) // (2 * from_hz)), min(frames, 1))


def resample(sound: Sound, rate_hz: int, speed: float = 1.0) -> Sound:
    """Bring a sound to another rate without letting anything fold back from above its new top.

    soxr's VHQ (linear phase, 28-bit) takes what lies over the new Nyquist frequency, and images under the old one, down
    by more than 110 dB and keeps the band below 0.9 of Nyquist within 0.1 dB: measured in tests/pack/test_convert.py.

    Parameters
    ----------
    sound : Sound
    rate_hz : int, Hz, > 0
    speed : float, > 0: read so many times as fast, so every frequency and a known root are multiplied by it; resampled
        once for both, it keeps all that the new rate can hold

    Returns
    -------
    Sound, (`resampled_frames` (frames, speed x sound.rate_hz, rate_hz), channels); the same object where the rate and
    the speed are the same. A looped sound becomes as long as `loop_at_rate` says.
    """
    if speed == 1.0 and rate_hz == sound.rate_hz:
        return sound
    root_hz = None if sound.root_hz is None else speed * sound.root_hz
    if sound.loop is not None:
        return replace(loop_at_rate(sound, rate_hz, speed), root_hz=root_hz)
    read_hz = speed * sound.rate_hz
    samples = sound.samples
    if read_hz != rate_hz:  # else not one sample is touched
        samples = soxr.resample(samples, read_hz, rate_hz, quality="VHQ")
    wanted = resampled_frames(sound.frames, read_hz, rate_hz)
    missing = max(0, wanted - len(samples))  # soxr makes nothing of one frame at less than half the rate
    padded = np.pad(samples, ((0, missing), (0, 0)))[:wanted]
    return sound.with_samples(padded, rate_hz=rate_hz, root_hz=root_hz)
