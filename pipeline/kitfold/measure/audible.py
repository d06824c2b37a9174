"""What a change to a sound costs the ear: one figure in dB for lost tails, lost highs, noise, loops and stretches.

The ear gets a pattern: the level over the threshold of hearing in each half ERB band, every 12 ms. A changed sound has
another pattern, and each place of the two is compared over its surroundings (84 ms by 2.5 ERB) as the Neurogram
Similarity Index Measure does (Hines and Harte, "Speech intelligibility prediction using a Neurogram Similarity Index
Measure", Speech Communication 54, 2012, after the structural similarity of Wang et al. 2004):

- intensity, (2 a b + c1) / (a^2 + b^2 + c1), a and b the mean levels in dB: how much less, or more, is heard;
- structure, (cov(a, b) + c3) / (std(a) std(b) + c3): whether rises and falls are still the same ones.

The error is 1 - intensity x structure, summed over every place, bands by a power of their width, and divided by what
it would be if nothing of the sound were left: a share of what is heard of this sound, be it a wide or a narrow one. 1
(0 dB) is all of it, 0.01 is -20 dB; loud noise can be worse than silence. Patterns hold no phase, so a loop or a
stretch is judged by what it sounds like, not by its waveform. Errors of frames add up exactly, so a cut of a noisy
store is no guess; other shares of one sound add up nearly.

Five figures were chosen on half of the sounds in tests/benchmarks/referee.py: c1, the surroundings' two widths, the
weight of bands, and the level of full scale in `kitfold.measure.erb`; that script prints how the other half is judged.
The rest is published.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kitfold.measure import erb
from kitfold.measure.heard import HOP_S, PER_ERB, Heard, at_rate, hear, levels_db, smooth, surroundings
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
    "out_of_time",
    "quantised_power",
    "stored_errors",
]

Real = NDArray[np.floating[Any]]

FLOOR_DB = -120.0
"""The cost of no audible change."""
_INTENSITY_DB2 = 40.0**2  # c1, by measurement in tests/benchmarks/referee.py
_WIDE_BANDS_COUNT = 0.35  # the power of a band's width in Hz by which it counts, by measurement there
_STRUCTURE_DB2 = (0.03 * 90.0) ** 2  # c3, Hines and Harte's (0.03 L)^2, for levels that span L = 90 dB
_KEPT_BAND = 0.957  # of half a rate: where soxr's VHQ, flat to 0.913 (its manual), has fallen half way


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
    float, dB, from `FLOOR_DB`; 0: as bad as silence. Ten times less error is 10 dB less
    """
    return error_db(audible_error(reference, changed))


def audible_error(reference: Heard, changed: Heard | Sound) -> float:
    """Return the error that `audible_error_db` gives in dB as a share: 1 is as bad as silence."""
    other = changed if isinstance(changed, Heard) else hear(at_rate(changed, reference.rate_hz), reference.gain_db)
    count = max(len(reference.levels_db), len(other.levels_db))
    if len(reference.levels_db) == count:
        errors = _errors(reference.around, _longer(other.levels_db, count))
    else:
        errors = _errors(surroundings(_longer(reference.levels_db, count)), other.levels_db)
    return _share(reference, errors)


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
    silent = np.concatenate([[0.0], np.cumsum(_if_silent(heard), dtype=np.float64)])
    if not silent[-1]:
        return np.zeros(kept.shape)
    ends = np.clip(kept / HOP_S, 0, count)
    suffered = np.concatenate([[0.0], np.cumsum(before, dtype=np.float64)])
    at = np.arange(count + 1)
    lost = silent[-1] - np.interp(ends, at, silent) + np.interp(ends, at, suffered)
    lost += [_lost_by_fade(heard, end, length / HOP_S) for end, length in zip(ends, fade, strict=True)]
    return np.asarray(lost / silent[-1])


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
    ndarray, (frames,): mean over bands; `lost_by_cuts` takes it, and makes a share of it.
    """
    nyquist_hz = heard.rate_hz / 2
    powers = heard.powers if top_hz is None else heard.powers * _passed(_KEPT_BAND * top_hz)
    if np.any(np.asarray(noise_power) > 0.0):
        end_hz = min(noise_top_hz or top_hz or nyquist_hz, nyquist_hz)
        gain = np.float32(nyquist_hz / end_hz * db_to_gain(heard.gain_db) ** 2)
        density = np.asarray(noise_power, dtype=np.float32) * gain
        density = np.broadcast_to(density, (len(powers),))[:, None]
        white, met = heard.noise
        kept = _passed(end_hz)
        powers = np.maximum(powers + kept * (density * white + np.sqrt(density) * met), 0.0)
    return np.asarray(_errors(heard.around, levels_db(powers)))


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
    channels = heard.sound.channels
    power = heard.powers.sum(axis=1) / (channels * db_to_gain(heard.gain_db) ** 2)
    if law == "mu-law":
        mean_square = 1.0 + 510.0 * np.sqrt(2.0 / np.pi * power) + 255.0**2 * power
        return np.asarray((math.log(256.0) / (255.0 * 128.0)) ** 2 / 12.0 * mean_square)
    return np.asarray(((1.0 + math.log(87.6)) / 128.0) ** 2 / 12.0 * np.maximum(power, 87.6**-2))


def _share(heard: Heard, errors: Real) -> float:
    all_of_it = float(_if_silent(heard).sum())
    return float(errors.sum()) / all_of_it if all_of_it else 0.0


def _if_silent(heard: Heard) -> Real:
    """Return the error of each frame if nothing of it were left: silence has no structure, so intensity alone."""
    return _over_bands(1.0 - _intensity(heard.around[0], np.float32(0.0)))


def _lost_by_fade(heard: Heard, end: float, length: float) -> float:
    """Return the sum of errors over a fade that ends at a frame, by intensity alone: a fade keeps rises and falls."""
    first, last = max(0, math.floor(end - length)), math.ceil(end)
    if length <= 0 or last <= first:
        return 0.0
    centres = np.arange(first, last) + 0.5
    gain = np.clip(0.5 + 0.5 * np.cos(np.pi * np.clip((centres - end + length) / length, 0.0, 1.0)), 1e-6, 1.0)
    mean_db = heard.around[0][first:last]
    left_db = np.maximum(mean_db + 20.0 * np.log10(gain)[:, None], 0.0)
    return float(_over_bands(1.0 - _intensity(mean_db, left_db)).sum())


def _errors(reference: tuple[Real, Real, Real], other_db: Real) -> Real:
    """Compare two patterns: 1 - intensity x structure, over all bands, (frames,)."""
    mean, deviation, variance = reference
    other_mean, other_deviation, other_variance = surroundings(other_db)
    covariance = smooth(deviation * other_deviation)
    structure = (covariance + _STRUCTURE_DB2) / (np.sqrt(variance * other_variance) + _STRUCTURE_DB2)
    same = _intensity(mean, other_mean) * np.clip(structure, 0.0, 1.0)
    return _over_bands(1.0 - same)


def _intensity(one_db: Real, other_db: Real | np.float32) -> Real:
    both = one_db * one_db + other_db * other_db
    return np.asarray((2.0 * one_db * other_db + _INTENSITY_DB2) / (both + _INTENSITY_DB2))


def _over_bands(errors: Real) -> Real:
    """Average places over bands, wide ones for more: (frames, bands) to (frames,)."""
    return np.asarray((errors * _weights()).mean(axis=1, dtype=np.float64))


@lru_cache(maxsize=1)
def _weights() -> Real:
    """Return how much each band counts, 1 in the mean: (bands,)."""
    weights = erb.erb_hz(erb.band_centres_hz(PER_ERB)) ** _WIDE_BANDS_COUNT
    return np.asarray(weights / weights.mean(), dtype=np.float32)


def _longer(pattern_db: Real, count: int) -> Real:
    return np.pad(pattern_db, ((0, count - len(pattern_db)), (0, 0)))


def _passed(top_hz: float) -> Real:
    """Return the share of each band that lies under a frequency: (bands,)."""
    edges = erb.band_edges_hz(PER_ERB)
    return np.asarray(np.clip((top_hz - edges[:-1]) / np.diff(edges), 0.0, 1.0), dtype=np.float32)


def out_of_time(heard: Heard, ratio: float) -> float:
    """Say what it costs that a sound runs `ratio` times as fast as it should, its spectrum unchanged, as a share.

    A sampler's transposition does that beside moving the pitch: attacks, beating and vibrato run faster or slower. The
    pattern is compared with itself read at that speed, as far as both last.
    """
    count = len(heard.levels_db)
    read = np.arange(count) * ratio
    inside = int(np.count_nonzero(read <= count - 1))
    if not inside or ratio == 1.0:
        return 0.0
    before = np.floor(read[:inside]).astype(np.int64)
    after, part = np.minimum(before + 1, count - 1), (read[:inside] - before)[:, None].astype(np.float32)
    pattern = heard.levels_db[before] * (1 - part) + heard.levels_db[after] * part
    around = surroundings(heard.levels_db[:inside])
    all_of_it = float(_over_bands(1.0 - _intensity(around[0], np.float32(0.0))).sum())
    return float(_errors(around, pattern).sum()) / all_of_it if all_of_it else 0.0
