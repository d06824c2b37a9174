"""What a change to a sound costs the ear: one figure in dB for lost tails, lost highs, noise, loops and stretches.

The ear gets a pattern: the level over the threshold of hearing in each half ERB band, every 12 ms. A changed sound has
another pattern, and each place of the two is compared over its surroundings (60 ms by 2.5 ERB) as the Neurogram
Similarity Index Measure does (Hines and Harte, "Speech intelligibility prediction using a Neurogram Similarity Index
Measure", Speech Communication 54, 2012, after the structural similarity of Wang et al. 2004):

- intensity, (2 sqrt(a b) + c1) / (a + b + c1), a and b the mean levels in dB: how much less, or more, is heard;
- structure, (cov(a, b) + c3) / (std(a) std(b) + c3): whether rises and falls are still the same ones.

The error is 1 - intensity x structure, averaged over every place of the frames in which anything is heard: a share, and
0.01 is -20 dB. Patterns hold no phase, so a loop or a stretch is judged by what it sounds like, not by its waveform.
Errors of frames add up exactly, so a cut of a noisy store is no guess; other shares of one sound add up nearly.

Four figures were chosen on half of the sounds in tests/benchmarks/referee.py: c1, the surroundings' two widths, and the
level of full scale in `kitfold.measure.erb`; that script prints how the other half is judged. The rest is published.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import soxr
from numpy.typing import ArrayLike, NDArray

from kitfold.measure import erb
from kitfold.sound import Sound
from kitfold.units import db_to_gain, power_to_db

__all__ = [
    "FLOOR_DB",
    "Heard",
    "added_noise",
    "audible_error",
    "audible_error_db",
    "companded_power",
    "error_db",
    "hear",
    "lost_by_band",
    "lost_by_cuts",
    "quantised_power",
    "stored_errors",
]

Real = NDArray[np.floating[Any]]
Spectrum = NDArray[np.complex64]

FLOOR_DB = -120.0
"""The cost of no audible change."""
HOP_S = 0.012
_WINDOW_S = 2048 / 48_000  # its Hann bell is 21 ms wide at half height: the ear's own smoothing (Moore et al. 1988)
_PER_ERB = 2
_AROUND = 2  # hops and bands to each side: 60 ms by 2.5 ERB, by the same measurement
_INTENSITY_DB = 75.0  # c1, by measurement in tests/benchmarks/referee.py
_STRUCTURE_DB2 = (0.03 * 90.0) ** 2  # c3, Hines and Harte's (0.03 L)^2, for levels that span L = 90 dB
_KEPT_BAND = 0.957  # of half a rate: where soxr's VHQ, flat to 0.913 (its manual), has fallen half way
_NOISE_FRAMES = 150
_NOISE_SEED = 1990


@dataclass(frozen=True, eq=False)
class Heard:
    """What the ear gets of a sound.

    Parameters
    ----------
    spectra : complex64 array, (frames, channels, bins), of Hann windows every `HOP_S`, a full-scale sine's power being
        1/2 summed over its bins
    rate_hz : int, Hz, of the sound
    gain_db : float, dB, what playback adds
    """

    spectra: Spectrum
    rate_hz: int
    gain_db: float

    @property
    def bin_hz(self) -> float:
        """Distance between bins, Hz."""
        return self.rate_hz / _window_frames(self.rate_hz)

    @cached_property
    def powers(self) -> Real:
        """Mean square of each frame and band, all channels together: (frames, bands)."""
        return _gathered(np.square(self.spectra.real) + np.square(self.spectra.imag), self.bin_hz)

    @cached_property
    def levels_db(self) -> Real:
        """Levels over the threshold of hearing, 0 where nothing is heard: (frames, bands), dB."""
        return _levels_db(self.powers)

    @cached_property
    def around(self) -> tuple[Real, Real, Real]:
        """Mean, deviation from it, and variance of the levels in the surroundings of each place."""
        return _around(self.levels_db)

    @cached_property
    def if_silent(self) -> Real:
        """Error of each frame if nothing of it were left: (frames,). Silence has no structure, so intensity alone."""
        return np.asarray((1.0 - _intensity(self.around[0], np.float32(0.0))).mean(axis=1))

    @cached_property
    def noise(self) -> tuple[Real, Real]:
        """Band powers of white noise of power 1, and what they add where they meet this sound: both (frames, bands)."""
        unit = _unit_noise(self.rate_hz)
        rows = np.arange(len(self.spectra))[:, None] + 37 * np.arange(self.spectra.shape[1])[None, :]
        noise = unit[rows % len(unit)]
        met = 2.0 * (self.spectra.real * noise.real + self.spectra.imag * noise.imag)
        return _gathered(np.square(noise.real) + np.square(noise.imag), self.bin_hz), _gathered(met, self.bin_hz, True)


def hear(sound: Sound, gain_db: float = 0.0) -> Heard:
    """Listen to a sound once; everything that may be done to it is then weighed against that.

    Parameters
    ----------
    sound : Sound
    gain_db : float, dB, what playback adds; a kit stores its sounds hot and balances them by the device's levels, so a
        sound is best heard with its peak at full scale, and its changed versions with the same gain

    Returns
    -------
    Heard, ceil(seconds / 12 ms) frames; none for a sound without frames
    """
    from scipy.fft import rfft

    rate_hz, window = sound.rate_hz, _window_frames(sound.rate_hz)
    count = math.ceil(sound.seconds / HOP_S)
    starts = np.rint((np.arange(count) + 0.5) * (HOP_S * rate_hz)).astype(np.int64)
    samples = sound.samples * np.float32(db_to_gain(gain_db))
    padded = np.pad(samples, ((window // 2, window + int(HOP_S * rate_hz)), (0, 0)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, window, axis=0)[starts]
    bell = _bell(window)
    spectra = rfft(frames * bell, axis=2)
    return Heard(np.asarray(spectra, dtype=np.complex64), rate_hz, gain_db)


def audible_error_db(reference: Heard, changed: Heard | Sound) -> float:
    """Say how much of a sound the ear misses, or gets wrong, in a changed version: the cost of the change in dB.

    Parameters
    ----------
    reference : Heard
    changed : Heard or Sound, any rate, channels and length
        A Sound is heard with the reference's gain and, so that both have the same frames, at its rate; a shorter one is
        followed by silence.

    Returns
    -------
    float, dB, `FLOOR_DB` to 0: ten times less error is 10 dB less
    """
    return error_db(audible_error(reference, changed))


def audible_error(reference: Heard, changed: Heard | Sound) -> float:
    """Return the error that `audible_error_db` gives in dB as a share, 0 to 1."""
    other = changed if isinstance(changed, Heard) else hear(_at_rate(changed, reference.rate_hz), reference.gain_db)
    count = max(len(reference.levels_db), len(other.levels_db))
    if len(reference.levels_db) == count:
        errors = _errors(reference.around, _longer(other.levels_db, count))
    else:
        errors = _errors(_around(_longer(reference.levels_db, count)), other.levels_db)
    heard = _heard_frames(reference, other.levels_db)
    return float(errors.sum()) / heard if heard else 0.0


def error_db(*shares: float) -> float:
    """Add shares of one sound and return their sum in dB, not under `FLOOR_DB`."""
    return max(FLOOR_DB, power_to_db(sum(shares)))


def lost_by_cuts(heard: Heard, kept_s: ArrayLike, fade_s: ArrayLike = 0.0, stored: Real | None = None) -> Real:
    """Say what cutting a tail costs, for many lengths at once.

    Parameters
    ----------
    heard : Heard
    kept_s : array_like, (lengths,), seconds, >= 0
    fade_s : array_like, (lengths,) or one for all, seconds of raised cosine inside `kept_s`
    stored : float array, (frames,), errors that what is kept suffers anyway, by `stored_errors`; none if not given

    Returns
    -------
    ndarray, (lengths,), shares, with `stored`'s included
    """
    kept, fade = np.broadcast_arrays(np.asarray(kept_s, dtype=np.float64), np.asarray(fade_s, dtype=np.float64))
    count, before = len(heard.levels_db), np.zeros(len(heard.levels_db)) if stored is None else stored
    heard_frames = _heard_frames(heard)
    if not heard_frames:
        return np.zeros(kept.shape)
    ends = np.clip(kept / HOP_S, 0, count)
    silent = np.concatenate([[0.0], np.cumsum(heard.if_silent, dtype=np.float64)])
    suffered = np.concatenate([[0.0], np.cumsum(before, dtype=np.float64)])
    at = np.arange(count + 1)
    lost = silent[-1] - np.interp(ends, at, silent) + np.interp(ends, at, suffered)
    lost += [_lost_by_fade(heard, end, length / HOP_S) for end, length in zip(ends, fade, strict=True)]
    return np.asarray(lost / heard_frames)


def lost_by_band(heard: Heard, top_hz: float) -> float:
    """Say what it costs to lose everything above a frequency, as a share: half the rate at which a sound is stored."""
    return _share(heard, stored_errors(heard, top_hz))


def added_noise(heard: Heard, noise_power: float | Real, top_hz: float | None = None) -> float:
    """Say what it costs to add noise, as a share.

    Parameters
    ----------
    heard : Heard
    noise_power : float, or (frames,) array, mean square of each channel's noise, full scale 1.0: `quantised_power`,
        `companded_power`; playback's gain is added here
    top_hz : float or None, Hz: the noise is white up to there; None: up to half the sound's own rate
    """
    return _share(heard, stored_errors(heard, None, noise_power, top_hz))


def stored_errors(
    heard: Heard, top_hz: float | None, noise_power: float | Real = 0.0, noise_top_hz: float | None = None
) -> Real:
    """Return the error of each frame for one way of storing a sound: its band cut and noise added.

    Parameters
    ----------
    heard : Heard
    top_hz : float or None, Hz, half the rate at which the sound is stored; None: its own
    noise_power, noise_top_hz : see `added_noise`; the noise ends at `top_hz` if nothing else is given
        A sound that a device stores an octave up at its rate, to play it an octave down, has both at a quarter of it.

    Returns
    -------
    ndarray, (frames,): mean over bands. Its sum over the audible frames' count is a share; `lost_by_cuts` takes it.
    """
    nyquist_hz = heard.rate_hz / 2
    powers = heard.powers if top_hz is None else heard.powers * _passed(_KEPT_BAND * top_hz)
    if np.any(np.asarray(noise_power) > 0.0):
        end_hz = min(noise_top_hz or top_hz or nyquist_hz, nyquist_hz)
        density = np.asarray(noise_power, dtype=np.float32) * np.float32(
            nyquist_hz / end_hz * db_to_gain(heard.gain_db) ** 2
        )
        density = np.broadcast_to(density, (len(powers),))[:, None]
        white, met = heard.noise
        kept = _passed(end_hz)
        powers = np.maximum(powers + kept * (density * white + np.sqrt(density) * met), 0.0)
    return np.asarray(_errors(heard.around, _levels_db(powers)))


def quantised_power(bits: int, dither: bool) -> float:
    """Return the power of the noise of equal steps: step^2 / 12, or step^2 / 4 with triangular dither.

    Source: Lipshitz, Wannamaker and Vanderkooy, J. Audio Eng. Soc. 40(5), 1992. Without dither it holds only while the
    sound is many steps high; of a sound that dies away into the last steps, render it and ask `audible_error_db`.
    """
    return float(4.0 ** (1 - bits) / (4.0 if dither else 12.0))


def companded_power(heard: Heard, law: str = "mu-law") -> Real:
    """Return the power of the noise of companded codes in each frame, full scale 1.0, before playback's gain.

    A step at x is (1 + 255 |x|) ln 256 / (255 x 128) wide for mu-law and max(|x|, 1/87.6) (1 + ln 87.6) / 128 for A-law
    (ITU-T G.711, its continuous laws); the noise is a twelfth of the mean of its square, x being normally distributed.
    """
    channels = heard.spectra.shape[1]
    power = heard.powers.sum(axis=1) / (channels * db_to_gain(heard.gain_db) ** 2)
    if law == "mu-law":
        mean_square = 1.0 + 510.0 * np.sqrt(2.0 / np.pi * power) + 255.0**2 * power
        return np.asarray((math.log(256.0) / (255.0 * 128.0)) ** 2 / 12.0 * mean_square)
    return np.asarray(((1.0 + math.log(87.6)) / 128.0) ** 2 / 12.0 * np.maximum(power, 87.6**-2))


def _at_rate(sound: Sound, rate_hz: int) -> Sound:
    if sound.rate_hz == rate_hz or not sound.frames:
        return sound
    samples = soxr.resample(sound.samples, sound.rate_hz, rate_hz, quality="VHQ")
    return Sound(samples, rate_hz)


def _window_frames(rate_hz: int) -> int:
    return max(16, 2 * round(_WINDOW_S * rate_hz / 2))


def _share(heard: Heard, errors: Real) -> float:
    frames = _heard_frames(heard)
    return float(errors.sum()) / frames if frames else 0.0


def _heard_frames(heard: Heard, other_db: Real | None = None) -> int:
    """Count the frames in which anything is heard, of either sound; quiet at the end must not dilute an error."""
    loudest = heard.levels_db.max(axis=1)
    if other_db is not None:
        count = max(len(loudest), len(other_db))
        other = other_db.max(axis=1)
        loudest = np.maximum(np.pad(loudest, (0, count - len(loudest))), np.pad(other, (0, count - len(other))))
    return int(np.count_nonzero(loudest))


def _lost_by_fade(heard: Heard, end: float, length: float) -> float:
    """Return the sum of errors over a fade that ends at a frame, by intensity alone: a fade keeps rises and falls."""
    first, last = max(0, math.floor(end - length)), math.ceil(end)
    if length <= 0 or last <= first:
        return 0.0
    centres = np.arange(first, last) + 0.5
    gain = np.clip(0.5 + 0.5 * np.cos(np.pi * np.clip((centres - end + length) / length, 0.0, 1.0)), 1e-6, 1.0)
    mean_db = heard.around[0][first:last]
    left_db = np.maximum(mean_db + 20.0 * np.log10(gain)[:, None], 0.0)
    return float((1.0 - _intensity(mean_db, left_db)).mean(axis=1).sum())


def _errors(reference: tuple[Real, Real, Real], levels_db: Real) -> Real:
    """Compare two patterns: the mean over bands of 1 - intensity x structure, (frames,)."""
    mean, deviation, variance = reference
    other_mean, other_deviation, other_variance = _around(levels_db)
    covariance = _smooth(deviation * other_deviation)
    structure = (covariance + _STRUCTURE_DB2) / (np.sqrt(variance * other_variance) + _STRUCTURE_DB2)
    same = _intensity(mean, other_mean) * np.clip(structure, 0.0, 1.0)
    return np.asarray(1.0 - same.mean(axis=1, dtype=np.float64))


def _intensity(one_db: Real, other_db: Real | np.float32) -> Real:
    return np.asarray((2.0 * np.sqrt(one_db * other_db) + _INTENSITY_DB) / (one_db + other_db + _INTENSITY_DB))


def _around(levels_db: Real) -> tuple[Real, Real, Real]:
    mean = _smooth(levels_db)
    deviation = levels_db - mean
    return mean, deviation, _smooth(deviation * deviation)


def _smooth(values: Real) -> Real:
    """Average over the surroundings of each place; at the edges the outermost places count again."""
    if not len(values):
        return values
    width = 2 * _AROUND + 1
    for axis in (0, 1):
        padded = np.pad(values, [(_AROUND, _AROUND) if axis == own else (0, 0) for own in (0, 1)], mode="edge")
        count = values.shape[axis]
        parts = (padded[n : n + count] if axis == 0 else padded[:, n : n + count] for n in range(width))
        values = np.asarray(sum(parts) / np.float32(width))
    return values


def _levels_db(powers: Real) -> Real:
    over = 1.0 + erb.excitation(powers, _PER_ERB) * _over_threshold()
    return np.asarray(10.0 * np.log10(over), dtype=np.float32)


def _longer(levels_db: Real, count: int) -> Real:
    return np.pad(levels_db, ((0, count - len(levels_db)), (0, 0)))


def _gathered(bin_powers: Real, bin_hz: float, signed: bool = False) -> Real:
    """Add the channels and gather bins into bands, float32."""
    bands = erb.band_powers(bin_powers.sum(axis=1), bin_hz, _PER_ERB, signed)
    return np.asarray(bands, dtype=np.float32)


@lru_cache(maxsize=1)
def _over_threshold() -> Real:
    """Return what turns a band's mean square into power over the threshold of hearing; a full-scale sine has 1/2."""
    level_db = erb.FULL_SCALE_SPL_DB - erb.threshold_spl_db(erb.band_centres_hz(_PER_ERB))
    return np.asarray(2.0 * 10.0 ** (level_db / 10.0))


def _passed(top_hz: float) -> Real:
    """Return the share of each band that lies under a frequency: (bands,)."""
    edges = erb.band_edges_hz(_PER_ERB)
    return np.asarray(np.clip((top_hz - edges[:-1]) / np.diff(edges), 0.0, 1.0), dtype=np.float32)


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
    return hear(Sound(noise, rate_hz)).spectra[8:-8, 0]
