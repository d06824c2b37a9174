"""Voices: what a device plays of its slots, sample by sample.

A slot is read at its stored rate, faster or slower by the setting, onto the device's own output rate (the highest of
its rates), with linear interpolation between stored frames and no other filter: what is played up folds back, what is
played down keeps the images that a straight line leaves, as in simple players (common practice). A loop goes round
while the note lasts. One slot is one voice: struck again it is cut; where no voice is free the oldest note gives its
own. Whatever is cut falls to zero in `DECLICK_S`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from kitfold.sound import Audio, Sound
from kitfold.units import seconds_to_frames

__all__ = ["DECLICK_S", "Strike", "cut_short", "ends_of", "played_frames", "read_out", "voices_mix"]

DECLICK_S = 0.003
"""How fast a note that is cut falls silent: short enough to stay a cut, long enough not to click."""


@dataclass(frozen=True, eq=False)
class Strike:
    """One note as a device gets it.

    Parameters
    ----------
    slot : int, which slot; only one note of it sounds at a time
    sound : callable, gives what the slot holds, codes turned back into samples, with its loop; asked for when the note
        is played: a long song's sounds would fill the memory
    lasts : float, output frames that it sounds when nothing cuts it, see `played_frames`
    start : int, frame of the output
    stop : int or None, frame of the output at which the key goes up; None where that stops nothing
    step : float, > 0, stored frames per output frame
    gain : float
    """

    slot: int
    sound: Callable[[], Sound]
    lasts: float
    start: int
    stop: int | None
    step: float
    gain: float


def played_frames(frames: int, loops: bool, step: float) -> float:
    """Count the output frames that a slot of so many frames sounds when nothing cuts it; infinite where it loops."""
    return math.inf if loops else math.ceil(frames / step)


def read_out(sound: Sound, step: float, frames: int) -> Audio:
    """Read a slot with linear interpolation, every `step` stored frames.

    Parameters
    ----------
    sound : Sound
    step : float, > 0
    frames : int, >= 0, how many to return

    Returns
    -------
    float32 array, (frames, channels); behind the end of a sound without a loop there is silence
    """
    places = np.arange(frames) * step
    if sound.loop is not None:
        start, end = sound.loop
        places = np.where(places < end, places, start + np.mod(places - start, end - start))
    before = places.astype(np.int64)
    after = before + 1
    if sound.loop is not None:
        after = np.where(after >= end, start, after)
    part = (places - before).astype(np.float32)[:, np.newaxis]
    padded = np.pad(sound.samples, ((0, 1), (0, 0)))
    low, read = (padded.take(place, axis=0, mode="clip") for place in (before, after))
    read -= low
    read *= part
    read += low
    return read


def ends_of(strikes: Sequence[Strike], voices: int) -> list[float]:
    """Say when each note ends: by itself, by its key, by its slot being struck again, or because its voice is taken.

    Parameters
    ----------
    strikes : sequence of Strike, by start
    voices : int, > 0

    Returns
    -------
    list of float, frames of the output, one a strike; infinite for a loop that nothing ends
    """
    spans = []
    for strike in strikes:
        natural = strike.start + strike.lasts
        spans.append((strike.slot, strike.start, natural if strike.stop is None else min(natural, strike.stop)))
    return cut_short(spans, voices)


def cut_short(spans: Sequence[tuple[int, float, float]], voices: int) -> list[float]:
    """Say when notes end where one slot is one voice and the oldest note gives its own up.

    Parameters
    ----------
    spans : sequence of (slot, start, end), by start, in any unit of time: the end is where nothing cuts the note
    voices : int, > 0

    Returns
    -------
    list of float, one a note
    """
    ends: list[float] = []
    sounding: list[int] = []  # the oldest first
    for place, (slot, start, end) in enumerate(spans):
        sounding = [other for other in sounding if ends[other] > start]
        same = [other for other in sounding if spans[other][0] == slot]
        for other in same or (sounding[:1] if len(sounding) >= voices else []):
            ends[other] = start
            sounding.remove(other)
        ends.append(end)
        sounding.append(place)
    return ends


def voices_mix(strikes: Sequence[Strike], voices: int, frames: int, channels: int, rate_hz: int) -> Audio:
    """Play notes on a device and return its output.

    Parameters
    ----------
    strikes : sequence of Strike, by start
    voices : int, > 0
    frames, channels : int, of the output
    rate_hz : int, Hz, the output's rate

    Returns
    -------
    float32 array, (frames, channels)
    """
    mix = np.zeros((frames, channels), dtype=np.float32)
    declick = max(1, seconds_to_frames(DECLICK_S, rate_hz))
    for strike, end in zip(strikes, ends_of(strikes, voices), strict=True):
        cut = end < strike.start + strike.lasts
        length = int(min(end - strike.start + declick * cut, strike.lasts, frames - strike.start))
        heard = read_out(strike.sound(), strike.step, length)
        heard *= np.float32(strike.gain)
        if cut:
            heard *= _until(int(end) - strike.start, length, declick)
        mix[strike.start : strike.start + length] += heard
    return mix


def _until(end: int, frames: int, declick: int) -> Audio:
    """Return a gain that is 1 up to `end` and then falls in a straight line, (frames, 1)."""
    gain = np.clip(1.0 - (np.arange(frames) - end + 1) / declick, 0.0, 1.0)
    return gain.astype(np.float32)[:, np.newaxis]
