"""A device's voices, against closed form: linear interpolation, loops, stealing, cuts."""

import math

import numpy as np
import pytest

from kitfold.pack.device_voice import DECLICK_S, Strike, ends_of, played_frames, read_out, voices_mix
from kitfold.pack.quantise import dequantise, quantise
from kitfold.sound import Sound
from kitfold.units import semitones_to_ratio

RATE = 18_000


def sine(hz, seconds=1.0, rate_hz=RATE):
    return 0.5 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def ones(frames, loop=None):
    return Sound(np.ones(frames, np.float32), RATE, loop=loop)


def strike(slot, start, sound, stop=None, step=1.0, gain=1.0):
    lasts = played_frames(sound.frames, sound.loop is not None, step)
    return Strike(slot, lambda: sound, lasts, start, stop, step, gain)


def line_db(samples, hz, rate_hz=RATE):
    """Measure a sine's level by its own frequency, over a Hann window."""
    window = np.hanning(len(samples))
    turn = np.exp(-2j * np.pi * hz * np.arange(len(samples)) / rate_hz)
    return 20 * np.log10(2 * abs(np.sum(samples * window * turn)) / window.sum())


def test_at_its_own_pitch_the_stored_codes_come_out_as_they_are():
    codes = quantise(sine(440.0), 8, "unsigned", dither=True, seed=3)
    stored = dequantise(codes, 8, "unsigned").astype(np.float32)
    heard = read_out(Sound(stored, RATE), 1.0, RATE + 5)[:, 0]
    assert np.array_equal(heard[:RATE], stored)
    assert not heard[RATE:].any()


def test_a_straight_line_stays_straight_at_any_speed():
    ramp = Sound(np.linspace(-1, 1, 1001), RATE)
    heard = read_out(ramp, 0.37, 2000)[:, 0]
    assert np.allclose(heard, -1 + 0.002 * 0.37 * np.arange(2000), atol=2e-7)  # two roundings of float32


@pytest.mark.parametrize("setting", [-12, -5, 3, 7])
def test_moved_by_semitones_a_sine_is_the_sine_at_the_new_pitch(setting):
    step = semitones_to_ratio(setting)
    heard = read_out(Sound(sine(300.0), RATE), step, 9000)[:, 0]
    wanted = 0.5 * np.sin(2 * np.pi * 300.0 * step * np.arange(9000) / RATE)
    # a straight line misses a sine by at most (2 pi f / rate)^2 / 8 of its amplitude: 0.00137 here
    assert np.max(np.abs(heard - wanted)) < 0.5 * (2 * np.pi * 300 / RATE) ** 2 / 8 * 1.01


def test_played_an_octave_down_the_image_lies_where_linear_interpolation_leaves_it():
    # Frames and the middles between them: zeros put in, then the filter 1/2 1 1/2, whose response is 2 cos^2(w / 2)
    # (Crochiere and Rabiner, Multirate Digital Signal Processing, 1983, on linear interpolators; from memory). A sine
    # at w = pi / 8 of the new rate has its image at pi - w, so the image is tan^2(w / 2) of it.
    f = RATE / 8
    heard = read_out(Sound(sine(f, 2.0), RATE), 0.5, RATE)[:, 0]
    image_db = line_db(heard, RATE / 2 - f / 2) - line_db(heard, f / 2)
    assert image_db == pytest.approx(40 * math.log10(math.tan(math.pi / 16)), abs=0.01)  # float32 and the window


def test_played_up_what_passes_half_the_rate_folds_back():
    heard = read_out(Sound(sine(6000.0), RATE), 2.0, 9000)[:, 0]
    assert line_db(heard, RATE - 12_000.0) == pytest.approx(20 * math.log10(0.5), abs=0.01)


def test_a_slot_stored_at_half_the_rate_plays_at_its_own_pitch():
    heard = read_out(Sound(sine(300.0, rate_hz=RATE // 2), RATE // 2), 0.5, 9000)[:, 0]
    # the same filter at w = 2 pi / 60 takes cos^2(w / 2): 0.024 dB
    wanted_db = 20 * math.log10(0.5 * math.cos(math.pi / 60) ** 2)
    assert line_db(heard, 300.0) == pytest.approx(wanted_db, abs=0.01)


def test_a_loop_goes_round_while_the_note_lasts():
    sound = Sound(np.arange(10) / 10, RATE, loop=(4, 10))
    wanted = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 4, 5, 6, 7, 8, 9, 4, 5]
    assert np.allclose(read_out(sound, 1.0, 18)[:, 0] * 10, wanted, atol=1e-6)  # float32
    # halfway between the last frame and the first of the next round
    assert read_out(sound, 0.5, 20)[19, 0] * 10 == pytest.approx((9 + 4) / 2)


def test_a_note_lasts_two_to_the_minus_setting_over_twelve_as_long():
    for setting in (-12, -7, 4, 12):
        (end,) = ends_of([strike(1, 0, ones(RATE), step=semitones_to_ratio(setting))], 4)
        assert end == math.ceil(RATE * 2 ** (-setting / 12))


def test_where_no_voice_is_free_the_oldest_note_gives_its_own():
    notes = [strike(slot, start, ones(1000)) for slot, start in ((1, 0), (2, 100), (3, 200), (4, 300))]
    assert ends_of(notes, 4) == [1000, 1100, 1200, 1300]
    assert ends_of(notes, 3) == [300, 1100, 1200, 1300]
    assert ends_of(notes, 2) == [200, 300, 1200, 1300]
    assert ends_of(notes, 1) == [100, 200, 300, 1300]


def test_a_voice_is_free_again_when_its_note_has_ended():
    notes = [strike(1, 0, ones(100)), strike(2, 50, ones(1000)), strike(3, 100, ones(1000))]
    assert ends_of(notes, 2) == [100, 1050, 1100]


def test_a_slot_that_is_struck_again_is_cut_and_takes_no_other_voice():
    notes = [strike(1, 0, ones(1000)), strike(2, 10, ones(1000)), strike(2, 500, ones(1000))]
    assert ends_of(notes, 2) == [1000, 500, 1500]


def test_a_key_that_goes_up_stops_a_note_where_the_device_says_so_and_nothing_else_stops_a_loop():
    assert ends_of([strike(1, 0, ones(1000), stop=400)], 1) == [400]
    assert ends_of([strike(1, 0, ones(1000))], 1) == [1000]
    assert ends_of([strike(1, 0, ones(1000, loop=(0, 1000)), stop=5000)], 1) == [5000]
    assert ends_of([strike(1, 0, ones(1000, loop=(0, 1000)))], 1) == [math.inf]


def test_a_cut_falls_to_zero_within_the_declick_and_never_jumps():
    mix = voices_mix([strike(1, 0, ones(1000), stop=400)], 1, 1000, 1, RATE)[:, 0]
    declick = round(DECLICK_S * RATE)
    assert np.array_equal(mix[:400], np.ones(400))
    assert not mix[400 + declick :].any()
    assert np.max(np.abs(np.diff(mix))) <= 1 / declick + 1e-6  # a straight fall; float32


def test_notes_add_up_at_their_gains_and_stop_at_the_mixs_end():
    mix = voices_mix([strike(1, 10, ones(50), gain=0.5), strike(2, 30, ones(500), gain=0.25)], 4, 100, 2, RATE)
    wanted = np.zeros(100)
    wanted[10:60] += 0.5
    wanted[30:] += 0.25
    assert np.array_equal(mix, np.stack([wanted, wanted], axis=1).astype(np.float32))
