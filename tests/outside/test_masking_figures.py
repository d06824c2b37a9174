"""What is published about bands and masking, against what kitfold says is heard."""

import numpy as np
import pytest

from kitfold.measure import erb
from kitfold.measure.masking import MASKED_DB, PER_ERB, Spectrum, pattern_of

BIN_HZ, BINS = 1.0, 16_001
HZ = BIN_HZ * np.arange(BINS)


def threshold_db(tone_hz, noise, start_db=-90.0):
    """Return the level (dB, mean square) at which a tone in noise is just heard in the filter on it."""
    centre = int(np.argmin(np.abs(erb.band_centres_hz(PER_ERB) - tone_hz)))
    powers = np.zeros(BINS)
    powers[round(erb.band_centres_hz(PER_ERB)[centre] / BIN_HZ)] = 10 ** (start_db / 10)
    tone, masker = pattern_of(Spectrum(powers, BIN_HZ)), pattern_of(Spectrum(noise, BIN_HZ))
    ratio = max(masker.excitation[centre] / tone.excitation[centre], 1e-30)  # further off than 4 ERB nothing spreads
    return start_db + MASKED_DB + 10 * np.log10(ratio)


def band(low_hz, high_hz, spectrum_level_db=-70.0):
    return np.where((low_hz <= HZ) & (high_hz >= HZ), BIN_HZ * 10 ** (spectrum_level_db / 10), 0.0)


@pytest.mark.parametrize(("hz", "wide_hz", "number"), [(100, 35.5, 3.37), (1000, 132.6, 15.62), (8000, 888.2, 33.3)])
def test_bands_and_scale_are_glasberg_and_moores(hz, wide_hz, number):
    # Glasberg and Moore 1990, ERB = 24.7 (4.37 f + 1) and 21.4 log10(4.37 f + 1), f in kHz, worked by hand
    assert erb.erb_hz(hz) == pytest.approx(wide_hz, abs=0.06)
    assert erb.erb_number(hz) == pytest.approx(number, abs=0.01)


# Hawkins and Stevens 1950, critical ratios: a tone in wide noise is just heard so far over the noise in 1 Hz (from
# memory). 2 dB: between their listeners, and between 1950's and later measurements, it is as much.
@pytest.mark.parametrize(("hz", "ratio_db"), [(500, 17), (1000, 18), (2000, 20), (4000, 23)])
def test_a_tone_in_wide_noise_is_heard_at_its_critical_ratio(hz, ratio_db):
    assert threshold_db(hz, band(20, 15_000)) + 70 == pytest.approx(ratio_db, abs=2.0)


# Fastl and Zwicker 2007, 4.1.2 (from memory): the top of the masked threshold of noise one critical band wide lies
# under the noise's level by 2 dB at 250 Hz, 3 dB at 1 kHz, 5 dB at 4 kHz; critical bands 100, 160 and 700 Hz.
@pytest.mark.parametrize(
    ("hz", "wide_hz", "under_db", "off_db"), [(250, 100, 2, 4.5), (1000, 160, 3, 2), (4000, 700, 5, 2)]
)
def test_narrow_noise_masks_a_tone_a_few_decibels_under_itself(hz, wide_hz, under_db, off_db):
    noise = band(hz - wide_hz / 2, hz + wide_hz / 2)
    level_db = 10 * np.log10(noise.sum())
    # 2 dB: their bands are a fifth to a half wider than an ERB. At 250 Hz a band of theirs is two of ours, 2.9 dB, and
    # our ratio stays at -3 dB where theirs rises: there kitfold says "masked" some 4 dB later than they measured.
    assert level_db - threshold_db(hz, noise) == pytest.approx(under_db, abs=off_db)


def test_noise_beyond_the_critical_band_masks_no_more():
    # Fletcher 1940: with noise widened around a tone the threshold rises with the noise's power, then stays
    widths = np.array([20, 40, 80, 400, 800, 2000])
    thresholds = np.array([threshold_db(1000, band(1000 - wide / 2, 1000 + wide / 2)) for wide in widths])
    assert np.diff(thresholds[:3]) == pytest.approx([3.01, 3.01], abs=0.8)  # each doubling of what is inside the band
    assert np.ptp(thresholds[3:]) < 0.3


@pytest.mark.parametrize(("notch", "off_db"), [(0.0, 0.5), (0.1, 1.0), (0.2, 2.0), (0.3, 3.5)])
def test_a_notch_in_noise_lowers_the_threshold_as_a_rounded_exponential_says(notch, off_db):
    # Patterson et al. 1982: a symmetric notch of half-width g leaves (2 + p g) exp(-p g) / p of f0 on each side;
    # p = 4 f0 / ERB = 30.2 at 1 kHz (Glasberg and Moore 1990). Their data fall by about 20 to 25 dB to g = 0.3 (from
    # memory). The filter is taken even on the ERB scale, where theirs is even in hertz: at 1.3 kHz 1.99 ERB away, not
    # 2.26, which is 3.9 dB on the upper skirt, and less on the lower one.
    steep = 4 * 1000 / 132.6
    fall_db = 10 * np.log10((2 + steep * notch) / 2 * np.exp(-steep * notch))
    noise = band(100, 1000 * (1 - notch) - 0.5) + band(1000 * (1 + notch) + 0.5, 4000)
    fall = threshold_db(1000, noise) - threshold_db(1000, band(100, 4000))
    assert fall == pytest.approx(fall_db, abs=off_db)


def test_masking_falls_off_on_both_sides_and_is_gone_an_octave_below():
    # 60 dB of narrow noise at 1 kHz masks nothing at 500 Hz (Fastl and Zwicker 2007, figure 4.4, from memory)
    noise = band(920, 1080, -30 - 10 * np.log10(160))  # 60 dB SPL, full scale's sine at 90
    tone_spl = [threshold_db(hz, noise) + 93.01 for hz in (500, 700, 1000, 1400, 2000)]
    assert tone_spl[2] == max(tone_spl)
    assert tone_spl[0] < float(erb.threshold_spl_db(500))
    assert tone_spl[1] < tone_spl[2] - 20
