"""The log-spectral distance: closed forms, and its neighbours' opinions."""

import numpy as np
import pytest

from kitfold.measure.erb import band_centres_hz, band_edges_hz
from kitfold.pack.compare.spectrum import log_spectral_distance_db, spectrum_distance_db
from kitfold.sound import Sound

RATE_HZ = 44_100


def noise(seconds=1.0, rate_hz=RATE_HZ, seed=1):
    return np.random.default_rng(seed).standard_normal(round(seconds * rate_hz)) * 0.1


def shaped(samples, gain_db_of_hz):
    """Return samples whose spectrum is multiplied by a gain in dB for each frequency."""
    lines = np.fft.rfft(samples)
    hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    return np.fft.irfft(lines * 10 ** (gain_db_of_hz(hz) / 20), len(samples))


def test_levels_that_differ_by_g_in_every_band_lie_g_apart():
    """Gray and Markel 1976: the root mean square of a constant difference is that difference."""
    levels = np.random.default_rng(2).uniform(-30, 0, (20, 38))
    assert log_spectral_distance_db(levels, levels + 3.0) == pytest.approx(3.0)
    assert log_spectral_distance_db(levels, levels) == 0.0


def test_one_band_of_n_that_differs_by_g_counts_g_over_the_root_of_n():
    levels = np.zeros((5, 36))
    other = levels.copy()
    other[:, 7] = 6.0
    assert log_spectral_distance_db(levels, other) == pytest.approx(6.0 / 6.0)


def test_what_lies_60_db_under_the_loudest_counts_as_nothing():
    levels = np.zeros((4, 10))
    levels[:, 1:] = -70.0
    other = levels.copy()
    other[:, 1:] = -300.0
    assert log_spectral_distance_db(levels, other) == 0.0


def test_a_sound_at_another_level_is_the_same_where_the_level_is_taken_off():
    sound = Sound(noise(), RATE_HZ)
    softer = Sound(sound.samples * np.float32(0.5), RATE_HZ)
    assert spectrum_distance_db(sound, softer, 20 * np.log10(0.5)) == pytest.approx(0.0, abs=1e-4)  # float32
    assert spectrum_distance_db(sound, softer) == pytest.approx(20 * np.log10(2), abs=1e-3)


@pytest.mark.parametrize("gain_db", [3.0, -6.0])
def test_a_shelf_over_half_of_the_bands_counts_as_closed_form_says(gain_db):
    """Half of n bands moved by g: g times the root of a half; a tenth for the band that the edge crosses."""
    centres = band_centres_hz()
    bands = np.flatnonzero(band_edges_hz()[1:] <= RATE_HZ / 2)
    middle = len(bands) // 2
    edge_hz = band_edges_hz()[middle]
    moved = shaped(noise(), lambda hz: np.where(hz >= edge_hz, gain_db, 0.0))
    share = np.mean(centres[bands] > edge_hz)
    expected = abs(gain_db) * np.sqrt(share)
    assert spectrum_distance_db(Sound(noise(), RATE_HZ), Sound(moved, RATE_HZ)) == pytest.approx(expected, rel=0.1)


def test_the_same_sound_at_another_rate_is_nearly_the_same_in_the_bands_that_both_have():
    """A hum of partials, made anew at the other rate: half a decibel is what windows of whole frames leave."""

    def hum(rate_hz):
        times = np.arange(rate_hz) / rate_hz
        return Sound(sum(0.1 / n * np.sin(2 * np.pi * 110 * n * times) for n in range(1, 60)), rate_hz)

    assert spectrum_distance_db(hum(44_100), hum(18_000)) < 0.5
    assert spectrum_distance_db(hum(18_000), hum(44_100)) == pytest.approx(
        spectrum_distance_db(hum(44_100), hum(18_000))
    )


def test_silence_and_no_frames_have_no_distance():
    sound = Sound(noise(), RATE_HZ)
    for other in (np.zeros(1000), np.zeros(0), np.zeros((500, 2))):
        assert spectrum_distance_db(sound, Sound(other, RATE_HZ)) is None
    assert spectrum_distance_db(Sound([0.5], RATE_HZ), Sound([0.5], RATE_HZ)) == 0.0


def test_stereo_that_is_twice_the_same_is_as_its_mono():
    mono = Sound(noise(), RATE_HZ)
    assert spectrum_distance_db(mono, Sound(np.stack([noise(), noise()], axis=1), RATE_HZ)) == pytest.approx(
        0, abs=1e-4
    )
