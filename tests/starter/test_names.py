"""What file names tell, and names that a kit can use."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.plan.key import Key
from kitfold.plan.names import is_reserved
from kitfold.starter.names import agreed_tempo, clean, kit_name, read_hints, sound_names
from kitfold.units import parse_note

NAME = re.compile(r"[a-z0-9-]{1,32}")


@pytest.mark.parametrize(
    ("stem", "note"),
    [
        ("pad_D3_76bpm", "D3"),
        ("Bell-Fs4", "F#4"),
        ("pluck c#5 120", "C#5"),
        ("PadBb2", "Bb2"),
        ("strings Eb4", "Eb4"),
        ("koto_Fsharp3_dry", "F#3"),
        ("A0", "A0"),
        ("01 Glass (G#5)", "G#5"),
        ("Glöckchen [h♯] A♭4", "Ab4"),
    ],
)
def test_a_note_is_read_however_it_is_written(stem, note):
    assert read_hints(stem).notes == (parse_note(note),)


@pytest.mark.parametrize(
    "stem", ["take3", "TAKE3", "bounce 12", "mp3 test", "CS80 brass", "v2", "Pad 440.5", "D33", "bass1", "F1a", ""]
)
def test_what_is_no_note_is_not_read_as_one(stem):
    assert read_hints(stem).notes == ()


@pytest.mark.parametrize(
    ("stem", "bpm", "bare"),
    [
        ("pad_D3_76bpm", 76.0, None),
        ("BPM-120 swell", 120.0, None),
        ("loop 92.5 bpm", 92.5, None),
        ("loop 92,5BPM", 92.5, None),
        ("pluck c#5 120", None, 120.0),
        ("hit 007", None, None),
        ("bd 909 bpm", None, None),
        ("swell 44100", None, None),
    ],
)
def test_a_tempo_is_read_where_it_is_marked_or_likely(stem, bpm, bare):
    hints = read_hints(stem)
    assert (hints.bpm, hints.bare) == (bpm, bare)


def test_numbers_that_count_takes_are_no_tempo():
    assert agreed_tempo(read_hints(stem) for stem in ("pad 101", "pad 102")) is None
    assert agreed_tempo(read_hints(stem) for stem in ("pad 101", "bell 101", "hat")) == 101.0
    assert agreed_tempo(read_hints(stem) for stem in ("pad 101", "bell 101", "hat 90bpm")) == 90.0


@pytest.mark.parametrize(
    ("stem", "key"),
    [("pad Dm", Key(2, "minor")), ("F#min", Key(6, "minor")), ("Bb major", Key(10, "major")), ("Am", Key(9, "minor")),
     ("am", None), ("Amp", None)],
)  # fmt: skip
def test_a_key_is_read_where_it_is_written_as_one(stem, key):
    assert read_hints(stem).key == key


def test_words_are_parted_at_capitals_and_signs():
    assert {"warm", "pad", "two", "bd"} <= read_hints("WarmPad_two-BD D3").words


def test_a_sound_is_called_after_its_file_without_note_and_tempo():
    stems = ["pad_D3_76bpm", "Bell-Fs4", "pluck c#5 120", "Été (nuit)", "CON", "音", "音", "hat D3", "hat E3"]
    assert sound_names([read_hints(stem) for stem in stems]) == [
        "pad", "bell", "pluck", "ete-nuit", "con-sound", "sound", "sound-2", "hat-d3", "hat-e3",
    ]  # fmt: skip


def test_a_kit_is_called_after_its_folder_and_after_the_one_around_it_only_where_it_must():
    assert kit_name(["bounces", "tmp"]) == "bounces"
    assert kit_name(["Salt Marsh", "takes"]) == "salt-marsh"
    assert kit_name(["音", "Salt Marsh"]) == "salt-marsh"
    assert kit_name(["Fjord", "Music"]) == "fjord"
    assert kit_name(["takes", "bounces"]) == "takes"
    assert kit_name(["", ""]) == "kit"
    assert kit_name(["aux", "x"]) == "aux-kit"


@given(st.lists(st.text(max_size=80), min_size=1, max_size=12))
def test_any_file_names_become_names_that_are_allowed_and_unique(stems):
    names = sound_names([read_hints(stem) for stem in stems])
    assert len(set(names)) == len(stems)
    assert all(NAME.fullmatch(name) and not is_reserved(name) for name in names)


@given(st.text(max_size=80))
def test_any_text_cleans_to_what_a_name_allows_or_nothing(text):
    assert re.fullmatch(r"[a-z0-9-]{0,32}", clean(text))
    assert clean(clean(text)) == clean(text)


@given(st.sampled_from("CDEFGAB"), st.sampled_from(["", "#", "b", "s"]), st.integers(0, 8), st.integers(40, 240))
def test_a_note_and_a_tempo_survive_any_arrangement(letter, accidental, octave, bpm):
    written = parse_note(f"C{octave}") + parse_note(f"{letter}{accidental.replace('s', '#')}4") - 60
    for stem in (f"pad_{letter}{accidental}{octave}_{bpm}bpm", f"{bpm} bpm pad {letter}{accidental}{octave}"):
        hints = read_hints(stem)
        assert hints.notes == (written,)
        assert hints.bpm == bpm
        assert hints.bare_name == "pad"
