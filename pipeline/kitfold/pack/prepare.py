"""From a master to what could be stored: in the device's channels and rate, and what a shorter tail would lose."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.level import K_RATE_HZ, k_weighted
from kitfold.pack.convert import resample
from kitfold.plan.device import Device
from kitfold.plan.settings import Fold
from kitfold.sound import Sound
from kitfold.steps.fold import fold
from kitfold.steps.shapes import fall
from kitfold.steps.shift import keep_length
from kitfold.units import semitones_to_ratio

__all__ = ["BLOCK_S", "copied", "cut", "fade_frames", "folded", "heard_loss", "widened"]

BLOCK_S = 0.01
"""Tails are weighed in steps of this."""
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


def copied(sound: Sound, semitones: int) -> Sound:
    """Return a transposition that keeps its length; 0 semitones is the sound itself."""
    return keep_length(sound, semitones_to_ratio(semitones)) if semitones else sound


def fade_frames(frames: int, rate_hz: int) -> int:
    """Return the length of the fade at a cut: 150 ms, on short sounds a quarter of their length."""
    return min(int(_FADE_S * rate_hz), int(frames * _FADE_SHARE))


def cut(sound: Sound, frames: int, rate_hz: int) -> Sound:
    """Return the sound at the device's rate, cut to `frames`; a cut fades to exact zero, by a raised cosine."""
    stored = resample(sound, rate_hz)
    if frames >= stored.frames:
        return stored
    samples = stored.samples[:frames].copy()
    fade = fade_frames(frames, rate_hz)
    samples[frames - fade :] *= fall(fade)[:, np.newaxis].astype(np.float32)
    return stored.with_samples(samples)


def heard_loss(sound: Sound, block_frames: int) -> NDArray[np.float64]:
    """Say what share of the heard energy is lost when the tail is cut, block by block.

    Parameters
    ----------
    sound : Sound
    block_frames : int, frames at the sound's rate

    Returns
    -------
    ndarray, (blocks + 1,): entry k is the K-weighted energy behind k blocks over all of it; falls from 1 to 0
    """
    blocks = -(-sound.frames // block_frames)
    energy = np.square(k_weighted(sound)).sum(axis=1)
    kept = np.concatenate(([0.0], np.cumsum(energy)))
    at = np.minimum(np.arange(blocks + 1) * (block_frames * K_RATE_HZ / sound.rate_hz), len(energy))
    total = kept[-1]
    lost = 1.0 - np.interp(at, np.arange(len(kept)), kept) / total if total > 0 else np.zeros(blocks + 1)
    lost[-1] = 0.0
    return lost
