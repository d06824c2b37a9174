"""Sound: the one place that fixes shape, type and full scale."""

import numpy as np
import pytest

from kitfold.sound import Done, Sound


def test_one_dimension_becomes_one_channel():
    sound = Sound(np.zeros(10), 8000)
    assert sound.samples.shape == (10, 1)
    assert (sound.frames, sound.channels, sound.seconds) == (10, 1, 10 / 8000)


def test_samples_are_float32_and_cannot_be_written():
    given = np.zeros((4, 2))
    sound = Sound(given, 8000)
    assert sound.samples.dtype == np.float32
    with pytest.raises(ValueError, match="read-only"):
        sound.samples[0] = 1


def test_making_a_sound_leaves_the_array_given_writable():
    given = np.zeros((4, 2), np.float32)
    Sound(given, 8000)
    given[0] = 1.0
    assert given[0, 0] == 1.0


@pytest.mark.parametrize("shape", [(2, 3, 4), (5, 0), ()])
def test_other_shapes_are_refused(shape):
    with pytest.raises(ValueError, match="shape"):
        Sound(np.zeros(shape), 8000)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e39])
def test_what_is_not_finite_is_refused(value):
    with np.errstate(over="ignore"), pytest.raises(ValueError, match="finite"):
        Sound([0.0, value], 8000)


@pytest.mark.parametrize("rate_hz", [0, -1])
def test_a_rate_is_above_zero(rate_hz):
    with pytest.raises(ValueError, match="rate_hz"):
        Sound([0.0], rate_hz)


def test_no_frames_is_a_sound_with_no_peak():
    sound = Sound(np.zeros((0, 2)), 8000)
    assert (sound.frames, sound.seconds, sound.peak()) == (0, 0.0, 0.0)


def test_the_peak_is_the_largest_of_all_channels_either_way():
    assert Sound([[0.1, -0.7], [0.3, 0.2]], 8000).peak() == np.float32(0.7)


def test_what_a_step_told_moves_into_the_history():
    told = Sound([0.0], 8000, root_hz=220.0, whole=True).telling("quiet", peak_db=-90.0).telling("short")
    logged = told.logged("trim", {"head_db": -50})
    assert logged.history == (Done("trim", {"head_db": -50}, {"peak_db": -90.0}, ("quiet", "short")),)
    assert (logged.said, dict(logged.found)) == ((), {})
    assert (logged.root_hz, logged.whole) == (220.0, True)


def test_other_samples_keep_everything_else():
    sound = Sound([0.0], 8000, root_hz=220.0).logged("trim", {})
    other = sound.with_samples([[1.0, 2.0]], whole=True)
    assert (other.rate_hz, other.root_hz, other.whole, other.history) == (8000, 220.0, True, sound.history)
    assert other.samples.tolist() == [[1.0, 2.0]]
    assert sound.samples.tolist() == [[0.0]]


def test_measuring_happens_in_float64():
    assert Sound([0.5], 8000).float64().dtype == np.float64
