"""Keys, against the circle of fifths as any book of harmony has it (common practice)."""

import pytest

from kitfold.plan.key import Key, parse_key
from kitfold.units import parse_pitch_class

# The notes of scales, spelt as in a handbook of harmony (common practice); minor is the natural minor.
SCALES = {
    "C major": "C D E F G A B",
    "G major": "G A B C D E F#",
    "F major": "F G A Bb C D E",
    "E major": "E F# G# A B C# D#",
    "Db major": "Db Eb F Gb Ab Bb C",
    "A minor": "A B C D E F G",
    "D minor": "D E F G A Bb C",
    "F# minor": "F# G# A B C# D E",
    "C minor": "C D Eb F G Ab Bb",
    "Eb minor": "Eb F Gb Ab Bb Cb Db",
}


@pytest.mark.parametrize(("name", "notes"), SCALES.items())
def test_a_key_has_the_notes_of_its_scale(name, notes):
    assert parse_key(name).scale == tuple(parse_pitch_class(note) for note in notes.split())


# Keys by their signature (common practice): those with flats are written with flats.
@pytest.mark.parametrize("text", ["F major", "Bb major", "Eb major", "Ab major", "Db major", "D minor", "G minor"])
def test_flat_keys_are_written_with_flats(text):
    assert parse_key(text).flats
    assert str(parse_key(text)) == text


@pytest.mark.parametrize(
    "text", ["C major", "G major", "D major", "A major", "E major", "B major", "A minor", "E minor"]
)
def test_sharp_keys_are_written_with_sharps(text):
    assert not parse_key(text).flats
    assert str(parse_key(text)) == text


def test_case_and_spaces_of_a_key_do_not_matter():
    assert parse_key("  d   MINOR ") == Key(2, "minor")


def test_every_key_is_read_back_from_its_name():
    keys = [Key(tonic, mode) for tonic in range(12) for mode in ("major", "minor")]
    assert [parse_key(str(key)) for key in keys] == keys


@pytest.mark.parametrize("text", ["", "D", "minor", "D dorian", "H major", "D3 minor", "Dminor", "D flat minor"])
def test_what_is_no_key_is_refused_with_an_example(text):
    with pytest.raises(ValueError, match="like 'D minor', got"):
        parse_key(text)
