"""The ear's bands agree with published figures and with what a filter of the ear does to a spectrum."""

import numpy as np
import pytest
from scipy.integrate import quad

from kitfold.measure import erb

# ISO 226:2003, table 1, threshold of hearing T_f (from memory), at the frequencies where the bands matter most
ISO_226_DB = {50: 44.0, 100: 26.5, 250: 11.4, 500: 4.4, 1000: 2.4, 2000: -1.3, 3150: -6.0, 4000: -5.4, 5000: -1.5}


@pytest.mark.parametrize(("hz", "wide_hz"), [(100, 35.5), (500, 78.7), (1000, 132.6), (4000, 456.5)])
def test_bandwidths_are_those_of_glasberg_and_moore(hz, wide_hz):
    # 24.7 (4.37 f/kHz + 1), Glasberg and Moore 1990, equation 3, worked by hand to a tenth of a hertz
    assert erb.erb_hz(hz) == pytest.approx(wide_hz, abs=0.051)


@pytest.mark.parametrize("hz", [100.0, 1000.0, 8000.0])
def test_the_scale_counts_filters(hz):
    # the scale is the integral of 1 / ERB, 21.33 log10(...); the paper rounds to 21.4, which is 0.32 %
    filters, _ = quad(lambda at: 1 / float(erb.erb_hz(at)), 0, hz)
    assert erb.erb_number(hz) == pytest.approx(filters, rel=0.0035)
    assert erb.hz_at(erb.erb_number(hz)) == pytest.approx(hz, rel=1e-12)  # float64


@pytest.mark.parametrize("per_erb", [1, 2])
def test_bands_span_what_is_heard(per_erb):
    centres = erb.band_centres_hz(per_erb)
    assert centres[0] > 20
    assert 15_000 < centres[-1] < 16_000
    steps = np.diff(erb.erb_number(centres))
    assert steps == pytest.approx(np.full(len(steps), 1 / per_erb))


def test_bands_share_out_the_whole_power_of_a_spectrum():
    bins = np.zeros(1025)
    bins[10:500] = np.random.default_rng(3).random(490)  # 234 Hz to 11.7 kHz, inside the bands
    for per_erb in (1, 2):
        assert erb.band_powers(bins, 23.4375, per_erb).sum() == pytest.approx(bins.sum(), rel=1e-9)


def test_a_flat_spectrum_gives_each_band_its_width():
    bands = erb.band_powers(np.ones(4001), 4.0)
    widths = np.diff(erb.band_edges_hz()) / 4.0
    inside = erb.band_centres_hz() < 15_000
    assert bands[inside] == pytest.approx(widths[inside], rel=1e-9)


def test_nothing_lies_above_the_last_bin():
    bands = erb.band_powers(np.ones(101), 40.0)
    assert np.all(bands[erb.band_edges_hz()[:-1] > 4020] == 0)


@pytest.mark.parametrize("away", [1, 2, 3])
def test_spreading_falls_as_a_rounded_exponential(away):
    # roex(p) with p g = 4 |f - fc| / ERB: (1 + p g) exp(-p g) (Patterson et al. 1982; Glasberg and Moore 1990)
    one = np.zeros(39)
    one[20] = 1.0
    wanted_db = 10 * np.log10((1 + 4 * away) * np.exp(-4 * away))
    spread_db = 10 * np.log10(erb.excitation(one)[15:26] + 1e-99)
    assert spread_db[5] == 0
    assert spread_db[5 + away] == pytest.approx(wanted_db, abs=1e-9)
    assert spread_db[5 - away] == pytest.approx(wanted_db, abs=1e-9)


@pytest.mark.parametrize("hz", ISO_226_DB)
def test_the_threshold_is_near_the_standard_one(hz):
    # 6 dB: a smooth formula against a table with the ear canal's ripples; between listeners the spread is as much
    assert erb.threshold_spl_db(hz) == pytest.approx(ISO_226_DB[hz], abs=6.0)
