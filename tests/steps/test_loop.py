"""The step loop: what a loop keeps of its sound, on pads made in code."""

from functools import cache

import numpy as np
import pytest

from kitfold.measure.level import loudest_lufs
from kitfold.measure.pitch import held_pitch_hz
from kitfold.measure.seam import level_ripple_db, measure_seam, round_pitch_hz
from kitfold.plan.key import parse_key
from kitfold.plan.settings import SETTINGS, Filter, Loop, Transpose
from kitfold.plan.step_base import Context
from kitfold.sound import Sound
from kitfold.steps import KEEP_LOOP, STEPS, step_named
from kitfold.steps.filter import filter as filtered
from kitfold.steps.loop import loop
from kitfold.steps.loop_beat import fifth_beat_hz
from kitfold.steps.loop_freeze import frozen
from kitfold.steps.loop_moved import loop_at_rate, whole_rounds
from kitfold.steps.seam import crossfaded, turn_of
from kitfold.steps.transpose import transpose
from kitfold.units import cents_between

RATE = 22_050
D3_HZ, A3_HZ = 146.8324, 220.0  # equal temperament from A4 = 440 Hz (ISO 16)
ATTACK_S = 0.2


def chorus(hz=D3_HZ, seconds=5.0, fall_db_s=0.0, seed=1):
    """Three sawtooth-like voices a few cents apart, each somewhere else in the stereo picture."""
    times = np.arange(round(seconds * RATE)) / RATE
    chance = np.random.default_rng(seed)
    total = np.zeros((len(times), 2))
    for cents, gains in ((-5.0, (1.0, 0.3)), (0.0, (0.7, 0.7)), (6.0, (0.3, 1.0))):
        voice_hz = hz * 2 ** (cents / 1200)
        voice = sum(np.sin(2 * np.pi * (voice_hz * n * times + chance.random())) / n for n in range(1, 20))
        total += voice[:, None] * np.array(gains)
    total *= (np.minimum(1.0, times / ATTACK_S) * 10 ** (-fall_db_s * times / 20))[:, None]
    return Sound(0.1 * total, RATE, root_hz=hz)


def tones(*notes, seconds=6.0, partials=8):
    times = np.arange(round(seconds * RATE)) / RATE
    total = sum(gain * np.sin(2 * np.pi * hz * n * times) / n for hz, gain in notes for n in range(1, partials))
    return Sound(0.1 * total * np.minimum(1.0, times / 0.05), RATE, root_hz=notes[0][0])


SOUNDS = {"steady": chorus(), "falling": chorus(fall_db_s=6.0), "low": chorus(55.0), "plain": tones((D3_HZ, 1.0))}
# `find` has nothing to find in voices that never meet again: that is what `auto` and `freeze` are for
GOOD = [(name, method) for name in SOUNDS for method in ("auto", "freeze")] + [("plain", "find")]
every_sound = pytest.mark.parametrize("name", SOUNDS)
every_method = pytest.mark.parametrize("method", ["auto", "find", "freeze"])


@cache
def looped(name, method):
    return loop(SOUNDS[name], Loop(method=method))


@pytest.mark.parametrize(("name", "method"), GOOD)
def test_a_loop_goes_round_without_a_seam_as_steady_and_in_tune_as_its_source(name, method):
    source, result = SOUNDS[name], looped(name, method)
    seam = measure_seam(result)
    assert seam.excess_db <= 0.5  # dB: under what the ear tells (common practice)
    assert seam.bend <= seam.bend_inside
    start, end = result.loop
    assert seam.ripple_db <= level_ripple_db(source.float64()[start:end], RATE) + 2.0
    # 3 cents: what voices 5 cents apart wander by from second to second
    assert abs(cents_between(held_pitch_hz(source, source.root_hz), round_pitch_hz(result, source.root_hz))) <= 3.0


@every_method
@every_sound
def test_a_loop_holds_whole_periods_and_ends_the_sound(name, method):
    start, end = looped(name, method).loop
    periods = (end - start) * SOUNDS[name].root_hz / RATE
    assert abs(cents_between(periods, round(periods))) <= 1.0
    assert looped(name, method).frames == end
    assert 0.6 * 1.5 * RATE - 1 <= end - start <= 1.4 * 1.5 * RATE + 1


@every_method
def test_the_attack_stays_as_it_was(method):
    attack = round(ATTACK_S * RATE)
    assert np.array_equal(looped("steady", method).samples[:attack], SOUNDS["steady"].samples[:attack])


@pytest.mark.parametrize("method", ["find", "freeze"])
def test_a_falling_sound_sustains_at_the_level_where_its_loop_begins(method):
    result = looped("falling", method)
    start, end = result.loop
    before = SOUNDS["falling"].float64()[start - RATE // 10 : start]
    level_db = 10 * np.log10(np.mean(result.float64()[start:end] ** 2) / np.mean(before**2))
    assert abs(level_db) < 1.5  # the beating of its three voices moves the level of 100 ms by that


def test_a_frozen_loop_is_as_loud_as_its_source():
    for name in ("steady", "plain"):
        held = looped(name, "freeze").sustained(6 * RATE)
        assert loudest_lufs(held) == pytest.approx(loudest_lufs(SOUNDS[name]), abs=1.5)  # beating, as above


def test_freezing_keeps_each_line_s_strength_left_right_and_in_the_mono_fold():
    turn, _, _ = turn_of(SOUNDS["steady"].float64(), 10_000, 20_001, 2000)
    before, after = (np.fft.rfft(samples, axis=0)[1:] for samples in (turn, frozen(turn, len(turn), RATE)))
    scale = np.abs(before).max()
    for way in (np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.array([0.5, 0.5])):
        assert np.abs(np.abs((before * way).sum(axis=1)) - np.abs((after * way).sum(axis=1))).max() < 1e-6 * scale


def test_freezing_is_steadier_than_phases_by_chance():
    turn, _, _ = turn_of(SOUNDS["steady"].float64(), 10_000, 20_000, 2000)
    lines, chance = np.fft.rfft(turn, axis=0), np.random.default_rng(5)
    by_chance = [
        level_ripple_db(
            np.fft.irfft(lines * np.exp(2j * np.pi * chance.random((len(lines), 1))), len(turn), axis=0), RATE
        )
        for _ in range(10)
    ]
    steady_db = level_ripple_db(frozen(turn, len(turn), RATE), RATE, circular=True)
    assert steady_db < 0.7 * min(by_chance)  # better than the best of ten: it does more than to choose


@pytest.mark.parametrize("likeness", [-0.4, 0.0, 0.3, 0.7, 1.0])
def test_a_crossfade_keeps_the_level_however_alike_its_parts_are(likeness):
    # sine and cosine are strangers, so this mix has exactly the likeness wanted; whole periods, so that means are exact
    turns = 2 * np.pi * np.arange(22_000) / 22
    first = np.sin(turns)[:, None]
    second = (likeness * np.sin(turns) + np.sqrt(1 - likeness**2) * np.cos(turns))[:, None]
    mixed, found = crossfaded(first, second)
    assert found == pytest.approx(likeness, abs=1e-3)
    power = (mixed**2).reshape(-1, 22).mean(axis=1)
    assert np.allclose(10 * np.log10(power / 0.5), 0.0, atol=0.02)  # dB; gains change a little within a period


def test_a_crossfade_begins_as_one_part_and_ends_as_the_other():
    first, second = np.ones((100, 1)), -0.5 * np.ones((100, 1))
    mixed, _ = crossfaded(first, second)
    assert mixed[-1] == pytest.approx(-0.5)
    assert mixed[0] == pytest.approx(1.0, abs=0.01)


def test_an_equal_tempered_fifth_beats_and_a_just_one_does_not():
    # 3 x 146.8324 - 2 x 220 = 0.497 Hz, the handbook's D3 to A3; centroids of 6 s read it to a hundredth
    assert fifth_beat_hz(tones((D3_HZ, 1.0), (A3_HZ, 0.5)), D3_HZ) == pytest.approx(0.497, abs=0.02)
    assert fifth_beat_hz(tones((D3_HZ, 1.0), (1.5 * D3_HZ, 0.5)), D3_HZ) is None
    assert fifth_beat_hz(tones((D3_HZ, 1.0)), D3_HZ) is None


def test_a_stacked_pad_loops_over_its_beat_and_says_so():
    result = loop(tones((D3_HZ, 1.0), (A3_HZ, 0.5)), Loop())
    (sentence,) = result.said
    assert "beats 0.50 times a second" in sentence
    assert "holds 1 whole beat;" in sentence
    assert "temperament" in sentence
    start, end = result.loop
    assert (end - start) / RATE == pytest.approx(1 / 0.497, rel=0.02)


def test_a_loop_too_short_for_the_beat_says_how_long_would_do():
    (sentence,) = loop(tones((D3_HZ, 1.0), (A3_HZ, 0.5)), Loop(length_s=0.5)).said
    assert "loop.length_s = 2.0" in sentence


@pytest.mark.parametrize("samples", [np.zeros((RATE, 2)), np.ones((500, 1)), 0.1 * np.sin(np.arange(1500))])
def test_what_holds_nothing_stays_as_it_is_and_says_so(samples):
    source = Sound(samples, RATE)
    result = loop(source, Loop())
    assert result.loop is None
    assert np.array_equal(result.samples, source.samples)
    assert result.said == ("no loop was made: nothing is held long enough.",)


@pytest.mark.parametrize("frames", [0, 1])
def test_no_frames_and_one_frame_stay_as_they_are(frames):
    assert loop(Sound(np.ones((frames, 2)), RATE), Loop()).frames == frames


def test_a_loop_made_again_replaces_the_first():
    again = loop(looped("steady", "freeze"), Loop(length_s=0.5))
    assert again.loop is not None
    assert again.loop[1] - again.loop[0] < 0.8 * RATE


def test_the_history_tells_what_was_made():
    found = looped("steady", "auto").found
    assert found["method"] in ("find", "freeze")
    assert found["length_s"] == pytest.approx(np.diff(looped("steady", "auto").loop)[0] / RATE, abs=1e-4)


# ---- on the way to the device


@pytest.mark.parametrize("rate_hz", [8000, 18_000, 24_000, 44_100])
def test_at_another_rate_a_loop_is_the_tone_itself_going_on(rate_hz):
    # 100 periods of 147 Hz in 15000 frames; the tone at the new rate, moved by the part of a cent that it may be
    start, end = 3001, 18_001
    tone = Sound(0.5 * np.sin(2 * np.pi * np.arange(end) / 150), RATE, loop=(start, end))
    moved = loop_at_rate(tone, rate_hz)
    first, last = moved.loop
    assert moved.frames == last
    hz = 100 / (last - first) * rate_hz
    assert abs(cents_between(RATE / 150, hz)) <= 1.0
    held = moved.sustained(3 * rate_hz).float64()[:, 0]
    wanted = 0.5 * np.sin(2 * np.pi * hz / rate_hz * np.arange(len(held)))
    # 120 dB down, float32's own steps; the very start is left out, where the tone begins from nothing
    assert np.abs(held - wanted)[rate_hz // 20 :].max() < 1e-6


def test_the_same_rate_is_the_same_sound():
    assert loop_at_rate(looped("steady", "find"), RATE) is looped("steady", "find")


def test_loops_of_866_frames_never_need_a_second_round_and_shorter_ones_hold_more():
    # half a frame of 866 is 1 cent: 1200 log2(1 + 0.5 / 866) = 0.9993
    for frames in range(2000, 2400):
        stretch = 866.5 / 2000
        assert whole_rounds(frames, stretch)[0] == 1
    rounds, whole = whole_rounds(100, 0.433)
    assert rounds > 1
    assert abs(cents_between(rounds * 43.3, whole)) <= 1.0


@pytest.mark.parametrize("method", ["find", "freeze"])
def test_a_loop_stays_seamless_through_a_filter_and_at_another_speed(method):
    before = measure_seam(looped("steady", method)).excess_db
    for after in (
        filtered(looped("steady", method), Filter(highpass_hz=80, lowpass_hz=2000, slope_db=24)),
        transpose(looped("steady", method), Transpose(semitones=-5, method="varispeed")),
        transpose(looped("steady", method), Transpose(semitones=3.3, method="varispeed")),
        loop_at_rate(looped("steady", method), 18_000),
    ):
        seam = measure_seam(after)
        assert after.frames == after.loop[1]
        assert seam.bend <= seam.bend_inside
        assert seam.excess_db <= max(0.5, before + 1.5)  # other windows meet the sound's own changes otherwise


def test_a_filter_rings_round_the_loop_and_not_into_it_from_silence():
    # a 30 Hz high-pass rings for half a second: the loop of a steady tone must still be the steady tone
    tone = Sound(0.5 * np.sin(2 * np.pi * np.arange(18_000) / 150), RATE, loop=(15_000, 18_000))
    result = filtered(tone, Filter(highpass_hz=30, slope_db=12))
    one, two = (result.sustained(24_000).float64()[first : first + 3000, 0] for first in (18_000, 21_000))
    assert np.array_equal(one, two)
    assert np.ptp(one) == pytest.approx(2 * np.max(one), rel=1e-3)


SETTINGS_OF = {"riser": {"beats": 1}, "transpose": {"semitones": 2}, "filter": {"lowpass_hz": 3000}}
SETTINGS_OF |= {"effect": {"name": "reverb"}, "tune": {"to": "D3"}, "fade": {"out_ms": 100}}


@pytest.mark.parametrize("step", STEPS)
def test_every_step_keeps_a_loop_seamless_or_takes_it_away_and_says_so(step):
    source = Sound(looped("steady", "find").samples, RATE, root_hz=D3_HZ, loop=looped("steady", "find").loop)
    settings = SETTINGS[step](**SETTINGS_OF.get(step, {})).resolved(Context(key=parse_key("D minor"), tempo=120))
    result = step_named(step)(source, settings)
    if result.loop is None:
        assert any("loop is gone" in sentence for sentence in result.said)
    else:
        assert step in KEEP_LOOP
        seam = measure_seam(result)
        assert seam.bend <= seam.bend_inside


def test_a_loop_outside_the_sound_is_refused_and_goes_with_the_frames_that_it_stood_on():
    for wrong in ((-1, 5), (5, 5), (0, 11)):
        with pytest.raises(ValueError, match="loop must lie within the 10 frames"):
            Sound(np.zeros(10), RATE, loop=wrong)
    kept = Sound(np.zeros(10), RATE, loop=(2, 10))
    assert kept.with_samples(np.ones((10, 1))).loop == (2, 10)
    assert kept.with_samples(np.ones((9, 1))).loop is None


def test_a_held_note_goes_round_and_a_sound_without_a_loop_ends_in_silence():
    sound = Sound(np.arange(6) / 10, RATE, loop=(3, 5))
    assert np.allclose(sound.sustained(9).samples[:, 0] * 10, [0, 1, 2, 3, 4, 3, 4, 3, 4])
    assert np.allclose(sound.sustained(4).samples[:, 0] * 10, [0, 1, 2, 3])
    once = Sound(np.arange(3) / 10, RATE).sustained(5)
    assert np.allclose(once.samples[:, 0] * 10, [0, 1, 2, 0, 0])
