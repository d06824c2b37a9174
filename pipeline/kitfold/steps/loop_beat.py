"""What the beating of a fifth means for a loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.held import held_frames
from kitfold.measure.layers import layer_db
from kitfold.measure.pitch import long_spectrum
from kitfold.sound import Sound
from kitfold.units import semitones_to_ratio

__all__ = ["beat_said", "fifth_beat_hz"]

Real = NDArray[np.float64]

_HEARD_DB = -30.0  # a fifth under this doesn't beat audibly
_CENTS = 30.0
_SLOWEST_HZ, _FASTEST_HZ = 0.05, 12.0
_WHOLE = 0.1  # of a beat: as near as this to a whole number is whole


def fifth_beat_hz(sound: Sound, root_hz: float) -> float | None:
    """Measure how often a sound's fifth beats against its root: the root's third partial against the fifth's second.

    Returns
    -------
    float, Hz: 0.50 for D3 with the equal-tempered A3 (3 x 146.83 - 2 x 220.00); None where there is no fifth, or where
    it is just
    """
    if layer_db(sound, root_hz, 1.5) < _HEARD_DB:
        return None
    samples = sound.float64()
    power, bin_hz, _ = long_spectrum(samples, sound.rate_hz, *held_frames(samples, sound.rate_hz, -30.0))
    beat_hz = abs(
        3.0 * _line_hz(power, bin_hz, root_hz) - 2.0 * _line_hz(power, bin_hz, root_hz * semitones_to_ratio(7))
    )
    return beat_hz if _SLOWEST_HZ <= beat_hz <= _FASTEST_HZ else None


def beat_said(sound: Sound, root_hz: float | None, loop_s: float) -> tuple[str, ...]:
    """Say what a beating fifth asks of a loop, and what would be shorter; nothing where none beats."""
    beat_hz = None if root_hz is None else fifth_beat_hz(sound, root_hz)
    if beat_hz is None:
        return ()
    beats = loop_s * beat_hz
    just = 'just fifths (stack.temperament = "just") do not beat and could loop shorter'
    if beats > 0.5 and abs(beats - round(beats)) <= _WHOLE:
        many = f"{round(beats)} whole beat{'s' if round(beats) > 1 else ''}"
        return (f"its fifth beats {beat_hz:.2f} times a second: the loop of {loop_s:.2f} s holds {many}; {just}.",)
    return (
        f"its fifth beats {beat_hz:.2f} times a second, and the loop of {loop_s:.2f} s holds {beats:.2f} beats: "
        f"loop.length_s = {max(1, round(beats)) / beat_hz:.2f} would hold them whole; {just}.",
    )


def _line_hz(power: Real, bin_hz: float, near_hz: float) -> float:
    """Return the power centroid of the line near a frequency."""
    reach = 2.0 ** (_CENTS / 1200.0)
    first, last = int(near_hz / reach / bin_hz), int(near_hz * reach / bin_hz) + 2
    part = power[first:last]
    return float(np.sum(part * np.arange(first, first + len(part))) / max(float(part.sum()), 1e-300)) * bin_hz
