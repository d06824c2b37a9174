"""How channels relate, and what folding them loses: closed forms."""

import numpy as np
import pytest

from kitfold.measure.stereo import correlation, fold_losses_lu
from kitfold.sound import Sound

RATE = 48_000
A = np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)
B = np.cos(2 * np.pi * 440 * np.arange(RATE) / RATE)
NOISE = np.random.default_rng(1).standard_normal((RATE, 2))


def stereo(left, right):
    return Sound(np.stack([left, right], axis=1), RATE)


@pytest.mark.parametrize(
    ("left", "right", "wanted"),
    [(A, A, 1), (A, -A, -1), (A, 0.1 * A, 1), (A, B, 0), (A, (A + B) / 2, 0.5**0.5), (A, 0 * A, 0)],
)
def test_correlation_is_the_cosine_between_the_channels(left, right, wanted):
    assert correlation(stereo(left, right)) == pytest.approx(wanted, abs=1e-6)  # float32


def test_mono_silence_and_nothing_are_in_phase_and_lose_nothing():
    for samples in (A, np.zeros((100, 2)), np.zeros((0, 2))):
        assert correlation(Sound(samples, RATE)) == 1
        assert fold_losses_lu(Sound(samples, RATE)) == {"mid": 0, "left": 0, "right": 0}


@pytest.mark.parametrize("degrees", [0, 60, 90, 150])
def test_the_middle_loses_the_cosine_of_half_the_phase_between_them(degrees):
    angle = np.radians(degrees)
    losses = fold_losses_lu(stereo(A, np.cos(angle) * A + np.sin(angle) * B))
    assert losses["mid"] == pytest.approx(-20 * np.log10(np.cos(angle / 2)), abs=0.05)  # the onset's click is broad
    assert losses["left"] == pytest.approx(0, abs=0.05)


def test_what_is_turned_over_is_cancelled_in_the_middle_only():
    losses = fold_losses_lu(stereo(A, -A))
    assert losses["mid"] > 100
    assert losses["left"] == losses["right"] == 0


def test_one_side_alone_keeps_all_of_a_sound_that_is_only_there():
    losses = fold_losses_lu(stereo(A, 0 * A))
    assert losses == pytest.approx({"mid": 10 * np.log10(2), "left": 0, "right": np.inf}, abs=0.01)


def test_a_note_on_each_side_is_half_lost_with_either_side():
    other = 10 ** (-0.0 / 20) * np.sin(2 * np.pi * 880 * np.arange(RATE) / RATE)
    losses = fold_losses_lu(stereo(A, other))
    # 3 dB each way; K-weighting lifts 880 Hz by 0.6 dB over 440 (BS.1770-4's curve), so one side has a little more
    assert losses == pytest.approx({"mid": 3.01, "left": 3.01, "right": 3.01}, abs=0.5)


def test_unrelated_channels_lose_3_lu_in_the_middle_and_less_on_one_side():
    losses = fold_losses_lu(Sound(NOISE, RATE))
    assert losses["mid"] > 3
    assert losses["left"] < 1.5


@pytest.mark.parametrize("frames", [1, 2, 500])
def test_the_shortest_sounds_have_finite_losses_on_their_sides(frames):
    losses = fold_losses_lu(Sound(NOISE[:frames], RATE))
    assert all(0 <= losses[way] < 40 for way in ("left", "right"))


def test_long_sounds_are_measured_in_pieces_with_the_same_result():
    long = np.tile(stereo(A, 0.5 * A + B).samples, (12, 1))  # over one block of 256 tiles
    short = fold_losses_lu(stereo(A, 0.5 * A + B))
    assert fold_losses_lu(Sound(long, RATE)) == pytest.approx(short, abs=0.05)  # both ends count twelve times less
