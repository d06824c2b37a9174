"""How much of a sound is lost under another: what both do to the filters of the ear, filter by filter.

The power spectrum model of masking (Fletcher 1940; Patterson and Moore, "Auditory filters and excitation patterns as
representations of frequency resolution", 1986): a sound is heard in a filter as long as what it puts into that filter
is no more than a constant ratio under what another sound puts there. Filters, their spreading and the threshold in
quiet are those of `kitfold.measure.erb` (Glasberg and Moore 1990; Terhardt 1979).

Played at another pitch a stored sound is the same samples read faster, so its spectrum is the same bins further apart:
nothing has to be rendered to know what a transposition excites.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from kitfold.channels import sum_of_channels
from kitfold.measure import erb
from kitfold.sound import Sound
from kitfold.units import db_to_gain, semitones_to_ratio

__all__ = ["MASKED_DB", "PER_ERB", "Pattern", "Spectrum", "loudest_spectrum", "pattern_of", "share_under"]

Real = NDArray[np.float64]

MASKED_DB = -3.0
"""A sound is heard in a filter down to this under what masks it there: the K of the model, -3 dB from 500 Hz up (Moore,
Glasberg and Baer, J. Audio Eng. Soc. 45, 1997; Fastl and Zwicker, "Psychoacoustics", 2007, 4.1.2, give 3 dB at 1 kHz,
2 at 250 Hz, 5 at 4 kHz; both from memory)."""
PER_ERB = 5
"""Filters looked at to an ERB: odd, so that those within half an ERB of a tone make one ERB."""
_WINDOW_S = 0.2  # the ear adds up power over about 200 ms (Plomp and Bouman 1959)
_LOUDEST_S = 0.4  # what kitfold's levels are set by
_FAINT = 1e-3  # in power: 30 dB down an eighth of the loudness is left (Stevens 1955: 10 dB halve it)
_OVER_NOISE = 4.0  # in power: a band has to stand 6 dB over stored noise to count as the sound's own


@dataclass(frozen=True, eq=False)
class Spectrum:
    """The power spectrum of a sound where it is loudest.

    Parameters
    ----------
    powers : ndarray, (bins,), mean square in each bin, all channels together; a full-scale sine has 1/2 in all
    bin_hz : float, Hz between bins
    noise : float, mean square of the stored noise, all channels together, taken to be white
    """

    powers: Real
    bin_hz: float
    noise: float = 0.0

    @property
    def power(self) -> float:
        """Mean square, all channels together."""
        return float(self.powers.sum())

    @property
    def centroid_hz(self) -> float:
        """The middle of the power in frequency: low is dull, high is bright; 0 for silence."""
        power = self.power
        return float(np.sum(self.powers * np.arange(len(self.powers))) / power * self.bin_hz) if power > 0.0 else 0.0


@dataclass(frozen=True, eq=False)
class Pattern:
    """What one or several notes do to the filters of the ear.

    Parameters
    ----------
    excitation : ndarray, (..., filters), power over the threshold in quiet
    own : bool ndarray, (..., filters): audible alone, and with something of the note's own within half an ERB, not
        only the skirts of what lies beside it
    """

    excitation: Real
    own: NDArray[np.bool_]


def loudest_spectrum(sound: Sound, noise: float = 0.0) -> Spectrum:
    """Take the spectrum of a sound's loudest 400 ms, as loud as the ear takes it.

    Parameters
    ----------
    sound : Sound, any length and channels
    noise : float, mean square of its stored noise, all channels together

    Returns
    -------
    Spectrum, averaged over Hann windows of 200 ms every 50 ms, in which each frame counts alike, those at the sound's
    very start and end too; what is shorter than a window counts for as much less
    """
    from kitfold.measure.compiled import rfft

    size = max(16, round(_WINDOW_S * sound.rate_hz) // 2 * 2)
    start, end = _loudest(sound)
    hop = size // 4
    bell = np.hanning(size + 1)[:size]
    powers = np.zeros(size // 2 + 1)
    padded = np.pad(sound.float64(), ((size, size), (0, 0)))
    # around a cut-out of a longer sound the outermost windows look as far out as they miss within; where the sound
    # itself begins or ends there is nothing to see outside, so windows centred there make up for it
    for centre in range(start - 2 * hop + hop // 2, end + 2 * hop, hop):
        if start <= centre < end or not 0 <= centre < sound.frames:
            lines = rfft(padded[centre + size // 2 : centre + size // 2 + size] * bell[:, np.newaxis], axis=0)
            powers += np.sum(lines.real**2 + lines.imag**2, axis=1)
    windows = max(end - start, size) / hop
    return Spectrum(powers * (2.0 / (size * np.sum(bell**2) * windows)), sound.rate_hz / size, noise)


def pattern_of(spectrum: Spectrum, semitones: float = 0.0, gain_db: float = 0.0) -> Pattern:
    """Say what a sound does to the filters of the ear, played at a pitch and a level.

    Parameters
    ----------
    spectrum : Spectrum
    semitones : float, the varispeed setting
    gain_db : float, dB, what playback adds

    Returns
    -------
    Pattern, (filters,): `PER_ERB` to an ERB, 20 Hz to 16 kHz, full scale heard at `erb.FULL_SCALE_SPL_DB`
    """
    bin_hz = spectrum.bin_hz * semitones_to_ratio(semitones)
    over = _over_threshold() * db_to_gain(gain_db) ** 2
    bands = erb.band_powers(spectrum.powers, bin_hz, PER_ERB)
    excitation = erb.excitation(bands, PER_ERB)
    noise = erb.band_powers(np.full(len(spectrum.powers), spectrum.noise / len(spectrum.powers)), bin_hz, PER_ERB)
    near = _near(bands)
    own = (excitation * over > 1.0) & (2.0 * near >= excitation) & (excitation >= _FAINT * excitation.max(initial=0.0))
    own &= excitation > _OVER_NOISE * erb.excitation(noise, PER_ERB)
    return Pattern(excitation * over, own)


def share_under(sound: Pattern, other: Pattern) -> float:
    """Say what share of a sound cannot be heard while another plays.

    Parameters
    ----------
    sound, other : Pattern, (filters,) or (notes, filters)

    Returns
    -------
    float, 0 to 1: of the filters in which the sound is heard alone, those in which it lies more than 3 dB under the
    other's excitation; the mean over every note of the one against every note of the other. 0 for a sound that is not
    heard even alone.
    """
    shares = []
    masking = np.atleast_2d(other.excitation) * db_to_gain(MASKED_DB) ** 2
    for excitation, own in zip(np.atleast_2d(sound.excitation), np.atleast_2d(sound.own), strict=True):
        heard = int(own.sum())
        shares.append(float((excitation[own] < masking[:, own]).sum() / (heard * len(masking))) if heard else 0.0)
    return sum(shares) / len(shares) if shares else 0.0


def _loudest(sound: Sound) -> tuple[int, int]:
    """Return the frames of the loudest 400 ms; of a shorter sound, all."""
    width = round(_LOUDEST_S * sound.rate_hz)
    if sound.frames <= width:
        return 0, sound.frames
    total = np.concatenate([[0.0], np.cumsum(sum_of_channels(sound.float64() ** 2))])
    start = int(np.argmax(total[width:] - total[:-width]))
    return start, start + width


def _near(bands: Real) -> Real:
    """Return what the filters get from within half an ERB of their centres, weighed as `erb.excitation` weighs it."""
    reach = PER_ERB // 2
    steep = 4.0 * np.abs(np.arange(-reach, reach + 1)) / PER_ERB
    near: Real = np.convolve(bands, (1.0 + steep) * np.exp(-steep), mode="same")
    return near


@lru_cache(maxsize=1)
def _over_threshold() -> Real:
    """Return what turns a mean square into power over the threshold in quiet, filter by filter; a sine has 1/2."""
    level_db = erb.FULL_SCALE_SPL_DB - erb.threshold_spl_db(erb.band_centres_hz(PER_ERB))
    return np.asarray(2.0 * 10.0 ** (level_db / 10.0))
