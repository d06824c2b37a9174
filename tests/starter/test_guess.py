"""Which recipe, root and key are guessed from figures and names."""

from dataclasses import replace

import numpy as np
import pytest

from kitfold.measure.portrait import portrait
from kitfold.measure.root import Root
from kitfold.plan.key import Key
from kitfold.sound import Sound
from kitfold.starter.guess import guess_recipe
from kitfold.starter.names import read_hints
from kitfold.starter.roots import guess_key, guess_middle_c, read_root
from kitfold.units import hz_to_midi, midi_to_hz, parse_note

RATE_HZ = 22050


def partials(hz, seconds, table, t60_s=None, attack_s=0.0):
    """Sines at the ratios of a table, each with its amplitude; a decay of 60 dB in t60_s, a straight attack."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = sum(amplitude * np.sin(2 * np.pi * hz * ratio * time_s) for ratio, amplitude in table.items())
    fall = 1.0 if t60_s is None else 10.0 ** (-3.0 * time_s / t60_s)
    return 0.2 * wave * fall * (np.minimum(time_s / attack_s, 1.0) if attack_s else 1.0)


HARMONIC = {n: 1.0 / n for n in range(1, 9)}
FIFTH = {1.5 * n: 0.4 / n for n in range(1, 6)}
# Partials of a tuned bell (hum to nominal, Fletcher and Rossing ch. 21), the strike note at 1
BELL = {0.5: 0.5, 1: 0.6, 1.2: 0.8, 1.5: 0.3, 2: 1.0, 2.5: 0.3, 3: 0.3}
SOUNDS = {
    "stacked-pad": partials(146.83, 4.0, HARMONIC, attack_s=0.3),
    "pad": partials(146.83, 4.0, HARMONIC | FIFTH, attack_s=0.3),
    "shimmer": partials(587.33, 4.0, HARMONIC, attack_s=0.3),
    "pluck": partials(220.0, 3.0, HARMONIC, t60_s=2.5),
    "bell": partials(440.0, 6.0, BELL, t60_s=5.0),
    "mallet": partials(261.63, 1.5, {1: 1.0, 4: 0.02}, t60_s=1.0),  # a bar tuned 1 : 4 (Fletcher and Rossing ch. 19)
    "hit": np.random.default_rng(5).standard_normal(RATE_HZ)
    * 10.0 ** (-3.0 * np.arange(RATE_HZ) / RATE_HZ / 0.3)
    * 0.1,
    "raw": partials(146.83, 3.0, HARMONIC, t60_s=3.0)[::-1],
}


def guessed(wave, stem=""):
    figures = portrait(Sound(wave, RATE_HZ))
    hints = read_hints(stem)
    return guess_recipe(figures, hints.words, read_root(figures.root, hints).midi)


@pytest.mark.parametrize("recipe", SOUNDS)
def test_the_figures_of_a_sound_tell_its_recipe(recipe):
    assert guessed(SOUNDS[recipe]).recipe == recipe


def test_a_pad_that_carries_its_fifth_is_not_stacked_again_and_the_reason_says_so():
    guess = guessed(SOUNDS["pad"])
    assert guess.recipe == "pad"
    assert "carries its fifth" in guess.why


def test_a_low_pad_is_not_stacked():
    assert guessed(partials(73.42, 4.0, HARMONIC, attack_s=0.3)).recipe == "pad"


def test_long_noise_is_held_but_never_moved():
    noise = np.random.default_rng(6).standard_normal(3 * RATE_HZ) * 0.05
    guess = guessed(noise)
    assert (guess.recipe, guess.plays) == ("pad", "fixed")


@pytest.mark.parametrize(
    ("stem", "sound", "recipe"),
    [
        ("Kick 01", "mallet", "hit"),
        ("reversed", "stacked-pad", "raw"),
        ("Marimba C4", "pluck", "mallet"),
        ("warm pad", "stacked-pad", "stacked-pad"),
        ("shimmer pad", "stacked-pad", "shimmer"),
        ("pad", "hit", "hit"),  # too short to be one, whatever its name says
        ("pluck bell", "pluck", "pluck"),  # two words that disagree say nothing
    ],
)
def test_a_name_wins_as_long_as_the_sound_can_do_what_it_says(stem, sound, recipe):
    assert guessed(SOUNDS[sound], stem).recipe == recipe


def root(note, cents=0.0, confidence=0.99):
    hz = midi_to_hz(parse_note(note) + cents / 100)
    midi = round(hz_to_midi(hz))
    return Root(confidence >= 0.5, hz, midi, note, cents, confidence, 0.0, 0.0, ())


def test_a_note_in_the_name_settles_the_octave():
    reading = read_root(root("D4", -17), read_hints("pad D3"))
    assert reading.heard == parse_note("D3")
    assert reading.midi == pytest.approx(parse_note("D3") - 0.17)


def test_a_note_in_the_name_is_believed_where_the_finder_is_not_sure():
    assert read_root(root("F#4", 0, 0.3), read_hints("pad D3")).heard == parse_note("D3")
    assert read_root(root("F#4", 0, 0.6), read_hints("pad D3")).heard == parse_note("D3")
    assert read_root(root("D3", 20, 0.3), read_hints("pad D3")).midi == pytest.approx(parse_note("D3") + 0.2)


def test_a_sure_finding_stands_against_the_name_and_the_doubt_is_told():
    reading = read_root(root("F#4"), read_hints("pad D3"))
    assert reading.heard is None
    assert reading.midi == parse_note("F#4")
    assert 'tune.heard = "D3"' in reading.remark


def test_a_name_that_agrees_writes_nothing():
    assert read_root(root("D3", 31), read_hints("pad D3")).heard is None


def test_without_a_clear_root_or_a_name_nothing_is_relied_on():
    reading = read_root(root("F#4", 0, 0.3), read_hints("pad"))
    assert (reading.midi, reading.heard) == (None, None)
    assert "F#4" in reading.remark


def test_names_that_all_lie_an_octave_low_count_from_c3():
    found = [(root("D4"), read_hints("pad D3")), (root("A4"), read_hints("bell A3")), (root("C5"), read_hints("x"))]
    assert guess_middle_c(found) == "C3"
    assert guess_middle_c(found[:1]) == "C4"
    assert guess_middle_c([*found[:1], (root("A3"), read_hints("bell A3"))]) == "C4"
    assert read_root(root("D4"), read_hints("pad D3"), "C3").heard is None


@pytest.mark.parametrize("tonic", range(12))
@pytest.mark.parametrize(("mode", "chord"), [("minor", (0, 0, 3, 7, 8)), ("major", (0, 0, 4, 7, 9))])
def test_the_key_is_the_one_whose_scale_holds_the_roots_and_whose_tonic_has_most(tonic, mode, chord):
    guess = guess_key([((tonic + step) % 12, 1.0) for step in chord])
    assert guess.key == Key(tonic, mode)
    assert guess.outside == ()


def test_weight_decides_between_relatives():
    d_minor = [(2, 3.0), (9, 1.0), (5, 1.0), (0, 1.0)]
    assert guess_key(d_minor).key == Key(2, "minor")
    assert guess_key([(2, 1.0), (9, 1.0), (5, 3.0), (0, 1.0)]).key == Key(5, "major")


def test_one_root_alone_cannot_tell_major_from_minor_and_says_so():
    guess = guess_key([(2, 1.0)])
    assert guess.key == Key(2, "minor")
    assert "D major" in guess.sure


def test_a_key_in_a_file_name_is_believed():
    assert guess_key([(2, 1.0)], [Key(2, "major")]).key == Key(2, "major")


def test_without_any_root_the_key_is_called_a_default():
    assert "default" in guess_key([]).sure


def test_a_root_outside_the_key_is_named():
    assert guess_key([(2, 4.0), (9, 1.0), (1, 0.2), (3, 0.2), (5, 1.0)]).outside == (1, 3)


def test_an_attack_longer_than_half_the_sound_is_a_swell():
    figures = replace(portrait(Sound(SOUNDS["stacked-pad"], RATE_HZ)), attack_s=3.0, tail_s=4.0)
    assert guess_recipe(figures, frozenset(), 50.0).recipe == "raw"


@pytest.mark.parametrize("stem", ["swell", "warm swell pad", "swell pad D3"])
def test_a_swell_that_is_loudest_at_its_end_is_left_raw_whatever_its_name(stem):
    """It takes 5.3 s to its peak and is over after 6: no pad could hold a chord with it."""
    time_s = np.arange(round(6.0 * RATE_HZ)) / RATE_HZ
    shape = np.where(time_s < 5.6, 10.0 ** (1.5 * (time_s / 5.6 - 1)), np.exp(-(time_s - 5.6) / 0.1))
    guess = guessed(partials(146.83, 6.0, HARMONIC) * shape, stem)
    assert guess.recipe == "raw"
    assert "swells" in guess.why
