"""What a song asks of each sound, worked out by hand."""

import pytest

from kitfold.pack.asks import Ask, asks_of
from kitfold.plan.chord import parse_chord
from kitfold.plan.key import parse_key
from kitfold.plan.song import Section, Song, Trigger

D_MINOR = parse_key("D minor")
D = 2


def section(chords, name="shore", silent=(), shift=None):
    triggers, at = [], 0
    for text, patterns in chords:
        triggers.append(Trigger(parse_chord(text, D_MINOR), at, patterns))
        at += patterns
    return Section(name, tuple(triggers), at, frozenset(silent), shift or {})


def song(*sections):
    return Song(sections, beats_per_pattern=4, tempo=120, tempo_slowest=120)  # a pattern is 4 * 60 / 120 = 2 s


def test_chords_are_held_and_moved_by_the_shortest_way():
    # D to D 0; to B flat 4 down; to F 3 up; to A 5 down (7 up is further); to G 5 up; to C 2 down
    asks = asks_of(
        "pad", "chords", D, song(section([("i", 2), ("VI", 1), ("III", 1), ("v", 1), ("iv", 3), ("VII", 1)]))
    )
    assert asks == (
        Ask("shore", "i", 0, 4.0), Ask("shore", "VI", -4, 2.0), Ask("shore", "III", 3, 2.0),
        Ask("shore", "v", -5, 2.0), Ask("shore", "iv", 5, 6.0), Ask("shore", "VII", -2, 2.0),
    )  # fmt: skip


def test_a_tritone_goes_down():
    assert asks_of("pad", "chords", D, song(section([("G#", 1)])))[0].semitones == -6


def test_the_shift_of_a_section_comes_on_top():
    asks = asks_of("pad", "chords", D, song(section([("VI", 1)], shift={"pad": -12}), section([("VI", 1)], "dusk")))
    assert [(ask.section, ask.semitones) for ask in asks] == [("shore", -16), ("dusk", -4)]


def test_a_silent_sound_is_asked_nothing():
    song_ = song(section([("i", 1)], silent=["pad"]), section([("VI", 1)], "dusk"))
    assert [ask.section for ask in asks_of("pad", "chords", D, song_)] == ["dusk"]


def test_tones_are_root_third_fifth_and_octave_and_not_held():
    # B flat major from D: root 4 down, then its major third 4, fifth 7 and octave 12 above that
    asks = asks_of("bell", "tones", D, song(section([("VI", 4)])))
    assert [ask.semitones for ask in asks] == [-4, 0, 3, 8]
    assert {ask.needs_s for ask in asks} == {0.0}


def test_minor_and_diminished_chords_have_their_own_thirds_and_fifths():
    assert [ask.semitones for ask in asks_of("bell", "tones", D, song(section([("i", 1)])))] == [0, 3, 7, 12]
    assert [ask.semitones for ask in asks_of("bell", "tones", D, song(section([("ii°", 1)])))] == [2, 5, 8, 14]


def test_a_list_is_semitones_above_the_chords_root_and_not_held():
    asks = asks_of("bell", (0, 7, 19), D, song(section([("VI", 4)])))
    assert [(ask.semitones, ask.needs_s) for ask in asks] == [(-4, 0.0), (3, 0.0), (15, 0.0)]


@pytest.mark.parametrize(("plays", "pitch_class"), [("fixed", D), ("chords", None), ("tones", None), ((0,), None)])
def test_what_is_fixed_or_has_no_clear_root_is_never_moved(plays, pitch_class):
    assert asks_of("hit", plays, pitch_class, song(section([("i", 1), ("VI", 1)]))) == ()


def test_of_equal_notes_in_a_section_the_longest_hold_counts():
    asks = asks_of("pad", "chords", D, song(section([("i", 1), ("VI", 1), ("i", 3)]), section([("i", 1)], "dusk")))
    assert asks == (Ask("shore", "i", 0, 6.0), Ask("shore", "VI", -4, 2.0), Ask("dusk", "i", 0, 2.0))


def test_holds_are_counted_at_the_slowest_tempo():
    slow = Song((section([("i", 1)]),), beats_per_pattern=4, tempo=120, tempo_slowest=80)
    assert asks_of("pad", "chords", D, slow)[0].needs_s == 3.0  # 4 * 60 / 80
