"""What a seam measures: closed forms, and loops that are known to stand out or not."""

import numpy as np
import pytest

from kitfold.measure.seam import change_track, level_ripple_db, measure_seam, round_pitch_hz
from kitfold.sound import Sound

RATE = 44_100
LENGTH = 44_100  # a second: whole Hz go round without a seam


def looped(samples):
    return Sound(samples, RATE, loop=(0, len(samples)))


def shimmer(length=LENGTH, seed=3):
    """Lines at whole Hz around harmonics of 220 Hz, with phases by chance: a second of it has no seam."""
    chance = np.random.default_rng(seed)
    lines = np.zeros(LENGTH // 2 + 1, complex)
    for harmonic in range(1, 9):
        near = 220 * harmonic + np.arange(-3, 4)
        strengths = np.array([0.05, 0.1, 0.15, 1.0, 0.15, 0.1, 0.05]) / harmonic
        lines[near] = strengths * np.exp(2j * np.pi * chance.random(7))
    turn = np.fft.irfft(lines, LENGTH)
    return 0.3 * turn[:length] / np.abs(turn).max()


def test_a_round_that_has_no_seam_shows_none_wherever_it_is_cut():
    # of 20 places some hold the round's own greatest change, which no other place can match
    excesses = [measure_seam(looped(np.roll(shimmer(), shift))).excess_db for shift in range(0, LENGTH, LENGTH // 20)]
    assert np.median(excesses) <= 0.0
    assert max(excesses) < 4.0


def test_the_same_sound_cut_short_stands_out():
    cut = measure_seam(looped(shimmer(LENGTH - 137)))  # 137 frames: no whole period of any of its harmonics
    assert cut.excess_db > 6.0  # the least that plain loops of recorded pads were heard to stand out by
    assert cut.bend > cut.bend_inside


@pytest.mark.parametrize("height", [0.03, 0.1])
def test_a_click_at_the_seam_is_seen_and_the_same_click_elsewhere_is_not_the_seam_s(height):
    turn = shimmer()
    turn[0] += height
    at_seam, elsewhere = measure_seam(looped(turn)), measure_seam(looped(np.roll(turn, LENGTH // 2)))
    assert at_seam.excess_db > elsewhere.excess_db + 3.0
    assert at_seam.bend > at_seam.bend_inside
    assert elsewhere.bend < elsewhere.bend_inside


def test_ripple_is_the_swing_of_the_level():
    # 1 + 0.5 sin swings between 1.5 and 0.5: 20 log10(3) dB; 50 ms of a 1 Hz swing flatten it by less than 0.1 dB
    times = np.arange(LENGTH) / RATE
    swing = (1 + 0.5 * np.sin(2 * np.pi * times)) * np.sin(2 * np.pi * 440 * times)
    assert level_ripple_db(swing[:, None], RATE, circular=True) == pytest.approx(20 * np.log10(3), abs=0.1)
    assert measure_seam(looped(swing)).ripple_db == pytest.approx(20 * np.log10(3), abs=0.1)


@pytest.mark.parametrize("samples", [np.zeros((8000, 2)), np.ones((10, 1)), np.zeros((0, 1))])
def test_silence_and_what_is_shorter_than_a_window_have_no_ripple(samples):
    assert level_ripple_db(samples, RATE) == 0.0


def test_changes_are_the_same_at_any_level_and_turn_with_the_round():
    turn = shimmer()[:, None]
    changes, hop = change_track(turn, RATE)
    softer, _ = change_track(0.01 * turn, RATE)
    assert np.allclose(changes, softer, atol=1e-3)  # the spectra are taken in single precision
    turned, _ = change_track(np.roll(turn, -10 * hop, axis=0), RATE)
    last = len(changes) - 20  # the places count from the seam, and a second is no whole number of hops
    assert np.allclose(
        turned[10:last], changes[20 : last + 10], atol=0.01
    )  # dB: the mean over the round is of other windows


def test_the_pitch_of_a_loop_is_that_of_its_lines():
    # 441 frames hold two periods of 200 Hz; a centroid of steady lines is exact to a hundredth of a cent
    tone = np.sin(2 * np.pi * 200 * np.arange(441) / RATE) + 0.5 * np.sin(2 * np.pi * 400 * np.arange(441) / RATE)
    hz = round_pitch_hz(looped(0.5 * tone), 201.0)
    assert 1200 * np.log2(hz / 200.0) == pytest.approx(0.0, abs=0.01)


def test_silence_goes_round_without_a_seam():
    seam = measure_seam(looped(np.zeros((4000, 2))))
    assert (seam.excess_db, seam.bend, seam.ripple_db) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("sound", [Sound(np.zeros(100), RATE), Sound(np.zeros(100), RATE, loop=(0, 63))])
def test_a_sound_without_a_loop_worth_measuring_is_refused(sound):
    with pytest.raises(ValueError, match="64 frames"):
        measure_seam(sound)


def test_a_pitch_needs_a_loop():
    with pytest.raises(ValueError, match="needs a loop"):
        round_pitch_hz(Sound(np.zeros(100), RATE), 100.0)
