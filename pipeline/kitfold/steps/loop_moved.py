"""Looped sounds on their way: to another rate or speed, and through what rings on, with the loop still seamless.

A loop's ends lie on whole frames. So the sound is played twice round and more, treated as a whole, and the second round
becomes the loop: in it the sound before every place is what will be before it when it goes round.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import soxr
from numpy.typing import NDArray

from kitfold.sound import Sound

__all__ = ["loop_at_rate", "loop_at_speed", "second_round", "whole_rounds"]

MOST_CENTS = 1.0
"""How far a loop's pitch may move so that its length becomes a whole number of frames. 866 frames and more never need
more: half a frame of them is a cent."""
_MOST_ROUNDS = 64
_MARGIN_FRAMES = 2048  # at the slower of both rates: longer than the resampler looks ahead


def loop_at_rate(sound: Sound, rate_hz: int, speed: float = 1.0) -> Sound:
    """Bring a looped sound to another rate; the loop stays seamless and in tune within a cent.

    Parameters
    ----------
    sound : Sound, with or without a loop; without, this is plain resampling
    rate_hz : int, Hz, > 0
    speed : float, > 0: read so many times as fast, every frequency times it

    Returns
    -------
    Sound, at `rate_hz`: a loop of a whole number of frames, which the sound ends with; its start is rounded up. All of
    the sound moves by the same part of a cent. A loop too short for that holds several rounds. What lay behind the
    loop's end is cut. Where rate and speed together ask for no resampling the samples stay as they are.
    """
    if rate_hz == speed * sound.rate_hz:
        return sound if speed == 1.0 else replace(sound, rate_hz=rate_hz)
    return _stretched(sound, rate_hz / (speed * sound.rate_hz), rate_hz)


def loop_at_speed(sound: Sound, ratio: float) -> Sound:
    """Play a looped sound faster or slower, every frequency times `ratio`; the loop stays seamless.

    Returns
    -------
    Sound, as `loop_at_rate` makes it; a known root moves along
    """
    moved = _stretched(sound, 1.0 / ratio, sound.rate_hz)
    return moved if sound.root_hz is None else moved.with_samples(moved.samples, root_hz=sound.root_hz * ratio)


def second_round(samples: NDArray[np.float64], loop: tuple[int, int]) -> NDArray[np.float64]:
    """Return a sound whose loop is the second round of one that was played twice round.

    Parameters
    ----------
    samples : ndarray, (at least end + one round, channels)
    loop : (start, end), frames

    Returns
    -------
    ndarray, (end, channels)
    """
    start, end = loop
    return np.concatenate([samples[:start], samples[end : 2 * end - start]])


def whole_rounds(frames: int, stretch: float) -> tuple[int, int]:
    """Say how many rounds of a loop come to a whole number of frames, within a cent, when it is stretched.

    Parameters
    ----------
    frames : int, > 0, one round
    stretch : float, > 0

    Returns
    -------
    (rounds, frames) : the fewest rounds, and their length afterwards; the nearest of 64 where none comes so close
    """
    options = [(rounds, max(1, round(rounds * frames * stretch))) for rounds in range(1, _MOST_ROUNDS + 1)]
    misses = [abs(1200.0 * math.log2(whole / (rounds * frames * stretch))) for rounds, whole in options]
    near = next((place for place, miss in enumerate(misses) if miss <= MOST_CENTS), misses.index(min(misses)))
    return options[near]


def _stretched(sound: Sound, stretch: float, rate_hz: int) -> Sound:
    if sound.loop is None:
        samples = soxr.resample(sound.samples, 1.0, stretch, quality="VHQ")
        return sound.with_samples(samples, rate_hz=rate_hz)
    start, end = sound.loop
    rounds, whole = whole_rounds(end - start, stretch)
    length = rounds * (end - start)
    margin = math.ceil(_MARGIN_FRAMES * max(1.0, length / whole))
    played = sound.sustained(start + 2 * length + margin)
    samples = soxr.resample(played.float64(), length, whole, quality="VHQ")
    begin = -(-start * whole // length)
    loop = (begin, begin + whole)
    return sound.with_samples(second_round(samples, loop), rate_hz=rate_hz, loop=loop)
