"""The pitch near an expected one: what a stored slot is judged by."""

import numpy as np
import pytest

from kitfold.measure.pitch import cents_off, held_pitch_hz
from kitfold.sound import Sound
from kitfold.units import cents_between, semitones_to_ratio

RATE_HZ = 18000
FINE_CENTS = 0.2  # a fifth of what a tuner shows


def tone(hz, seconds=2.0, decay=0.0, rate_hz=RATE_HZ, partials=8):
    time = np.arange(int(seconds * rate_hz)) / rate_hz
    numbers = [n for n in range(1, partials + 1) if n * hz < 0.45 * rate_hz]
    total = sum(np.cos(2 * np.pi * n * hz * time + n) * np.exp(-decay * n * time) / n for n in numbers)
    return 0.3 * total * np.minimum(1, np.minimum(time, time[::-1]) / 0.005)


def in_8_bits(samples):
    dither = np.random.default_rng(4).uniform(-0.5, 0.5, (2, len(samples))).sum(axis=0)
    return np.clip(np.round(samples * 127 + dither), -128, 127) / 128


@pytest.mark.parametrize("cents", [-100, -33.3, 0, 7.5, 100])
def test_a_tone_is_read_up_to_a_semitone_off(cents):
    assert cents_off(Sound(tone(146.8 * 2 ** (cents / 1200)), RATE_HZ), 146.8) == pytest.approx(cents, abs=FINE_CENTS)


@pytest.mark.parametrize("cents", [-20.0, 0.0, 4.0])
def test_eight_bits_at_18_khz_are_enough(cents):
    stored = Sound(in_8_bits(tone(220 * 2 ** (cents / 1200))), RATE_HZ)
    assert cents_off(stored, 220.0) == pytest.approx(cents, abs=FINE_CENTS)


@pytest.mark.parametrize("intervals", [(0, 7, 12), (0, 12, 24), (0, 7, 12, 19)])
def test_a_stack_is_read_by_its_lowest_layer(intervals):
    stack = sum(tone(110.0 * semitones_to_ratio(step)) for step in intervals)
    # an equal-tempered fifth lies 2 cents under the third harmonic that it pulls at
    assert cents_off(Sound(0.4 * stack, RATE_HZ), 110.0) == pytest.approx(0.0, abs=0.5)


def test_a_chorused_pad_is_read_by_its_centre():
    pad = sum(tone(220 * 2 ** (cents / 1200), 4.0) for cents in (-9, 0, 9))
    assert cents_off(Sound(0.3 * pad, RATE_HZ), 220.0) == pytest.approx(0.0, abs=1.0)  # beats shift the centroids


@pytest.mark.parametrize("seconds", [0.08, 0.3])
def test_a_short_pluck_is_read(seconds):
    assert abs(cents_off(Sound(tone(330.0, seconds, decay=6.0), RATE_HZ), 330.0)) < 3.0  # lines are 75 Hz wide at 80 ms


def test_sides_out_of_phase_do_not_cancel():
    side = tone(196.0)
    assert cents_off(Sound(np.stack([side, -side], axis=1), RATE_HZ), 196.0) == pytest.approx(0.0, abs=FINE_CENTS)


def test_hz_and_cents_say_the_same():
    sound = Sound(tone(441.7), RATE_HZ)
    assert cents_between(440.0, held_pitch_hz(sound, 440.0)) == pytest.approx(cents_off(sound, 440.0), abs=1e-9)


@pytest.mark.parametrize("frames", [0, 1, 2, 400, 18000])
def test_silence_has_no_pitch(frames):
    assert held_pitch_hz(Sound(np.zeros(frames), RATE_HZ), 220.0) is None


def test_a_pitch_above_the_rate_is_none():
    assert held_pitch_hz(Sound(tone(220.0), RATE_HZ), 12000.0) is None
