"""Steps at the ends stand out where a sound is cut, and nowhere else."""

import numpy as np
import pytest

from kitfold.measure.clicks import STEEPEST, end_steps
from kitfold.sound import Sound

RATE_HZ = 18_000


def sine(hz, phase=0.0, seconds=0.5):
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ + phase)


@pytest.mark.parametrize("hz", [50, 110, 440])
def test_a_sine_cut_on_its_crest_steps_rate_over_two_pi_f_times_its_slope(hz):
    # the sine's steepest step is 2 sin(pi f / rate), about 2 pi f / rate; the cut's is 1
    start, _ = end_steps(Sound(sine(hz, np.pi / 2), RATE_HZ))
    assert start == pytest.approx(1 / (2 * np.sin(np.pi * hz / RATE_HZ)), rel=0.01)  # the crest falls between frames


@pytest.mark.parametrize("hz", [50, 110, 440, 3000])
def test_a_start_in_a_zero_crossing_is_no_step(hz):
    assert end_steps(Sound(sine(hz), RATE_HZ))[0] <= 1.0


def test_the_end_counts_as_the_start_does():
    samples = sine(110, 0.7)
    start, end = end_steps(Sound(samples, RATE_HZ))
    assert end_steps(Sound(samples[::-1], RATE_HZ)) == (end, start)


def test_a_zeroed_first_frame_hides_no_step():
    samples = sine(110, np.pi / 2)
    samples[0] = 0.0  # as the packer stores it
    assert end_steps(Sound(samples, RATE_HZ))[0] > 20


def test_a_fade_takes_the_step_away():
    samples = sine(110, np.pi / 2)
    assert end_steps(Sound(samples * np.minimum(1, np.arange(len(samples)) / 180), RATE_HZ))[0] < 1  # 10 ms


def test_a_burst_of_noise_and_its_dither_are_no_clicks():
    noise = np.random.default_rng(2).standard_normal(3000) / 5
    assert max(end_steps(Sound(noise, RATE_HZ))) < 1.5
    hiss = np.rint(np.random.default_rng(3).uniform(-1, 1, 3000)) / 128
    assert max(end_steps(Sound(hiss, RATE_HZ))) <= 1


@pytest.mark.parametrize("samples", [np.zeros(0), np.zeros(1), np.zeros(5000), np.zeros((40, 2))])
def test_silence_has_no_steps(samples):
    assert end_steps(Sound(samples, RATE_HZ)) == (0, 0)


def test_a_step_beside_which_nothing_moves_is_the_steepest():
    samples = np.full(5000, 0.5)
    assert end_steps(Sound(samples, RATE_HZ)) == (STEEPEST, STEEPEST)
