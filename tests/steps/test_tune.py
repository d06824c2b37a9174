"""Tune: what is heard, where it goes, and when it stays. The finder has its own tests; here are clear sounds."""

import numpy as np
import pytest

from kitfold.errors import StepError
from kitfold.measure.root import Alternative, Root
from kitfold.plan.key import parse_key
from kitfold.plan.settings import Tune
from kitfold.plan.step_base import Context
from kitfold.sound import Sound
from kitfold.steps import tune as tune_module
from kitfold.steps.tune import tune

RATE = 48_000
D_MINOR = Context(key=parse_key("D minor"), tempo=76)


def settings(context=D_MINOR, **keys):
    return Tune(**keys).resolved(context)


def tone(hz, seconds=1.5, harmonics=8, rate_hz=RATE, **about):
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    fade = np.minimum(1, np.minimum(time_s, time_s[::-1]) / 0.02)
    waves = sum(np.sin(2 * np.pi * hz * n * time_s + n * n) / n for n in range(1, harmonics + 1))
    return Sound(0.2 * fade * waves, rate_hz, **about)


def cents_off(sound, wanted_hz):
    """By the phase that the fundamental gains between two halves of the middle."""
    samples = sound.float64()[:, 0]
    half = len(samples) * 3 // 10
    beat = np.exp(-2j * np.pi * wanted_hz * np.arange(2 * half) / sound.rate_hz)
    turned = samples[half * 2 // 3 :][: 2 * half] * beat
    first, second = (np.sum(part * np.blackman(half)) for part in (turned[:half], turned[half:]))
    return 1200 * np.log2(1 + np.angle(second / first) / (2 * np.pi * half / sound.rate_hz) / wanted_hz)


def equal_hz(midi, a4_hz=440.0):
    return a4_hz * 2 ** ((midi - 69) / 12)


@pytest.mark.parametrize("harmonics", [1, 8])
@pytest.mark.parametrize("off_cents", [-41, 3, 29])
def test_a_tone_lands_on_the_tonic_within_half_a_cent(off_cents, harmonics):
    source = tone(equal_hz(50) * 2 ** (off_cents / 1200), harmonics=harmonics)
    tuned = tune(source, settings(to="tonic"))
    assert abs(cents_off(tuned, equal_hz(50))) < 0.5  # the promise; under 0.1 today
    assert tuned.root_hz == equal_hz(50)
    assert tuned.found["moved_cents"] == pytest.approx(-off_cents, abs=0.5)
    assert 0.5 < tuned.found["confidence"] <= 1


def test_keep_length_keeps_every_frame():
    source = tone(equal_hz(50) * 1.02)
    tuned = tune(source, settings(to="D3", method="keep-length"))
    assert tuned.frames == source.frames
    assert abs(cents_off(tuned, equal_hz(50))) < 1.0  # keep-length's own half cent, and the measurement's


@pytest.mark.parametrize(
    ("to", "heard_midi", "wanted_midi"),
    [
        ("tonic", 55, 50),  # G3: D3 is 5 down, D4 is 7 up
        ("tonic", 57, 62),  # A3: D4 is 5 up
        ("tonic", 56, 50),  # G#3: six either way, and a tie goes down
        ("key", 54, 53),  # F#3 is not in D minor: F3 and G3 are a semitone off, and a tie goes down
        ("nearest", 54.3, 54),
        ("A", 50, 45),
        (("A", "E"), 50, 52),
        ("F3", 50, 53),
    ],
)
def test_the_target_is_the_note_or_the_nearest_of_its_class(to, heard_midi, wanted_midi):
    tuned = tune(tone(equal_hz(heard_midi), root_hz=equal_hz(heard_midi)), settings(to=to))
    assert tuned.root_hz == pytest.approx(equal_hz(wanted_midi))


def test_the_kits_own_tuning_and_middle_c_are_used():
    context = Context(key=parse_key("A minor"), tempo=76, a4_hz=432, middle_c="C3")
    tuned = tune(tone(equal_hz(57)), settings(context, to="A2"))  # MIDI 57 where middle C is C3
    assert tuned.root_hz == pytest.approx(equal_hz(57, 432))
    assert abs(cents_off(tuned, equal_hz(57, 432))) < 0.5


def test_a_note_that_is_told_overrides_what_is_found_and_is_still_tuned_to_the_cent():
    source = tone(equal_hz(57) * 2 ** (-23 / 1200))
    tuned = tune(source, settings(to="D4", heard="A3"))
    assert tuned.found["moved_cents"] == pytest.approx(523, abs=0.2)
    assert abs(cents_off(tuned, equal_hz(62))) < 0.5
    assert tuned.said == ()


def test_a_note_that_is_told_but_not_there_is_believed_and_said():
    tuned = tune(tone(equal_hz(57), harmonics=1), settings(to="G#5", heard="G5"))
    assert "within 50 cents of G5" in tuned.said[0]
    assert tuned.found["moved_cents"] == pytest.approx(100)


def test_a_root_that_is_known_is_measured_near_there():
    source = tone(equal_hz(50), root_hz=equal_hz(50) * 2 ** (20 / 1200))
    assert tune(source, settings(to="D3")).found["root_hz"] == pytest.approx(equal_hz(50), rel=1e-4)  # 0.2 cents


@pytest.mark.parametrize("frames", [0, 1, 4800])
def test_silence_is_returned_as_it_is_and_says_what_to_write(frames):
    silence = Sound(np.zeros((frames, 2)), RATE)
    tuned = tune(silence, settings())
    assert np.array_equal(tuned.samples, silence.samples)
    assert 'tune.heard = "A3"' in tuned.said[0]
    assert tuned.root_hz is None


def test_an_unclear_root_moves_nothing_and_names_the_guess(monkeypatch):
    unclear = Root(pitched=False, hz=equal_hz(57), confidence=0.31)
    monkeypatch.setattr(tune_module, "find_root", lambda sound: unclear)
    source = tone(equal_hz(57), 0.2)
    tuned = tune(source, settings())
    assert np.array_equal(tuned.samples, source.samples)
    assert "perhaps A3, confidence 0.31" in tuned.said[0]
    assert 'tune.heard = "A3"' in tuned.said[0]


def test_noise_is_not_moved():
    noise = Sound(np.random.default_rng(5).standard_normal(RATE) * 0.1, RATE)
    assert np.array_equal(tune(noise, settings()).samples, noise.samples)


def test_a_longer_way_than_allowed_is_an_error_with_every_figure():
    with pytest.raises(StepError, match=r"tune.limit_semitones would move it from D3 to A3, 7.00 semitones; 6 are"):
        tune(tone(equal_hz(50)), settings(to="A3"))


def test_the_tonic_is_never_too_far():
    for midi in range(48, 60):  # a whole octave: the farthest is the tritone, six semitones
        tune(tone(equal_hz(midi), 0.3, root_hz=equal_hz(midi)), settings(to="tonic"))


def test_a_second_reading_is_named_where_the_way_is_too_long(monkeypatch):
    other = Alternative(equal_hz(62), 0.35)
    unsure = Root(pitched=True, hz=equal_hz(50), confidence=0.6, alternatives=(other,))
    monkeypatch.setattr(tune_module, "find_root", lambda sound: unsure)
    with pytest.raises(StepError, match=r"hint: it may also be D4; write tune.heard if D3 is wrong"):
        tune(tone(equal_hz(50)), settings(to="D4"))
