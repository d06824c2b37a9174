"""How loud a sound is: loudness, peak, true peak, and how long it holds.

Loudness is K-weighted as ITU-R BS.1770-4 says, at 48 kHz, where its filter is defined; other rates are resampled first.
The channels' powers add up, each with weight 1 (left and right). Levels of silence are -inf.
"""

from __future__ import annotations

import numpy as np
import soxr
from numpy.typing import NDArray

from kitfold.channels import sum_of_channels
from kitfold.measure.sections import K_WEIGHTING, filtered
from kitfold.sound import Sound
from kitfold.units import db_to_gain, gain_to_db, power_to_db

__all__ = [
    "HEARD_QUALITY",
    "K_RATE_HZ",
    "held_until_s",
    "integrated_lufs",
    "k_weighted",
    "loudest_lufs",
    "momentary_lufs",
    "peak_db",
    "true_peak_db",
]

Real = NDArray[np.float64]

HEARD_QUALITY = "HQ"
"""Of soxr, where a sound is measured or played, not stored: 20 bits, so what it adds lies 120 dB down; 24 take twice as
long."""
K_RATE_HZ = 48_000
"""The rate at which BS.1770-4 gives its filter's coefficients (tables 1 and 2)."""
_MOMENTARY_FRAMES = 19_200  # 400 ms (EBU Tech 3341, 2.2)
_HOP_FRAMES = 480  # 10 ms; Tech 3341 asks for 100 ms or less
_SHORT_FRAMES = 2_400  # 50 ms: two periods of 40 Hz, and shorter than any hold that matters
_LOUDNESS_OFFSET_DB = -0.691  # BS.1770-4, equation 2: makes the 997 Hz case -3.01
_BLOCK_STEP_FRAMES = 4_800  # blocks of 400 ms overlap by 75 % (BS.1770-4, equation 3)
_ABSOLUTE_GATE_LUFS, _RELATIVE_GATE = -70.0, 0.1  # BS.1770-4, equations 4 to 6: 10 LU are a tenth of the power
_OVERSAMPLING = 4  # BS.1770-4, annex 2
_CHUNK_FRAMES = 1 << 15  # short enough to stay near the processor; any other gives the same


def k_weighted(sound: Sound) -> Real:
    """Filter a sound as the ear weighs its frequencies.

    Returns
    -------
    ndarray, (frames at 48 kHz, channels): BS.1770's K-weighting
    """
    samples = sound.float64()
    if sound.rate_hz != K_RATE_HZ and len(samples):
        samples = soxr.resample(samples, sound.rate_hz, K_RATE_HZ, quality=HEARD_QUALITY)
    return filtered(samples, K_WEIGHTING)


def loudest_lufs(sound: Sound) -> float:
    """Measure the loudness of a sound's loudest 400 ms, so that a hit and a pad can be compared.

    Returns
    -------
    float, LUFS: the maximum of the momentary loudness over every start frame at 48 kHz. A sound shorter than 400 ms is
    padded with silence to 400 ms: half as long is 3 LU less. -inf for silence and for a sound without frames.
    """
    power = _sliding_power(_padded(k_weighted(sound)), _MOMENTARY_FRAMES)
    return _LOUDNESS_OFFSET_DB + power_to_db(float(power.max()))


def momentary_lufs(sound: Sound) -> Real:
    """Follow the loudness of a sound: one value every 10 ms, each of the 400 ms that start there.

    Returns
    -------
    ndarray, (steps,), LUFS: steps = 1 + (frames at 48 kHz - 19200) // 480; one for sounds of 400 ms or less, which are
    padded with silence
    """
    power = _sliding_power(_padded(k_weighted(sound)), _MOMENTARY_FRAMES)[::_HOP_FRAMES]
    with np.errstate(divide="ignore"):
        curve: Real = _LOUDNESS_OFFSET_DB + 10.0 * np.log10(power)
    return curve


def integrated_lufs(sound: Sound) -> float:
    """Measure the gated loudness of a whole sound, as for broadcasting.

    Returns
    -------
    float, LUFS (BS.1770-4, equations 3 to 7): of the 400 ms blocks that begin every 100 ms, and end within the sound,
    those count that are over -70 LUFS and no more than 10 LU under the mean of these. Sounds under 400 ms are padded
    with silence; -inf where nothing counts
    """
    power = _sliding_power(_padded(k_weighted(sound)), _MOMENTARY_FRAMES)[::_BLOCK_STEP_FRAMES]
    heard = power[power > _power_of_lufs(_ABSOLUTE_GATE_LUFS)]
    if not len(heard):
        return -np.inf
    return _LOUDNESS_OFFSET_DB + power_to_db(float(heard[heard > _RELATIVE_GATE * heard.mean()].mean()))


def peak_db(sound: Sound) -> float:
    """Measure the highest sample of a sound, in dBFS."""
    return gain_to_db(sound.peak())


def true_peak_db(sound: Sound) -> float:
    """Measure the highest point of the wave between the samples too: what a converter will meet.

    Returns
    -------
    float, dBTP: of the sound at four times its rate (soxr HQ) and of its samples (BS.1770-4, annex 2)
    """
    stream = soxr.ResampleStream(
        sound.rate_hz, _OVERSAMPLING * sound.rate_hz, sound.channels, dtype="float32", quality=HEARD_QUALITY
    )
    peak = sound.peak()
    for start in range(0, sound.frames, _CHUNK_FRAMES):
        chunk = np.ascontiguousarray(sound.samples[start : start + _CHUNK_FRAMES])
        between = stream.resample_chunk(chunk, last=start + _CHUNK_FRAMES >= sound.frames)
        peak = max(peak, float(np.max(between, initial=0.0)), -float(np.min(between, initial=0.0)))
    return gain_to_db(peak)


def held_until_s(sound: Sound, floor_db: float) -> float:
    """Say how long a sound holds: until it has fallen for good.

    Parameters
    ----------
    sound : Sound
    floor_db : float, dB under the sound's loudest 400 ms, < 0

    Returns
    -------
    float, seconds from the start: the middle of the last 50 ms that are not under the floor. K-weighted; at either end
    of the sound the window is as much of the 50 ms as there is, so that a sound which never falls holds for its length.
    0 for silence and for a sound without frames.
    """
    weighted = k_weighted(sound)
    loudest = float(_sliding_power(_padded(weighted), _MOMENTARY_FRAMES).max())
    if loudest <= 0.0:
        return 0.0
    above = np.flatnonzero(_centred_power(weighted, _SHORT_FRAMES) >= loudest * db_to_gain(floor_db) ** 2)
    return min(sound.seconds, (int(above[-1]) + 1) / K_RATE_HZ) if len(above) else 0.0


def _power_of_lufs(lufs: float) -> float:
    return db_to_gain(lufs - _LOUDNESS_OFFSET_DB) ** 2


def _padded(samples: Real) -> Real:
    return np.pad(samples, ((0, max(0, _MOMENTARY_FRAMES - len(samples))), (0, 0)))


def _running_energy(samples: Real) -> Real:
    """Return the energy of the first n frames, all channels together, for n = 0 to frames."""
    return np.concatenate([[0.0], np.cumsum(sum_of_channels(samples * samples))])


def _sliding_power(samples: Real, window_frames: int) -> Real:
    """Return the mean square of every window that lies inside: (frames - window_frames + 1,)."""
    total = _running_energy(samples)
    return (total[window_frames:] - total[:-window_frames]) / window_frames


def _centred_power(samples: Real, window_frames: int) -> Real:
    """Return the mean square around every frame, of as much of the window as there is: (frames,)."""
    total = _running_energy(samples)
    index = np.arange(len(samples))
    first = np.maximum(index - window_frames // 2, 0)
    last = np.minimum(index + window_frames // 2, len(samples))
    power: Real = (total[last] - total[first]) / np.maximum(last - first, 1)
    return power
