"""How well a sound repeats at a candidate's period, read from its spectrum."""

import numpy as np
import pytest

from kitfold.measure.root_period import periods
from kitfold.measure.root_spectrum import average_spectrum

RATE_HZ = 44100


def tone(hz, seconds, numbers=range(1, 9)):
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return sum(np.cos(2 * np.pi * hz * n * time + n) / n for n in numbers)[:, np.newaxis]


def read(samples, *hz, rate_hz=RATE_HZ):
    return periods(average_spectrum(samples, rate_hz), np.array(hz))


# 60 ms hold seven periods of 117 Hz, whose lines a window as long can no longer part
@pytest.mark.parametrize("seconds", [0.06, 0.1, 0.5, 2.0])
def test_a_tone_repeats_after_one_and_two_periods_however_short_it_is(seconds):
    found = read(tone(117.0, seconds), 117.0)
    assert found["period"][0] > 0.97  # 1 but for what lies over 5 kHz and the window's own unevenness
    assert found["two_periods"][0] > 0.93


def test_a_tone_with_odd_harmonics_does_not_repeat_after_half_a_period_and_one_of_even_ones_does():
    odd, even = tone(200.0, 1.0, (1, 3, 5)), tone(200.0, 1.0, (2, 4, 6))
    assert read(odd, 200.0)["half_period"][0] < -0.95  # it comes back upside down
    assert read(even, 200.0)["half_period"][0] > 0.97


def test_noise_repeats_nowhere():
    noise = np.random.default_rng(4).standard_normal((2 * RATE_HZ, 1))
    found = read(noise, 60.0, 110.0, 440.0)
    assert all(np.abs(values[:2]).max() < 0.25 for values in found.values())  # 14 spans average it to a few per cent


def test_faint_overtones_count_in_the_compressed_reading():
    bass = tone(400.0, 1.0, (1,)) + 0.1 * tone(200.0, 1.0, (3, 5, 7, 9))
    plain, compressed = (read(bass, 200.0)[f"half_period{suffix}"][0] for suffix in ("", "_compressed"))
    assert plain > 0.95  # all but half a hundredth of the power repeats at 400 Hz
    assert compressed < 0.7  # to the power 0.3, the lines between are a third of it


def test_a_lag_longer_than_the_sound_can_tell_counts_nothing():
    found = read(tone(300.0, 0.05), 24.0, 300.0)
    assert found["period"][0] == 0.0  # 42 ms of 50
    assert found["period"][1] > 0.95


def test_any_rate_will_do():
    time = np.arange(4000) / 4000
    found = read(np.cos(2 * np.pi * 250 * time)[:, np.newaxis], 250.0, rate_hz=4000)
    assert found["period"][0] == pytest.approx(1.0, abs=0.02)  # lags are read between steps, by a straight line
