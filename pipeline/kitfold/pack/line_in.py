"""Line in: what a device that records its slots is sent, and what it then stores.

The take carries a slot's sound with all that the device cannot store already left out, so that an input with a weak
filter folds nothing back; at a rate that every player has; in 24 bits. The slot is made from exactly that, so it is
what the device will hold if its input is ideal, and the take cut at its cues can be turned into the slots bit for bit.
"""

from __future__ import annotations

import numpy as np

from kitfold.pack.convert import resample
from kitfold.plan.device import Device
from kitfold.sound import Sound
from kitfold.units import seconds_to_frames

__all__ = ["TAKE_BITS", "recorded", "sent", "take_rate_hz"]

TAKE_BITS = 24
_TAKE_RATES_HZ = (48_000, 96_000, 192_000)  # what players and converters offer everywhere (common practice)
_ROUND_AGAIN_S = 0.05
"""How far a looped sound runs on behind its loop's end, so that the end is recorded as it goes round."""


def take_rate_hz(device: Device) -> int:
    """Return the take's rate: 48 kHz, or the next that is no lower than the device's own."""
    return next(rate for rate in _TAKE_RATES_HZ if rate >= device.top_rate_hz)


def sent(loud: Sound, device: Device) -> Sound:
    """Return what the line input should hear of a slot.

    Parameters
    ----------
    loud : Sound, at the slot's rate and gain, before it is quantised
    device : Device

    Returns
    -------
    Sound, at `take_rate_hz`, every sample a whole number of 24-bit steps; as long as the slot, with a loop 50 ms longer
    """
    more = seconds_to_frames(_ROUND_AGAIN_S, loud.rate_hz) if loud.loop else 0
    played = resample(loud.sustained(loud.frames + more), take_rate_hz(device))
    half = 1 << (TAKE_BITS - 1)
    steps = np.clip(np.rint(played.float64() * half), -half, half - 1)
    return played.with_samples(steps / half)


def recorded(take: Sound, like: Sound) -> Sound:
    """Return what an ideal input makes of what it is sent, before the device quantises it.

    Parameters
    ----------
    take : Sound, as `sent` returns it or as it is cut from the take
    like : Sound, what was sent: its rate, its length and its loop are what is recorded
    """
    heard = resample(take, like.rate_hz)
    return like.with_samples(heard.samples[: like.frames])
