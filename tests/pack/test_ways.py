"""The ways of storing one sound: lengths to the frame, intervals that keep what the rate can hold, costs that fall."""

import numpy as np
import pytest

from kitfold.measure.audible import audible_error, hear
from kitfold.measure.level import held_until_s
from kitfold.pack.asks import Ask
from kitfold.pack.problem import Variant
from kitfold.pack.quantise import dequantise, quantise
from kitfold.pack.ways import Ways, as_variant, can_loop, strain_of
from kitfold.plan.device import Device
from kitfold.sound import Sound
from kitfold.steps.shift import varispeed

SOURCE_HZ = 22_050
EVERY = tuple(range(1, 25))


def device(**changes):
    figures = {
        "name": "tiny", "rate_hz": (16_000, 8_000), "bits": 12, "slots": 4, "memory_s": 9, "transpose": (-12, 12),
        **changes,
    }  # fmt: skip
    return Device.model_validate(figures)


def tone(hz, seconds=1.0, rate_hz=SOURCE_HZ, fall=1.0):
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    return Sound(0.5 * np.sin(2 * np.pi * hz * times) * np.exp(-fall * times), rate_hz)


def ways_of(sound, own=None, floor_db=None, ups=(12,)):
    return Ways.of(sound, own or device(), 0.0, False, floor_db, ups)


@pytest.mark.parametrize("seconds", [0.0005, 0.3, 1.00007])
def test_a_variant_is_as_long_as_the_sound_made_of_it(seconds):
    sound = tone(300, seconds)
    plain = ways_of(sound).plain()
    assert [(one.rate_hz, one.up_semitones) for one in plain] == [(16_000, 0), (8_000, 0), (16_000, 12), (8_000, 12)]
    for one in (*plain, *ways_of(sound, device(transpose=(-24, 0)), ups=EVERY).plain()):
        made = as_variant(sound, one)
        assert (made.frames, made.rate_hz) == (one.frames, one.rate_hz)


@pytest.mark.parametrize(("low", "ups"), [(-12, {0, 5, 7, 12}), (-11, {0, 5, 7}), (-7, {0, 5, 7}), (-4, {0})])
def test_no_sound_is_stored_further_up_than_its_device_can_play_it_down(low, ups):
    found = ways_of(tone(300), device(transpose=(low, 12)), ups=(5, 7, 12)).plain()
    assert {one.up_semitones for one in found} == ups


@pytest.mark.parametrize("up", EVERY)
@pytest.mark.parametrize("rate_hz", [16_000, 8_000])
def test_a_sound_stored_so_many_semitones_up_plays_at_its_pitch_level_and_length(up, rate_hz):
    """Read at 2^(-n/12) of its rate, as a device plays it, the line lies where it was: ISO 16, equal temperament."""
    hz, seconds = 300.0, 2.0
    sound = tone(hz, seconds, fall=0.0)
    stored = as_variant(sound, Variant(rate_hz, up, False, 1, 1, np.zeros(2)))
    played_hz = rate_hz / 2 ** (up / 12)
    assert abs(stored.frames / played_hz - seconds) <= 0.5 / played_hz + 1e-9  # half a stored frame of rounding
    middle = stored.float64()[stored.frames // 8 : -stored.frames // 8, 0]
    times = np.arange(len(middle)) / played_hz
    waves = np.stack([np.sin(2 * np.pi * hz * times), np.cos(2 * np.pi * hz * times)], axis=1)
    fitted, *_ = np.linalg.lstsq(waves, middle, rcond=None)
    # all of it is that line: what is left lies 60 dB under it, which 1.5 s of a wave a hundredth of a cent off are not
    assert np.std(middle - waves @ fitted) < 1e-3 * np.std(middle)
    assert np.hypot(*fitted) == pytest.approx(0.5, rel=0.001)


@pytest.mark.parametrize("up", [5, 7, 12, 24])
def test_a_loop_moves_up_with_its_sound_and_stays_in_tune_and_seamless(up):
    stored = as_variant(looped_tone(), Variant(16_000, up, True, 1, 1, np.zeros(2)))
    start, end = stored.loop
    played_hz = 16_000 / 2 ** (up / 12)
    periods = (end - start) / played_hz * 200
    assert abs(1200 * np.log2(round(periods) / periods)) <= 1  # whole periods within a cent: what a loop may move
    went_round = stored.sustained(end + 2 * (end - start)).float64()[start:, 0]
    steps = np.abs(np.diff(went_round, 2))
    seam = steps[end - start - 3 : end - start + 2]  # where the second round begins
    assert seam.max() <= 1.02 * steps[: end - start - 4].max()  # as smooth as inside; a peak may fall between frames


def test_an_octave_up_keeps_all_that_a_quarter_of_the_rate_can_hold():
    """3.6 kHz lies under 4 kHz, a quarter of 16 kHz; read an octave up at its own rate, 8 kHz, it would be lost."""
    sound = tone(3_600, rate_hz=8_000, fall=0.0)
    up = as_variant(sound, Variant(16_000, 12, False, 8_000, 160, np.zeros(2)))
    # twice its rate is the device's, so not one sample is touched
    assert np.array_equal(up.samples, sound.samples)
    back = varispeed(up, 0.5)
    middle = slice(4_000, 12_000)
    assert np.sqrt(np.mean(back.float64()[middle] ** 2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.01)  # 0.1 dB


@pytest.mark.parametrize(("up", "hz"), [(7, 329.6276), (12, 440.0), (24, 880.0)])  # ISO 16: E4, A4, A5
def test_a_root_that_is_known_moves_up_with_the_sound(up, hz):
    for sound in (tone(220), looped_tone()):
        known = sound.with_samples(sound.samples, root_hz=220.0)
        assert as_variant(known, Variant(8_000, up, False, 1, 1, np.zeros(2))).root_hz == pytest.approx(hz, abs=1e-4)


def test_costs_count_from_the_plain_sound_fall_with_length_and_are_never_nothing_for_a_change():
    for sound in (tone(6_000), tone(300)):
        plain, *others = ways_of(sound).plain()
        assert plain.shares[-1] == 0.0
        for one in (plain, *others):
            assert np.all(np.diff(one.shares) <= 0)
        assert all(other.shares[-1] > 0 for other in others)


def test_a_cut_costs_as_much_an_octave_up_whatever_hiss_that_spares():
    """Eight bits hiss over the whole band, an octave up over half of it: that pays for no tail worth hearing."""
    times = np.arange(3 * SOURCE_HZ) / SOURCE_HZ
    swell = Sound(0.1 * np.sin(2 * np.pi * 73 * times) * np.sin(np.pi * times / 3) ** 2, SOURCE_HZ)
    own = device(rate_hz=16_000, bits=8, encoding="unsigned")
    plain, up = Ways.of(swell, own, 15.0, True, None).plain()
    half = [float(one.shares[len(one.shares) // 2]) for one in (plain, up)]
    assert half[0] > 1e-3  # cut at its loudest: a thousandth is -30 dB
    assert half[1] >= 0.9 * half[0]  # beside the cut there is what the octave itself costs; the fades differ a little


def test_a_bright_sound_loses_more_than_a_dull_one_at_a_lower_rate_and_an_octave_up():
    # 6 kHz lies over half of 8 kHz, and over a quarter of 16 kHz: all of it is gone; 300 Hz lies under all of them
    bright, dull = (ways_of(tone(hz), device(bits=16)).plain() for hz in (6_000, 300))
    for loses, keeps in zip(bright[1:], dull[1:], strict=True):
        assert loses.shares[-1] > 10 * keeps.shares[-1]


def test_the_cost_of_a_whole_variant_is_what_the_ear_misses_of_the_sound_rendered_so():
    """The model's guess of band and noise against rendered sounds, heard: within 2 dB."""
    random = np.random.default_rng(3)
    times = np.arange(SOURCE_HZ) / SOURCE_HZ
    partials = sum(np.sin(2 * np.pi * 220 * n * times + random.uniform(0, 6)) / n for n in range(1, 40))
    sound = Sound(0.2 * partials * np.exp(-times), SOURCE_HZ)
    heard = hear(sound)
    missed = []
    variants = Ways.of(sound, device(bits=12), 0.0, True, None, (5, 7, 12)).plain()
    for one in variants:
        stored = as_variant(sound, one)
        played = stored.with_samples(dequantise(quantise(stored.samples, 12, "signed", True, 1), 12, "signed"))
        missed.append(audible_error(heard, varispeed(played, 2 ** (-one.up_semitones / 12))))
    for one, share in list(zip(variants, missed, strict=True))[1:]:
        assert 10 * np.log10(one.shares[-1]) == pytest.approx(10 * np.log10(share - missed[0]), abs=2.0)


def test_what_a_band_leaves_may_hold_shorter_and_its_variant_says_so():
    """A low thud and a bright ring: without its highs only the thud is left, which dies away at once."""
    thud, ring = tone(200, 2.0, fall=20.0), tone(6_000, 2.0, fall=0.2)
    sound = Sound(thud.samples + 0.3 * ring.samples, SOURCE_HZ)
    top, lower, up, _ = (one.held_s for one in ways_of(sound, floor_db=-12.0).plain())
    assert top == pytest.approx(held_until_s(sound, -12.0), abs=0.05)  # the window that holds are measured in
    assert top > 1.9
    assert lower < 0.4
    assert up < 0.4
    assert {one.held_s for one in ways_of(sound).plain()} == {np.inf}  # nothing holds it: not measured


@pytest.mark.parametrize(
    ("loop", "note_off", "may"), [(True, "stops", True), (True, "plays-on", False), (False, "stops", False)]
)
def test_a_loop_may_be_stored_only_where_it_is_played_and_something_stops_it(loop, note_off, may):
    assert can_loop(device(loop=loop, note_off=note_off)) == may


def looped_tone():
    # 441 frames are 20 ms at 22.05 kHz, four periods of 200 Hz
    return tone(200, 0.5, fall=0.0).with_samples(tone(200, 0.5, fall=0.0).samples, loop=(441 * 20, 441 * 25))


def test_a_looped_variant_ends_with_its_loop_and_costs_what_going_round_costs():
    ways, round_sound = ways_of(looped_tone()), looped_tone()
    found = ways.looping(round_sound, 0.1)
    assert [(one.rate_hz, one.up_semitones, one.loop) for one in found] == [
        (16_000, 0, True), (8_000, 0, True), (16_000, 12, True), (8_000, 12, True)
    ]  # fmt: skip
    for one, plain in zip(found, ways.plain(), strict=True):
        made = as_variant(round_sound, one)
        assert made.loop is not None
        assert made.frames == one.frames == made.loop[1]
        assert one.share_at(one.frames) == pytest.approx(plain.shares[-1] + 0.1)
    assert ways.looping(tone(200), 0.1) == ()
    assert ways.loop_share(round_sound) < 0.01  # a sine that goes round over whole periods is the sine


def test_only_settings_beyond_the_natural_range_are_priced_and_further_costs_more():
    random = np.random.default_rng(1)
    times = np.arange(2 * SOURCE_HZ) / SOURCE_HZ
    beats = 1 + np.sin(2 * np.pi * 3 * times)
    heard = hear(Sound(0.1 * random.standard_normal(len(times)) * beats, SOURCE_HZ))
    asks = [Ask("s", "x", move, 0.0) for move in (0, 3, 7, 12)]
    strain = strain_of(heard, asks, 5.0)
    assert set(strain) == {-12, -9, -7, 7, 9, 12}
    assert 0 < strain[7] < strain[12]
