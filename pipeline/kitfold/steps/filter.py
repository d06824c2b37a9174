"""The step `filter`: high- and low-pass."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kitfold.errors import StepError
from kitfold.measure.sections import filtered
from kitfold.plan.settings import Filter
from kitfold.sound import Sound
from kitfold.steps.butterworth import butterworth
from kitfold.steps.loop_moved import second_round

__all__ = ["filter"]


def filter(sound: Sound, settings: Filter) -> Sound:  # noqa: A001 - the step's name, from the table of steps
    """Take away what lies under or over a corner, without moving the attack.

    Butterworth (S. Butterworth, Experimental Wireless 7, 1930): flat in the passband, -3.01 dB at the corner, then
    6 dB per octave and order. Minimal phase, so nothing sounds before the attack.

    Parameters
    ----------
    sound : Sound, any length and channels; silence stays silence
    settings : Filter

    Returns
    -------
    Sound : (frames, channels); a loop stays seamless. A low-pass at or over half the rate leaves it as it is, and says
        so

    Raises
    ------
    StepError : for a high-pass at or over half the rate: nothing would be left
    """
    nyquist_hz = sound.rate_hz / 2
    samples = _played(sound).float64()
    said: tuple[str, ...] = ()
    if settings.highpass_hz is not None:
        if settings.highpass_hz >= nyquist_hz:
            raise StepError(
                f"must lie below {nyquist_hz:g} Hz, half this sound's rate (got {settings.highpass_hz:g})",
                where="filter.highpass_hz",
                hint="nothing would be left of the sound; lower it or leave it out",
            )
        samples = _butterworth(samples, settings.highpass_hz, "highpass", settings.slope_db, sound.rate_hz)
    if settings.lowpass_hz is not None:
        if settings.lowpass_hz < nyquist_hz:
            samples = _butterworth(samples, settings.lowpass_hz, "lowpass", settings.slope_db, sound.rate_hz)
        else:
            said = (
                f"the low-pass at {settings.lowpass_hz:g} Hz does nothing: "
                f"this sound has nothing over {nyquist_hz:g} Hz.",
            )
    if sound.loop is not None:
        return sound.with_samples(second_round(samples, sound.loop), loop=sound.loop).telling(*said)
    return sound.with_samples(samples).telling(*said)


def _played(sound: Sound) -> Sound:
    """Return a looped sound played twice round, so that what the first round leaves rings into the second."""
    if sound.loop is None:
        return sound
    start, end = sound.loop
    return sound.sustained(2 * end - start)


def _butterworth(
    samples: NDArray[np.float64], corner_hz: float, kind: Literal["highpass", "lowpass"], slope_db: int, rate_hz: int
) -> NDArray[np.float64]:
    return filtered(samples, butterworth(slope_db // 6, corner_hz, kind, rate_hz))
