"""The sheet's figures, against closed forms and the standard's own band frequencies."""

import numpy as np
import pytest

from kitfold.sheet.audio import Take
from kitfold.sheet.figures import BANDS_HZ, area_path, band_levels_db, line_path, outline

# IEC 61260-1:2014, table E.1, exact mid-frequencies of third-octave bands, base ten (from memory)
EXACT_HZ = {31.5: 31.623, 100: 100.0, 125: 125.89, 160: 158.49, 500: 501.19, 1000: 1000.0, 8000: 7943.3, 20000: 19953.0}


def sine(hz, seconds=1.0, rate_hz=48000, gain=1.0):
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    return Take((gain * np.sin(2 * np.pi * hz * times)).astype(np.float32)[:, None], rate_hz)


@pytest.mark.parametrize(("nominal", "exact"), EXACT_HZ.items())
def test_bands_lie_where_the_standard_puts_them(nominal, exact):
    nearest = min(BANDS_HZ, key=lambda band: abs(band - nominal))
    assert nearest == pytest.approx(exact, rel=5e-5)  # the table has five figures


@pytest.mark.parametrize("gain_db", [0.0, -20.0])
def test_a_sine_stands_in_its_band_at_its_mean_square(gain_db):
    levels = band_levels_db(sine(1000.0, gain=10 ** (gain_db / 20)), 1.0)
    at = BANDS_HZ.index(1000.0)
    assert int(np.argmax(levels)) == at
    # the mean square of a full-scale sine is half: -3.01 dB; a band that ends a tenth of an octave away keeps all but
    # the skirt of an unwindowed spectrum, under 0.1 dB
    assert levels[at] == pytest.approx(gain_db - 3.0103, abs=0.1)


def test_half_speed_moves_every_band_an_octave_down():
    levels = band_levels_db(sine(2000.0), 1.0, speed=0.5)
    assert int(np.argmax(levels)) == BANDS_HZ.index(1000.0)


def test_white_noise_rises_one_decibel_a_third_octave():
    noise = np.random.default_rng(3).standard_normal((480_000, 1)).astype(np.float32) * 0.1
    levels = band_levels_db(Take(noise, 48000), 10.0)
    # bands of constant ratio hold energy in proportion to their width: 10 log10(10^0.1) = 1 dB each; a band at 500 Hz
    # holds 1,160 bins over 10 s, so its level strays by 10 log10(1 + 1/sqrt(1160)), 0.13 dB: five times that
    # the band at 1 kHz is 230.8 Hz of 24 kHz wide (IEC 61260-1: edges at 10^(+-1/20)); 2,308 bins stray by 0.09 dB
    wanted_db = 10 * np.log10(np.mean(noise.astype(float) ** 2) * 1000 * (10**0.05 - 10**-0.05) / 24000)
    assert levels[BANDS_HZ.index(1000.0)] == pytest.approx(wanted_db, abs=0.45)
    steps = np.diff(levels[BANDS_HZ.index(BANDS_HZ[12]) : -1])
    assert steps == pytest.approx(np.ones(len(steps)), abs=0.65)


@pytest.mark.parametrize("frames", [0, 1, 2])
def test_next_to_nothing_gives_a_figure_all_the_same(frames):
    take = Take(np.zeros((frames, 2), dtype=np.float32), 18000)
    assert np.all(outline(take, 16, 1.0) == 0)
    assert np.all(np.isfinite(band_levels_db(take, 1.0)))


def test_the_outline_is_the_peak_of_each_slice_and_ends_with_the_sound():
    samples = np.zeros((1000, 2), dtype=np.float32)
    samples[250, 1], samples[760, 0] = -0.5, 0.25
    peaks = outline(Take(samples, 1000), 4, 2.0)  # slices of half a second over two: the sound fills the first two
    assert peaks.tolist() == [0.5, 0.25, 0.0, 0.0]
    slow = outline(Take(samples, 1000), 4, 2.0, speed=0.5)  # lasts twice as long
    assert slow.tolist() == [0.0, 0.5, 0.0, 0.25]  # frame 250 at half speed is at 0.5 s, the second slice's start


def test_paths_run_over_the_whole_width():
    assert line_path([0.0, 0.5, 1.0], 100, 20, -10) == "M0 20 L50 15 L100 10"
    assert area_path([0.0, 1.0], 10, 5, 2) == "M0 5 L0 5 10 7 L10 5 Z"
