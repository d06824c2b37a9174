"""What the ear gets of a sound: its level over the threshold of hearing in each half ERB band, every 12 ms.

A pattern holds no phase. Bands, spreading and threshold are those of `kitfold.measure.erb`. A frame's Hann bell weighs
power as a rectangle of 16 ms would; the ear's own window is 8 to 13 ms (Moore, Glasberg, Plack and Biswas, "The shape
of the ear's temporal window", J. Acoust. Soc. Am. 83, 1988, from memory), too short to tell low bands apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from kitfold.measure import erb
from kitfold.measure.level import HEARD_QUALITY
from kitfold.sound import Sound
from kitfold.units import db_to_gain

__all__ = ["HOP_S", "PER_ERB", "Heard", "at_rate", "hear", "levels_db", "smooth", "surroundings"]

Real = NDArray[np.floating[Any]]
Spectrum = NDArray[np.complex64]

HOP_S = 0.012
PER_ERB = 2
_WINDOW_S = 2048 / 48_000
_AROUND = (3, 2)  # hops, bands to each side: 84 ms by 2.5 ERB, by measurement in tests/benchmarks/referee.py
_NOISE_FRAMES = 150
_NOISE_SEED = 1990


@dataclass(frozen=True, eq=False)
class Heard:
    """What the ear gets of a sound.

    Parameters
    ----------
    sound : Sound, as it is stored
    gain_db : float, dB, what playback adds
    """

    sound: Sound
    gain_db: float = 0.0

    @property
    def rate_hz(self) -> int:
        """The sound's rate, Hz."""
        return self.sound.rate_hz

    @cached_property
    def powers(self) -> Real:
        """Mean square of each frame and band, all channels together: (frames, bands); a full-scale sine has 1/2."""
        spectra = _spectra(self.sound, self.gain_db)
        return _gathered(np.square(spectra.real) + np.square(spectra.imag), self.rate_hz)

    @cached_property
    def levels_db(self) -> Real:
        """Levels over the threshold of hearing, 0 where nothing is heard: (frames, bands), dB."""
        return levels_db(self.powers)

    @cached_property
    def around(self) -> tuple[Real, Real, Real]:
        """Mean, deviation from it, and variance of the levels in the surroundings of each place."""
        return surroundings(self.levels_db)

    @cached_property
    def noise(self) -> tuple[Real, Real]:
        """Band powers of white noise of power 1, and what they add where they meet this sound: both (frames, bands)."""
        unit, spectra = _unit_noise(self.rate_hz), _spectra(self.sound, self.gain_db)
        rows = (
            np.arange(spectra.shape[0])[:, None] + 37 * np.arange(spectra.shape[1])[None, :]
        )  # other noise per channel
        noise = unit[rows % len(unit)]
        met = 2.0 * (spectra.real * noise.real + spectra.imag * noise.imag)
        return (
            _gathered(np.square(noise.real) + np.square(noise.imag), self.rate_hz),
            _gathered(met, self.rate_hz, signed=True),
        )


def hear(sound: Sound, gain_db: float = 0.0) -> Heard:
    """Listen to a sound once; everything that may be done to it is then weighed against that.

    Parameters
    ----------
    sound : Sound
    gain_db : float, dB, what playback adds; a kit stores its sounds hot and balances them by the device's levels, so a
        sound is best heard with its peak at full scale, and its changed versions with the same gain

    Returns
    -------
    Heard : patterns of ceil(seconds / 12 ms) frames; none for a sound without frames
    """
    heard = Heard(sound, gain_db)
    heard.around  # noqa: B018  all that a comparison needs is worked out now, so that later questions are quick
    return heard


def at_rate(sound: Sound, rate_hz: int) -> Sound:
    """Return a sound at another rate, to be heard in the same frames as a sound of that rate."""
    if sound.rate_hz == rate_hz or not sound.frames:
        return sound
    samples = soxr.resample(sound.samples, sound.rate_hz, rate_hz, quality=HEARD_QUALITY)
    return Sound(samples, rate_hz)


def _spectra(sound: Sound, gain_db: float) -> Spectrum:
    """Return the spectra of the bells around the middle of each hop: (frames, channels, bins)."""
    from kitfold.measure.compiled import rfft

    hop_frames, window = HOP_S * sound.rate_hz, _window_frames(sound.rate_hz)
    starts = np.rint((np.arange(math.ceil(sound.seconds / HOP_S)) + 0.5) * hop_frames).astype(np.int64)
    samples = sound.samples * np.float32(db_to_gain(gain_db))
    padded = np.pad(samples, ((window // 2, window + int(hop_frames)), (0, 0)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, window, axis=0)[starts]
    return np.asarray(rfft(frames * _bell(window), axis=2), dtype=np.complex64)


def _window_frames(rate_hz: int) -> int:
    return max(16, 2 * round(_WINDOW_S * rate_hz / 2))


def surroundings(pattern_db: Real) -> tuple[Real, Real, Real]:
    """Return the mean around each place, each place's deviation from that, and the mean of its square."""
    mean = smooth(pattern_db)
    deviation = pattern_db - mean
    return mean, deviation, smooth(deviation * deviation)


def smooth(values: Real) -> Real:
    """Average over the surroundings of each place; at the edges the outermost places count again."""
    if not len(values):
        return values
    for axis, reach in enumerate(_AROUND):
        width, count = 2 * reach + 1, values.shape[axis]
        padded = np.pad(values, [(reach, reach) if axis == own else (0, 0) for own in (0, 1)], mode="edge")
        parts = (padded[n : n + count] if axis == 0 else padded[:, n : n + count] for n in range(width))
        values = np.asarray(sum(parts) / np.float32(width))
    return values


def levels_db(powers: Real) -> Real:
    """Turn band powers, (frames, bands), into levels over the threshold of hearing, dB, 0 where nothing is heard."""
    over = 1.0 + erb.excitation(powers, PER_ERB) * _over_threshold()
    return np.asarray(10.0 * np.log10(over), dtype=np.float32)


def _gathered(bin_powers: Real, rate_hz: int, signed: bool = False) -> Real:
    """Add the channels and gather bins into bands, float32."""
    bands = erb.band_powers(bin_powers.sum(axis=1), rate_hz / _window_frames(rate_hz), PER_ERB, signed)
    return np.asarray(bands, dtype=np.float32)


@lru_cache(maxsize=1)
def _over_threshold() -> Real:
    """Return what turns a band's mean square into power over the threshold of hearing; a full-scale sine has 1/2."""
    level_db = erb.FULL_SCALE_SPL_DB - erb.threshold_spl_db(erb.band_centres_hz(PER_ERB))
    return np.asarray(2.0 * 10.0 ** (level_db / 10.0))


@lru_cache(maxsize=8)
def _bell(window: int) -> NDArray[np.float32]:
    """Return a Hann window, scaled so that the squares of one half of a spectrum add up to the mean square."""
    bell = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(window) / window)
    return np.asarray(bell * np.sqrt(2.0 / (window * np.sum(bell**2))), dtype=np.float32)


@lru_cache(maxsize=8)
def _unit_noise(rate_hz: int) -> Spectrum:
    """Return spectra of white noise of power 1 as `hear` makes them, always the same: (frames, bins)."""
    generator = np.random.Generator(np.random.PCG64(_NOISE_SEED))
    noise = generator.standard_normal(int(_NOISE_FRAMES * HOP_S * rate_hz))
    return _spectra(Sound(noise, rate_hz), 0.0)[8:-8, 0]  # none that reaches over an end
