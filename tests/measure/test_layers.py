"""Layers that a sound already carries: found at their level, and not found where there are none."""

import numpy as np
import pytest

from kitfold.measure.layers import harmonic_share, layer_db
from kitfold.sound import Sound

RATE = 44_100
TIME_S = np.arange(2 * RATE) / RATE
FIFTH = 2 ** (7 / 12)


def tone(hz, slope=1.0, seed=0, count=40):
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, count)
    parts = [n**-slope * np.sin(2 * np.pi * hz * n * TIME_S + phases[n - 1]) for n in range(1, count + 1)]
    return 0.1 * np.sum(parts, axis=0)


def heard_db(samples, ratio, root_hz=110.0):
    return layer_db(Sound(samples, RATE), root_hz, ratio)


@pytest.mark.parametrize("asked_db", [0, -8, -20])
@pytest.mark.parametrize("ratio", [FIFTH, 4 / 3, 5 / 4, 0.5])
def test_a_layer_between_the_harmonics_is_found_at_its_level(asked_db, ratio):
    both = tone(110) + 10 ** (asked_db / 20) * tone(110 * ratio, seed=1)
    assert heard_db(both, ratio) == pytest.approx(asked_db, abs=1.5)  # the loudest partial of two may coincide


@pytest.mark.parametrize("ratio", [FIFTH, 1.5, 4 / 3, 5 / 4, 6 / 5, 0.5, 2, 3, 4])
@pytest.mark.parametrize("slope", [0.5, 1, 2])
def test_a_plain_tone_carries_no_layer(ratio, slope):
    assert heard_db(tone(110, slope), ratio) == -np.inf


def test_a_sine_tells_its_fifth_but_not_its_octave():
    assert heard_db(tone(110, count=1) + 0.5 * tone(165, count=1), FIFTH) == pytest.approx(-6, abs=0.2)
    assert heard_db(tone(110, count=1) + 0.5 * tone(220, count=1), 2) == -np.inf  # it is a second harmonic as well


@pytest.mark.parametrize("asked_db", [0, -3])
def test_a_loud_octave_over_a_dull_tone_is_found(asked_db):
    both = tone(110, 2) + 10 ** (asked_db / 20) * tone(220, 2, seed=1)
    assert heard_db(both, 2) == pytest.approx(asked_db, abs=4)  # phases at random add or take up to 4 dB


@pytest.mark.parametrize("raised", [{4: 3, 6: 3, 8: 3}, {4: 9, 6: 9}, {4: 9, 6: 9, 8: 1}])
def test_harmonics_that_stand_out_a_little_or_not_all_are_a_timbre(raised):
    lifted = sum((10 ** (raised.get(n, 0) / 20)) / n * np.sin(2 * np.pi * 110 * n * TIME_S) for n in range(1, 20))
    assert heard_db(0.1 * lifted, 2) == -np.inf


def test_a_layer_much_louder_than_its_root_says_that_the_root_is_wrong():
    assert heard_db(0.1 * tone(110) + tone(110 * FIFTH, seed=1), FIFTH) == -np.inf  # 20 dB: the fifth is the note


def test_a_root_that_was_read_an_octave_too_high_makes_no_fifth():
    assert heard_db(tone(110), FIFTH, root_hz=220) == -np.inf  # 1.5 of it is harmonic 3, but 0.5 and 2.5 sound too


@pytest.mark.parametrize("ratio", [FIFTH, 4 / 3, 2, 3])
def test_noise_silence_and_clicks_carry_nothing(ratio):
    noise = np.random.default_rng(3).standard_normal(RATE)
    for samples in (noise, np.zeros(RATE), np.zeros(0), np.ones(1), np.r_[1.0, np.zeros(500)]):
        assert heard_db(samples, ratio) == -np.inf


def test_a_chorused_pad_tells_its_fifth():
    spread = [2 ** (cents / 1200) for cents in (-9, -3, 4, 10)]
    both = sum(tone(110 * by, seed=9) + 0.4 * tone(110 * FIFTH * by, seed=8) for by in spread)
    assert heard_db(both, FIFTH) == pytest.approx(-8, abs=2)  # four lines beat over the held part


def test_a_note_lies_on_its_own_harmonics_and_not_on_anothers():
    note = Sound(tone(220, count=1), RATE)
    assert harmonic_share(note, 220) == pytest.approx(1, abs=0.01)
    assert harmonic_share(note, 220 * 2 ** (10 / 12) * 2) < 1e-4
    assert harmonic_share(Sound(np.zeros((10, 1)), RATE), 220) == 0
