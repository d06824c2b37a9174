"""The noise that storing leaves is read off the stored sound, near what theory gives."""

import numpy as np
import pytest

from kitfold.measure.noise import white_noise_power
from kitfold.pack.quantise import dequantise, quantise
from kitfold.sound import Sound

RATE_HZ = 18_000


def chord(seconds=2.0, top_hz=2000.0, level=0.2):
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    partials = np.arange(146.83, top_hz, 146.83)
    return sum(level / (n + 1) * np.sin(2 * np.pi * hz * times + n) for n, hz in enumerate(partials))


def stored(samples, bits, dither):
    codes = quantise(samples, bits, "unsigned" if bits == 8 else "signed", dither, seed=7)
    return Sound(dequantise(codes, bits, "unsigned" if bits == 8 else "signed"), RATE_HZ)


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize(("dither", "steps_squared", "off_db"), [(True, 1 / 4, 0.7), (False, 1 / 12, 2.0)])
def test_the_noise_of_steps_is_what_theory_gives(bits, dither, steps_squared, off_db):
    # a quarter of a step squared with triangular dither, a twelfth without (Lipshitz, Wannamaker, Vanderkooy 1992)
    samples = chord()
    wanted = steps_squared * 4.0 ** (1 - bits)
    reading = white_noise_power(stored(samples, bits, dither))
    direct = np.mean((stored(samples, bits, dither).samples[1:-1, 0] - samples[1:-1]) ** 2)  # the ends are zeroed
    # the quietest of 22 groups, each the mean of 20 bins over 79 pieces: under the mean by two deviations of 4 %.
    # Without dither the error is not quite white: 2 dB, of 8 bits
    assert 10 * np.log10(reading / wanted) == pytest.approx(-0.3, abs=off_db)
    assert 10 * np.log10(reading / direct) == pytest.approx(-0.3, abs=off_db)


def test_the_channels_noises_add_up():
    mono = stored(chord(), 8, True)
    both = Sound(np.repeat(mono.samples, 2, axis=1), RATE_HZ)
    assert white_noise_power(both) == pytest.approx(2 * white_noise_power(mono))


def test_a_clean_sound_has_no_noise_and_a_full_one_cannot_have_more_than_itself():
    assert white_noise_power(Sound(chord(), RATE_HZ)) < 1e-9  # float32 has steps of 2^-24, and the chord starts hard
    full = 0.1 * np.random.default_rng(4).standard_normal(RATE_HZ)
    assert white_noise_power(Sound(full, RATE_HZ)) == pytest.approx(0.01, rel=0.25)  # quietest of 22 groups again


@pytest.mark.parametrize("frames", [0, 1, 30, 2000])
def test_silence_has_none(frames):
    assert white_noise_power(Sound(np.zeros(frames), RATE_HZ)) == 0
