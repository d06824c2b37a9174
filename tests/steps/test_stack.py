"""Stack: layers at the ratios and gains asked, as long as the source, and none that the source already carries."""

import numpy as np
import pytest

from kitfold.plan.settings import Stack
from kitfold.sound import Sound
from kitfold.steps.stack import layer_ratio, stack

RATE = 48_000
SECONDS = 3.0
TIME_S = np.arange(round(SECONDS * RATE)) / RATE


def sine(hz):
    return 0.25 * np.sin(2 * np.pi * hz * TIME_S)


def saw(hz, seed=0):
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, 40)
    return sum(0.1 / (n + 1) * np.sin(2 * np.pi * hz * (n + 1) * TIME_S + phases[n]) for n in range(40))


def take(samples, root_hz):
    return Sound(samples, RATE, root_hz=root_hz)


def line_db(sound, hz, first=0.3, last=0.7):
    """The level of one sine against a full-scale one."""
    samples = sound.float64()[round(first * sound.frames) : round(last * sound.frames), 0]
    window = np.blackman(len(samples))
    turned = samples * window * np.exp(-2j * np.pi * hz * np.arange(len(samples)) / RATE)
    return 20 * np.log10(2 * abs(np.sum(turned)) / np.sum(window))


@pytest.mark.parametrize(("temperament", "fifth"), [("equal", 2 ** (7 / 12)), ("just", 1.5)])
def test_layers_stand_at_the_ratios_and_gains_asked_and_hold_them(temperament, fifth):
    source = take(sine(220), 220)
    stacked = stack(source, Stack(intervals=(0, 7, 12), gains_db=(0, -8, -10), temperament=temperament))
    for ratio, gain_db in ((1, 0), (fifth, -8), (2, -10)):
        wanted_db = 20 * np.log10(0.25) + gain_db
        assert line_db(stacked, 220 * ratio) == pytest.approx(wanted_db, abs=0.2)  # the promise
        assert line_db(stacked, 220 * ratio, 0.85, 0.95) == pytest.approx(wanted_db, abs=1.0)  # the promise


@pytest.mark.parametrize(("temperament", "beat_hz"), [("equal", 3 * 220 - 2 * 220 * 2 ** (7 / 12)), ("just", 0.0)])
def test_a_just_fifth_does_not_beat_and_an_equal_one_does(temperament, beat_hz):
    tone = sine(220) + 0.5 * sine(440) + 0.5 * sine(660)  # harmonic 3 of the root meets harmonic 2 of the fifth
    stacked = stack(take(tone, 220), Stack(intervals=(0, 7), gains_db=(0, 0), temperament=temperament))
    span = stacked.float64()[RATE // 4 : -RATE // 4, 0]
    band = np.exp(-2j * np.pi * (660 - beat_hz / 2) * np.arange(len(span)) / RATE)
    swing = np.abs(np.convolve((span * band), np.hanning(2400), mode="valid")[::480])  # 50 ms: parts 660 from 440
    depth = (swing.max() - swing.min()) / (swing.max() + swing.min())
    assert (depth > 0.9) == (temperament == "equal")  # two equal lines: full depth once a beat (1.5 Hz)
    assert temperament == "equal" or depth < 0.05  # what the stretcher's own unsteadiness leaves


def test_the_lowest_layer_is_the_source_untouched():
    source = take(saw(110), 110)
    assert np.array_equal(stack(source, Stack(intervals=(0,), gains_db=(0,))).samples, source.samples)


def test_spread_moves_the_layers_up_and_down_in_turn_and_leaves_the_source():
    stacked = stack(take(sine(220), 220), Stack(intervals=(0, 7, 12), gains_db=(0, 0, 0), spread_cents=10))
    for hz in (220, 220 * 2 ** (710 / 1200), 440 * 2 ** (-10 / 1200)):
        assert line_db(stacked, hz) == pytest.approx(20 * np.log10(0.25), abs=0.2)


@pytest.mark.parametrize("carried_db", [0, -8, -14])
def test_a_source_that_carries_its_fifth_is_not_stacked_on_it_twice(carried_db):
    carrying = saw(110) + 10 ** (carried_db / 20) * saw(110 * 2 ** (7 / 12), seed=1)
    stacked = stack(take(carrying, 110), Stack(intervals=(0, 7), gains_db=(0, -8)))
    assert np.allclose(stacked.samples[:, 0], carrying, atol=1e-7)  # float32
    assert "+7 semitones is left out" in stacked.said[0]
    assert stacked.found["layers_semitones"] == [0]


def test_a_fifth_far_under_the_one_asked_for_does_not_stop_it():
    carrying = saw(110) + 10 ** (-30 / 20) * saw(110 * 2 ** (7 / 12), seed=1)
    stacked = stack(take(carrying, 110), Stack(intervals=(0, 7), gains_db=(0, -8)))
    assert stacked.said == ()
    assert line_db(stacked, 165 * 2 ** (7 / 12) / 1.5) > line_db(take(carrying, 110), 165 * 2 ** (7 / 12) / 1.5) + 15


def test_a_source_that_carries_its_octave_as_loud_as_its_root_gets_no_second_one():
    dull = [sum(0.1 / n**1.5 * np.sin(2 * np.pi * hz * n * TIME_S + n * n) for n in range(1, 30)) for hz in (110, 220)]
    stacked = stack(take(dull[0] + dull[1], 110), Stack(intervals=(0, 12), gains_db=(0, -8)))
    assert "+12 semitones is left out" in stacked.said[0]


@pytest.mark.parametrize("make", [sine, saw])
def test_a_plain_sound_gets_every_layer(make):
    stacked = stack(take(make(110), 110), Stack(intervals=(0, 7, 12, 19, 24), gains_db=(0, -8, -10, -12, -14)))
    assert stacked.said == ()
    assert stacked.found["layers_semitones"] == [0, 7, 12, 19, 24]


def test_the_root_is_found_where_no_step_has_told_it():
    carrying = Sound(saw(110) + 0.5 * saw(165, seed=1), RATE)
    assert stack(carrying, Stack(intervals=(0, 7), gains_db=(0, -8))).said


def test_noise_has_no_layers_to_carry_and_gets_all():
    noise = Sound(np.random.default_rng(7).standard_normal(RATE) * 0.1, RATE)
    assert stack(noise, Stack(intervals=(0, 7), gains_db=(0, -8))).found["layers_semitones"] == [0, 7]


@pytest.mark.parametrize(
    ("semitones", "ratio"),
    [(0, 1), (3, 6 / 5), (4, 5 / 4), (5, 4 / 3), (7, 3 / 2), (12, 2), (19, 3), (-12, 0.5), (-5, 3 / 4)],
)
def test_just_intervals_are_whole_number_ratios(semitones, ratio):
    assert layer_ratio(semitones, "just") == ratio


def test_an_interval_between_the_keys_stays_equal():
    assert layer_ratio(7.5, "just") == pytest.approx(2 ** (7.5 / 12))


@pytest.mark.parametrize("frames", [0, 1, 2])
def test_the_shortest_sounds_can_be_stacked(frames):
    assert stack(Sound(np.full((frames, 2), 0.1), RATE), Stack(gains_db=(0, -8, -10))).samples.shape == (frames, 2)
