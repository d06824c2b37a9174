"""Fold: the middle where it keeps the sound, one side where the middle cancels, and a word about it."""

import numpy as np
import pytest

from kitfold.plan.settings import Fold
from kitfold.sound import Sound
from kitfold.steps.fold import fold

RATE = 44_100
LEFT = np.sin(2 * np.pi * 220 * np.arange(RATE) / RATE) * 0.3 + np.random.default_rng(1).standard_normal(RATE) * 0.05


def stereo(left, right):
    return Sound(np.stack([left, right], axis=1), RATE, root_hz=220)


def level_db(samples):
    return 10 * np.log10(np.mean(np.square(samples, dtype=np.float64)))


def test_an_out_of_phase_pad_loses_less_than_1_db_and_says_why():
    folded = fold(stereo(LEFT, -LEFT), Fold())
    assert folded.channels == 1
    assert abs(level_db(folded.samples) - level_db(LEFT)) < 1e-4  # float32: one side is the pad itself
    assert folded.found == {"way": "left", "lost_lu": 0.0}
    assert folded.said == ("mono is the left channel alone: both together would cancel it, this loses 0.0 LU",)


def test_what_is_the_same_on_both_sides_keeps_its_level_in_the_middle_without_a_word():
    folded = fold(stereo(LEFT, LEFT), Fold())
    assert np.allclose(folded.samples[:, 0], LEFT, atol=1e-7)  # float32
    assert folded.found["way"] == "mid"
    assert folded.said == ()


def test_the_middle_is_kept_where_it_loses_no_more_than_1_lu_more():
    turned = np.roll(LEFT, 17)  # 220 Hz: 31 degrees, cos²(15°) = -0.3 dB for the tone
    assert fold(stereo(LEFT, turned), Fold()).found["way"] == "mid"


def test_a_silent_side_is_left_out():
    assert fold(stereo(np.zeros(RATE), LEFT), Fold()).found["way"] == "right"


def test_two_notes_on_two_sides_are_both_kept():
    high = np.sin(2 * np.pi * 660 * np.arange(RATE) / RATE) * 0.3
    assert fold(stereo(LEFT, high), Fold()).found["way"] == "mid"


@pytest.mark.parametrize(("method", "wanted"), [("mid", 0.0), ("left", 1.0), ("right", -1.0)])
def test_a_method_that_is_given_is_obeyed_without_a_word(method, wanted):
    folded = fold(stereo(LEFT, -LEFT), Fold(method=method))
    assert np.allclose(folded.samples[:, 0], wanted * LEFT, atol=1e-7)
    assert folded.said == ()


@pytest.mark.parametrize(("channels", "wanted"), [(1, 1), (1, 2), (2, 2)])
def test_channels_are_never_added_and_nothing_is_touched_that_fits(channels, wanted):
    source = Sound(np.repeat(LEFT[:, None], channels, axis=1), RATE)
    assert fold(source, Fold(channels=wanted)) is source


def test_the_root_stays():
    assert fold(stereo(LEFT, LEFT), Fold()).root_hz == 220
