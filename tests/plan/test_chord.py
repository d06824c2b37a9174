"""Chords in all three notations, against the triads that any book of harmony prints (common practice)."""

import pytest

from kitfold.plan.chord import Chord, parse_chord
from kitfold.plan.key import Key, parse_key
from kitfold.units import parse_pitch_class

# The diatonic triads (common practice): key, then numeral, name and notes for each degree from the tonic up.
DIATONIC = {
    "C major": [
        ("I", "C", "C E G"), ("ii", "Dm", "D F A"), ("iii", "Em", "E G B"), ("IV", "F", "F A C"),
        ("V", "G", "G B D"), ("vi", "Am", "A C E"), ("vii°", "Bdim", "B D F"),
    ],
    "D minor": [
        ("i", "Dm", "D F A"), ("ii°", "Edim", "E G Bb"), ("III", "F", "F A C"), ("iv", "Gm", "G Bb D"),
        ("v", "Am", "A C E"), ("VI", "Bb", "Bb D F"), ("VII", "C", "C E G"),
    ],
    "E major": [
        ("I", "E", "E G# B"), ("ii", "F#m", "F# A C#"), ("iii", "G#m", "G# B D#"), ("IV", "A", "A C# E"),
        ("V", "B", "B D# F#"), ("vi", "C#m", "C# E G#"), ("vii°", "D#dim", "D# F# A"),
    ],
    "C minor": [
        ("i", "Cm", "C Eb G"), ("ii°", "Ddim", "D F Ab"), ("III", "Eb", "Eb G Bb"), ("iv", "Fm", "F Ab C"),
        ("v", "Gm", "G Bb D"), ("VI", "Ab", "Ab C Eb"), ("VII", "Bb", "Bb D F"),
    ],
}  # fmt: skip
CASES = [(key, degree, *triad) for key, triads in DIATONIC.items() for degree, triad in enumerate(triads, 1)]
C_MAJOR = Key(0, "major")


def notes(text):
    return tuple(parse_pitch_class(note) for note in text.split())


def sounding(chord):
    return tuple((chord.root + tone) % 12 for tone in chord.tones[:-1])


@pytest.mark.parametrize(("key", "degree", "numeral", "name", "spelt"), CASES)
def test_numeral_degree_and_name_of_a_diatonic_triad_are_the_same_notes(key, degree, numeral, name, spelt):
    for written in (numeral, str(degree), name):
        assert sounding(parse_chord(written, parse_key(key))) == notes(spelt)
    assert parse_chord(numeral, parse_key(key)).name(parse_key(key).flats) == name


def test_the_diminished_degree_is_the_only_diatonic_root_whose_fifth_leaves_the_key():
    # vii in major, ii in natural minor (common practice)
    for tonic in range(12):
        for mode, odd_one in (("major", 6), ("minor", 1)):
            scale = Key(tonic, mode).scale
            assert [place for place, root in enumerate(scale) if (root + 7) % 12 not in scale] == [odd_one]


# Chord symbols and their notes (common practice).
@pytest.mark.parametrize(
    ("text", "spelt"),
    [
        ("C", "C E G"), ("Cm", "C Eb G"), ("Cmin", "C Eb G"), ("Cmaj", "C E G"), ("Cdim", "C Eb Gb"),
        ("C°", "C Eb Gb"), ("Co", "C Eb Gb"), ("Caug", "C E G#"), ("C+", "C E G#"), ("Csus2", "C D G"),
        ("Csus4", "C F G"), ("C5", "C G"), ("F#m", "F# A C#"), ("G♭", "Gb Bb Db"), ("Bb", "Bb D F"), ("B", "B D# F#"),
        ("Abdim", "Ab Cb Ebb"), ("E♯", "E# G## B#"),
    ],
)  # fmt: skip
def test_a_name_stands_for_its_own_notes_in_any_key(text, spelt):
    for key in (C_MAJOR, Key(6, "minor")):
        assert sounding(parse_chord(text, key)) == notes(spelt)


@pytest.mark.parametrize("added", ["6", "7", "9", "maj7", "add9"])
def test_an_added_tone_is_accepted_and_not_sounded(added):
    assert parse_chord(f"Dm{added}", C_MAJOR).tones == (0, 3, 7, 12)
    assert parse_chord(f"C{added}", C_MAJOR).tones == (0, 4, 7, 12)
    assert parse_chord(f"V{added}", C_MAJOR).tones == (0, 4, 7, 12)
    assert parse_chord(f"vii°{added}", C_MAJOR).tones == (0, 3, 6, 12)


# Borrowed chords in C major (common practice): the flat six is A flat major, the Neapolitan D flat major.
@pytest.mark.parametrize(
    ("text", "spelt"),
    [
        ("bVI", "Ab C Eb"),
        ("bII", "Db F Ab"),
        ("♭VII", "Bb D F"),
        ("#iv°", "F# A C"),
        ("iv", "F Ab C"),
        ("II", "D F# A"),
    ],
)
def test_accidentals_and_case_of_numerals_borrow_chords(text, spelt):
    assert sounding(parse_chord(text, C_MAJOR)) == notes(spelt)


def test_a_power_chord_has_no_third():
    chord = parse_chord("D5", C_MAJOR)
    assert chord.third is None
    assert chord.tones == (0, 7, 12)
    assert chord.name() == "D5"


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "0",
        "8",
        "10",
        "H",
        "dm",
        "Iv",
        "iIi",
        "VIII",
        "Dmb",
        "D-",
        "b",
        "bb",
        "N.C.",
        "C/E",
        "i ",
        "Dm3",
        "V13",
        "-1",
    ],
)
def test_what_is_no_chord_is_refused_and_all_notations_are_named(text):
    with pytest.raises(ValueError, match=r"Roman numeral .* scale degree .* name .* got"):
        parse_chord(text, C_MAJOR)


def test_every_triad_is_read_back_from_its_name():
    triads = {(4, 7), (3, 7), (3, 6), (4, 8), (2, 7), (5, 7), (None, 7)}
    for root in range(12):
        for third, fifth in triads:
            for flats in (False, True):
                chord = Chord("", root, third, fifth)
                read = parse_chord(chord.name(flats), C_MAJOR)
                assert (read.root, read.third, read.fifth) == (root, third, fifth)
