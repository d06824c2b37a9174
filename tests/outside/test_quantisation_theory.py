"""Quantising against the theory.

Undithered: a full-scale sine stands 6.02 N + 1.76 dB over the error of N bits (W. R. Bennett, "Spectra of Quantized
Signals", Bell System Technical Journal 27, 1948; a textbook figure). With triangular dither of two steps peak to peak:
the mean and the power of the total error do not depend on the signal, the power is a quarter of a step squared, and the
error is white (S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization and Dither: A Theoretical Survey",
J. Audio Eng. Soc. 40(5), 1992). Tolerances of the statistics are four to five standard deviations of their estimate.
"""

import numpy as np
import pytest

from kitfold.pack.quantise import dequantise, quantise

FRAMES = 1 << 17
GOLDEN = (np.sqrt(5) - 1) / 2  # cycles a frame times 1/2: as incommensurate with the rate as a number can be


def sine(bits, frames=FRAMES):
    amplitude = 1 - 2 * 2.0 ** (1 - bits)  # two steps under full scale
    return amplitude * np.sin(np.pi * GOLDEN * np.arange(frames) + 0.3)


def error_steps(samples, bits, encoding, dither, seed=11):
    codes = quantise(samples, bits, encoding, dither, seed, zero_ends=False)
    return (dequantise(codes, bits, encoding) - samples) * 2.0 ** (bits - 1)


@pytest.mark.parametrize("encoding", ["signed", "unsigned"])
@pytest.mark.parametrize("bits", [8, 12, 16, 24])
def test_undithered_depth_reaches_6_02_n_plus_1_76_db(bits, encoding):
    samples = sine(bits)
    error = error_steps(samples, bits, encoding, False) * 2.0 ** (1 - bits)
    ratio_db = 10 * np.log10(np.mean(samples**2) / np.mean(error**2))
    assert ratio_db == pytest.approx(6.02 * bits + 1.76, abs=0.5)  # the promise; two steps are 0.14 dB at 8 bits
    assert ratio_db == pytest.approx(6.0206 * bits + 1.7609 + 20 * np.log10(1 - 2.0 ** (2 - bits)), abs=0.1)  # today


@pytest.mark.parametrize("bits", [8, 12, 16, 24])
def test_dithered_error_has_a_quarter_of_a_step_squared_and_no_mean(bits):
    error = error_steps(sine(bits), bits, "signed", True)
    # e is the sum of three uniform values: variance 1/4, fourth moment 2.6/16, so e^2 strays by sqrt(0.1)
    assert np.mean(error**2) == pytest.approx(0.25, abs=4 * np.sqrt(0.1 / FRAMES))
    assert np.mean(error) == pytest.approx(0, abs=4 * 0.5 / np.sqrt(FRAMES))


@pytest.mark.parametrize("fraction", np.linspace(0, 1, 9)[:-1])
def test_mean_and_power_of_the_dithered_error_do_not_depend_on_where_in_a_step_the_signal_lies(fraction):
    level = np.full(FRAMES, (10 + fraction) / 128)
    error = error_steps(level, 8, "signed", True)
    # the error of a constant is the dither's alone; its square strays by at most sqrt(0.19): a fourth moment of 1/4
    assert np.mean(error) == pytest.approx(0, abs=4 * 0.5 / np.sqrt(FRAMES))
    assert np.mean(error**2) == pytest.approx(0.25, abs=4 * np.sqrt(0.19 / FRAMES))


def test_a_floor_or_a_rectangular_dither_would_fail_the_check_above():
    # the same figures for what we do not do, so that the checks are known to tell
    generator = np.random.default_rng(1)
    level = np.full(FRAMES, 10.5)
    floored = np.floor(level + generator.random(FRAMES) - generator.random(FRAMES)) - level
    assert np.mean(floored) == pytest.approx(-0.5, abs=0.01)
    powers = []
    for fraction in (0.0, 0.5):
        rectangular = np.rint(10 + fraction + generator.random(FRAMES) - 0.5) - 10 - fraction
        powers.append(np.mean(rectangular**2))
    assert powers == pytest.approx([0, 0.25], abs=0.01)  # noise modulation: the power follows the signal


@pytest.mark.parametrize("bits", [8, 16])
def test_dithered_error_is_white(bits):
    error = error_steps(sine(bits), bits, "signed", True)
    spectrum = np.fft.rfft(error)
    lags = np.fft.irfft(np.abs(spectrum) ** 2)[1:200] / np.sum(error**2)
    assert np.abs(lags).max() < 5 / np.sqrt(FRAMES)  # 199 lags, each straying by 1/sqrt(frames)
    bands = np.array([band.mean() for band in np.array_split(np.abs(spectrum[1:]) ** 2, 32)]) / FRAMES
    assert bands == pytest.approx(0.25, rel=5 / np.sqrt(FRAMES / 2 / 32))  # lines of noise stray by their own mean


@pytest.mark.parametrize("bits", [8, 16])
def test_dithered_error_is_uncorrelated_with_the_signal_and_its_harmonics(bits):
    phase = np.pi * GOLDEN * np.arange(FRAMES) + 0.3
    error = error_steps(sine(bits), bits, "signed", True)
    for harmonic in range(1, 12):
        line = np.abs(np.mean(error * np.exp(-1j * harmonic * phase))) / 0.5
        assert line < 4 / np.sqrt(FRAMES)


def test_undithered_error_of_a_quiet_sine_is_distortion_that_dither_removes():
    # half a step of amplitude and more: the harmonics are why dither exists, and show that the check above can fail
    phase = 2 * np.pi * 0.0123456 * np.arange(FRAMES)
    quiet = 0.8 * np.sin(phase) / 128
    third = {
        dither: np.abs(np.mean(error_steps(quiet, 8, "signed", dither) * np.exp(-3j * phase))) / 0.5
        for dither in (False, True)
    }
    assert third[False] > 0.05
    assert third[True] < 4 / np.sqrt(FRAMES)


def test_dithered_8_bit_noise_lies_45_db_under_a_full_scale_sine():
    # 10 lg (1/2 : 1/4 step^2) with a step of 1/128: 45.15 dB
    error = error_steps(np.zeros(FRAMES) + 1e-9, 8, "unsigned", True) / 128
    assert 10 * np.log10(0.5 / np.mean(error**2)) == pytest.approx(45.15, abs=0.05)  # 1 % of power is 0.04 dB
