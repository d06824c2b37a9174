"""The exact pitch of a sound whose note is known roughly, from the power centroids of its partials.

A centroid averages vibrato and chorus as the ear does, where the strongest line of the spectrum wanders. The partials
are joined by weighted least squares that trusts those that agree (iteratively reweighted, Cauchy weights: Holland and
Welsch, "Robust regression using iteratively reweighted least-squares", 1977).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.held import blackman, held_frames
from kitfold.sound import Sound
from kitfold.units import cents_between, cents_to_ratio

__all__ = ["Partials", "cents_off", "fit_partials", "fit_stiff", "held_pitch_hz", "long_spectrum", "read_partials"]

Real = NDArray[np.float64]

_LONGEST_S = 4.0
_HELD_DB = -30.0
_SEARCH_CENTS = 120  # how far from the expected pitch a sound is looked for
_PARTIALS = 12
_HIGHEST_HZ = 14000.0
_OWN_TRUST = 2.0  # for partials 1, 5, 7, 11, which no layer an octave or a fifth up shares and pulls at
_BLACKMAN_LOBE_BINS = 3.0


@dataclass(frozen=True)
class Partials:
    """What the partials of a sound say about its pitch.

    Parameters
    ----------
    number : ndarray, 1 is the fundamental
    cents : ndarray, each partial's centroid over `number` times the expected pitch
    amplitude : ndarray, linear
    """

    number: Real
    cents: Real
    amplitude: Real


def held_pitch_hz(sound: Sound, near_hz: float) -> float | None:
    """Measure the pitch of a sound's held part, near a pitch that is expected.

    Parameters
    ----------
    sound : Sound
    near_hz : float, Hz, > 0: the expected pitch, right within a semitone

    Returns
    -------
    float, Hz, or None where the sound has nothing at that pitch (silence, no frames, noise far from it)
    """
    samples = sound.float64()
    power, bin_hz, lobe_hz = long_spectrum(samples, sound.rate_hz, *held_frames(samples, sound.rate_hz, _HELD_DB))
    near_hz = near_hz * cents_to_ratio(_coarse_offset_cents(power, bin_hz, near_hz))
    partials = read_partials(power, bin_hz, lobe_hz, near_hz)
    if len(partials.number) == 0:
        return None
    cents, _, _ = fit_partials(partials)
    if abs(cents) > 60:
        return None
    return near_hz * cents_to_ratio(cents)


def cents_off(sound: Sound, wanted_hz: float) -> float | None:
    """Say how many cents a sound's held part lies above the pitch it should have; None where it has none near it."""
    hz = held_pitch_hz(sound, wanted_hz)
    return None if hz is None else cents_between(wanted_hz, hz)


def long_spectrum(samples: Real, rate_hz: int, start: int, end: int) -> tuple[Real, float, float]:
    """Take one fine spectrum of a held part, of 4 s from its start at most.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    rate_hz : int, Hz
    start, end : int, frames

    Returns
    -------
    power : ndarray, (bins,): summed over the channels, so that nothing cancels
    bin_hz : float, Hz, the distance of two bins
    lobe_hz : float, Hz, half the width of a steady line
    """
    from kitfold.measure.compiled import next_fast_len, rfft

    held = samples[start : min(end, start + int(_LONGEST_S * rate_hz))]
    if len(held) < 8:
        return np.zeros(2), rate_hz / 2.0, rate_hz / 2.0
    size = int(next_fast_len(max(len(held), 1 << 15), True))
    window = blackman(len(held)).astype(np.float32)
    power = np.zeros(size // 2 + 1)
    for channel in held.T:
        lines = rfft((channel - channel.mean()).astype(np.float32) * window, size)
        power += lines.real**2 + lines.imag**2
    return power, rate_hz / size, _BLACKMAN_LOBE_BINS * rate_hz / len(held)


def read_partials(power: Real, bin_hz: float, lobe_hz: float, near_hz: float, stiffness: float = 0.0) -> Partials:
    """Read the power centroid of each partial of an expected pitch.

    Parameters
    ----------
    power, bin_hz, lobe_hz : from `long_spectrum`
    near_hz : float, Hz
    stiffness : float, the B of f_n = n f sqrt((1 + B n²)/(1 + B))
    """
    rows = []
    for number in range(1, _PARTIALS + 1):
        expected_hz = near_hz * number * np.sqrt((1 + stiffness * number**2) / (1 + stiffness))
        if expected_hz > min(0.94 * bin_hz * len(power), _HIGHEST_HZ):
            break
        found = _centroid(power, bin_hz, expected_hz, lobe_hz, 0.4 * near_hz)
        if found is not None:
            rows.append((number, cents_between(near_hz * number, found[0]), found[1]))
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return Partials(table[:, 0], table[:, 1], table[:, 2])


def fit_partials(partials: Partials) -> tuple[float, float, float]:
    """Join partials into one pitch, stretched like a stiff string's where that explains them much better.

    Returns
    -------
    cents : float, the first partial over the expected pitch
    stiffness : float, B (0 where the partials are harmonic within their scatter)
    scatter_cents : float, weighted root mean square of what stays unexplained
    """
    loud = partials.amplitude > partials.amplitude.max() * 10.0 ** (-35 / 20)
    number, cents = partials.number[loud], partials.cents[loud]
    own = np.where(np.gcd(number.astype(int), 6) == 1, _OWN_TRUST, 1.0)
    weight = own * np.sqrt(number * partials.amplitude[loud] / partials.amplitude.max())
    centre, scatter = _agreed_centre(cents, weight)
    if len(number) < 4 or number.max() < 5 or scatter < 1.2:
        return centre, 0.0, scatter
    offset, slope, bent_scatter = _agreed_line(number**2 - 1.0, cents, weight * np.sqrt(number))
    stiffness = slope * np.log(2.0) / 600.0
    if 1e-5 < stiffness < 2e-2 and bent_scatter < 0.6 * scatter:
        return offset, float(stiffness), bent_scatter
    return centre, 0.0, scatter


def fit_stiff(
    fine: tuple[Real, float, float], near_hz: float, cents: float, stiffness: float
) -> tuple[float, float, float]:
    """Read and fit a very stiff string again, around a first fit: its high partials lay outside the first windows.

    Parameters
    ----------
    fine : power, bin_hz and lobe_hz from `long_spectrum`
    near_hz : float, Hz
    cents, stiffness : float, the first fit, as `fit_partials` gives it

    Returns
    -------
    as `fit_partials`; the exact curve f_n = n f sqrt((1 + B n²)/(1 + B)) is followed by two steps of Gauss and Newton
    """
    scatter = 0.0
    for _ in range(2):
        partials = read_partials(*fine, near_hz * cents_to_ratio(cents), stiffness)
        square = partials.number**2
        curve = 600.0 * np.log2((1.0 + stiffness * square) / (1.0 + stiffness))
        slope = 600.0 / np.log(2.0) * (square / (1.0 + stiffness * square) - 1.0 / (1.0 + stiffness))
        weight = np.sqrt(partials.amplitude / partials.amplitude.max())
        offset, change, scatter = _agreed_line(slope, partials.cents - curve, weight)
        cents, stiffness = cents + offset, max(0.0, stiffness + change)
    return cents, stiffness, scatter


def _coarse_offset_cents(power: Real, bin_hz: float, near_hz: float) -> float:
    """Find the whole offset, in steps of 10 cents, at which the first six partials carry most."""
    offsets = np.arange(-_SEARCH_CENTS, _SEARCH_CENTS + 1, 10)
    lines_hz = near_hz * 2.0 ** (offsets[:, np.newaxis] / 1200.0) * np.arange(1, 7)
    level = np.sqrt(np.interp(lines_hz, bin_hz * np.arange(len(power)), _spread(power, bin_hz, near_hz), right=0.0))
    score = level.sum(axis=1)
    best = np.flatnonzero(score >= score.max() * (1 - 1e-9))
    return float(offsets[best[np.argmin(np.abs(offsets[best]))]])


def _spread(power: Real, bin_hz: float, near_hz: float) -> Real:
    """Widen every line to about 20 cents of the expected pitch, so that a coarse grid cannot miss it."""
    half = max(1, int(near_hz * 0.006 / bin_hz))
    total = np.concatenate([[0.0], np.cumsum(power)])
    index = np.arange(len(power))
    return np.asarray(total[np.minimum(index + half + 1, len(power))] - total[np.maximum(index - half, 0)])


def _centroid(
    power: Real, bin_hz: float, expected_hz: float, lobe_hz: float, widest_hz: float
) -> tuple[float, float] | None:
    """Return a partial's centre in Hz and its amplitude; bins 20 dB under its top are left out as noise."""
    centre_hz, amplitude = expected_hz, 0.0
    for width in (0.0293, 0.0263):  # 50 cents either side to catch it, then 45 around what was caught: a wide vibrato
        half_hz = min(max(expected_hz * width, lobe_hz), max(widest_hz, 2 * bin_hz))
        first, last = max(1, int((centre_hz - half_hz) / bin_hz)), int((centre_hz + half_hz) / bin_hz) + 2
        part = power[first:last]
        if len(part) == 0 or part.max() <= 0:
            return None
        part = np.where(part > 0.01 * part.max(), part, 0.0)
        centre_hz = float(np.sum(part * np.arange(first, first + len(part))) / part.sum()) * bin_hz
        amplitude = float(np.sqrt(part.sum()))
    return centre_hz, amplitude


def _agreed_centre(cents: Real, weight: Real) -> tuple[float, float]:
    order = np.argsort(cents)
    running = np.cumsum(weight[order])
    centre = float(cents[order][np.searchsorted(running, running[-1] / 2)])
    scale = max(0.3, float(np.sqrt(np.average(np.minimum(np.abs(cents - centre), 20.0) ** 2, weights=weight))))
    for _ in range(4):
        trust = weight / (1.0 + ((cents - centre) / scale) ** 2)
        centre = float(np.average(cents, weights=trust))
    rest = np.minimum(np.abs(cents - centre), 30.0)
    return centre, float(np.sqrt(np.average(rest**2, weights=weight)))


def _agreed_line(x: Real, cents: Real, weight: Real) -> tuple[float, float, float]:
    trust, offset, slope = weight, 0.0, 0.0
    for _ in range(4):
        mean_x, mean_y = np.average(x, weights=trust), np.average(cents, weights=trust)
        spread = np.average((x - mean_x) ** 2, weights=trust)
        slope = float(np.average((x - mean_x) * (cents - mean_y), weights=trust) / spread) if spread > 0 else 0.0
        offset = float(mean_y - slope * mean_x)
        trust = weight / (1.0 + ((cents - offset - slope * x) / 3.0) ** 2)
    rest = np.minimum(np.abs(cents - offset - slope * x), 30.0)
    return offset, slope, float(np.sqrt(np.average(rest**2, weights=weight)))
