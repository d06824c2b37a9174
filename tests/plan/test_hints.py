"""What a newcomer tripped on: each message says what to write instead."""

import pytest

from kitfold.errors import PlanError
from kitfold.plan.key import parse_key
from kitfold.plan.load import load_plan

HEAD = b"[kit]\nname = 'a'\ndevice = 'mono8-22s'\n"
SOUND = "name = 'pad'\nsource = 'pad.wav'\n"


def said(path):
    with pytest.raises(PlanError) as error:
        load_plan(path)
    return [str(mistake) for mistake in error.value.mistakes]


def said_of(kit_folder, sound=None, **tables):
    return said(kit_folder.kit(sounds=[{"name": "pad", "source": "pad.wav", **(sound or {})}], **tables))


@pytest.mark.parametrize(
    "sounds",
    [f"[sound]\n{SOUND}", f"[sound]\n{SOUND}[sound]\n{SOUND}", f"[sound]\n{SOUND}[[sound]]\n{SOUND}",
     f"[[sound]]\n{SOUND}[sound]\n{SOUND}"],
)  # fmt: skip
def test_sound_in_single_brackets_is_told_to_take_double_ones(tmp_path, sounds):
    path = tmp_path / "kit.toml"
    path.write_bytes(HEAD + sounds.encode())
    (one,) = said(path)
    assert "hint: " in one
    assert "[[sound]]" in one.partition("hint: ")[2]


def test_a_section_in_single_brackets_is_told_to_take_double_ones(kit_folder):
    (one,) = said_of(kit_folder, song={"section": {"name": "a", "chords": ["i"]}})
    assert "[[song.section]]" in one.partition("hint: ")[2]


def test_a_decimal_comma_is_told_to_be_a_point(tmp_path):
    path = tmp_path / "kit.toml"
    path.write_bytes(HEAD + b"key = 'D minor'\ntempo = 90,5  # slow\n")
    (one,) = said(path)
    assert "line 5" in one
    assert one.endswith("hint: write 90.5: a decimal takes a point")


def test_text_that_is_not_utf_8_is_told_how_to_be_saved(tmp_path):
    path = tmp_path / "kit.toml"
    path.write_bytes("[kit]\ntitle = 'Grün'".encode("latin-1"))
    (one,) = said(path)
    assert "is not UTF-8 text (byte 17)" in one  # the 18th byte, from 0
    assert "hint: save it as UTF-8" in one


@pytest.mark.parametrize("size", [0, 5_000_000])
def test_a_sound_file_given_as_a_kit_is_named_as_one(tmp_path, size):
    path = tmp_path / "pad.wav"
    path.write_bytes(b"RIFF\xff\xff\0\0WAVEfmt \xff" + bytes(size))
    (one,) = said(path)
    assert "is a sound file, not a kit" in one
    assert "kitfold init" in one


@pytest.mark.parametrize(
    ("sound", "what"),
    [
        ({"recipe": "stacked-pad", "stack": {"intervals": []}}, "stack.intervals must have at least one interval"),
        ({"steps": [{"step": "tune", "to": []}]}, "to must have at least one"),
    ],
)
def test_an_empty_list_is_told_what_must_be_in_it(kit_folder, sound, what):
    (one,) = said_of(kit_folder, sound)
    assert what in one
    assert "tuple" not in one


def test_an_empty_list_of_chords_is_told_to_have_one(kit_folder):
    (one,) = said_of(kit_folder, song={"section": [{"name": "a", "chords": []}]})
    assert "song.section[1].chords must have at least one chord" in one


def test_a_wrong_value_in_a_list_is_not_also_called_a_list_that_is_too_short(kit_folder):
    (one,) = said_of(kit_folder, {"recipe": "stacked-pad", "stack": {"intervals": [99], "gains_db": [0]}})
    assert "intervals[1] must be at most 48 (got 99)" in one


@pytest.mark.parametrize("value", ["24", "'24 kHz'", "24.5", "true"])
def test_a_rate_in_kilohertz_is_told_to_be_in_hertz(kit_folder, value):
    kit_folder.text("mine.toml", f"name = 'mine'\nrate_hz = {value}\nbits = 16\nslots = 4\nmemory_s = 2")
    (one,) = said_of(kit_folder, head={"device": "mine"})
    assert "mine.toml: rate_hz must be in Hz, like 24000, or a list of such" in one


def test_one_number_for_transpose_is_told_to_be_a_range(kit_folder):
    kit_folder.device("mine", transpose=12)
    (one,) = said_of(kit_folder, head={"device": "mine"})
    assert "mine.toml: transpose must be [low, high]" in one
    assert "write [-12, 12]" in one


def test_both_memory_keys_and_none_are_told_apart(kit_folder):
    kit_folder.device("mine", memory_bytes=1000)
    (both,) = said_of(kit_folder, head={"device": "mine"})
    assert "takes memory_s or memory_bytes, not both" in both
    kit_folder.device("mine", memory_s=None)
    (none,) = said_of(kit_folder, head={"device": "mine"})
    assert "needs memory_s (seconds) or memory_bytes" in none


@pytest.mark.parametrize("key", ["heard", "to"])
def test_a_note_that_is_none_is_told_with_its_key(kit_folder, key):
    (one,) = said_of(kit_folder, {"recipe": "pad", "tune": {key: "H3"}})
    assert f"sound[1] (pad).tune {key} must be" in one


@pytest.mark.parametrize(
    ("text", "meant"),
    [("Em", "E minor"), ("F#m", "F# minor"), ("D", "D major"), ("bbm", "Bb minor"), ("A min", "A minor")],
)
def test_a_key_written_like_a_chord_is_offered_as_a_key(kit_folder, text, meant):
    (one,) = said_of(kit_folder, head={"key": text})
    assert f"hint: did you mean {meant!r}?" in one
    assert str(parse_key(meant)) == meant


@pytest.mark.parametrize(("text", "meant"), [("My Pad", "my-pad"), ("Nébuleuse_2", "nebuleuse-2")])
def test_a_name_with_capitals_and_spaces_is_offered_in_small_letters_and_hyphens(kit_folder, text, meant):
    (one,) = said_of(kit_folder, {"name": text})
    assert f"hint: write {meant!r}" in one


@pytest.mark.parametrize(
    ("key", "value", "table"),
    [
        ("chords", ["i"], "[[song.section]]"),
        ("tempo", 90, "[kit]"),
        ("allow", [], "[fit]"),
        ("beats_per_pattern", 4, "[song]"),
    ],
)
def test_a_key_of_another_table_is_told_where_it_belongs(kit_folder, key, value, table):
    (one,) = said_of(kit_folder, {key: value})
    assert f"hint: {key} belongs in {table}" in one


@pytest.mark.parametrize("sound", [{"plays": "fixed"}, {"recipe": "hit"}, {"recipe": "pad", "plays": "fixed"}])
def test_a_sound_that_is_never_moved_cannot_be_shifted(kit_folder, sound):
    section = {"name": "a", "chords": ["i"], "shift": {"pad": -12}}
    (one,) = said_of(kit_folder, sound, song={"section": [section]})
    assert "song.section[1] (a).shift moves pad, which is fixed: fixed sounds are never moved" in one
    assert "plays" in one.partition("hint: ")[2]


def test_a_sound_that_is_played_may_be_shifted(kit_folder):
    section = {"name": "a", "chords": ["i"], "shift": {"pad": 48}}
    sounds = [{"name": "pad", "source": "pad.wav", "recipe": "pad"}]
    assert load_plan(kit_folder.kit(sounds=sounds, song={"section": [section]})).song.sections[0].shift == {"pad": 48}


def test_a_path_is_shown_as_it_was_given(kit_folder, monkeypatch):
    kit = kit_folder.kit(head={"tempo": 1})
    assert said(kit)[0].startswith(f"{kit}: kit.tempo")
    monkeypatch.chdir(kit_folder.path)
    assert said(kit.relative_to(kit_folder.path))[0].startswith("kit.toml: kit.tempo")
    monkeypatch.chdir(kit_folder.path.parent)
    assert said(kit.relative_to(kit_folder.path.parent))[0].startswith(f"{kit_folder.path.name}/kit.toml: kit.tempo")


# Recipes of one's own.


def test_a_recipe_may_be_a_list_of_steps_and_nothing_else(kit_folder):
    kit_folder.text("mine.toml", "steps = [{step = 'reverse'}]")
    kit = kit_folder.kit(sounds=[{"name": "pad", "source": "pad.wav", "recipe": "mine"}])
    assert [step.step for step in load_plan(kit).sounds[0].steps] == ["reverse"]


def test_a_recipe_may_say_its_name_as_long_as_it_is_its_files(kit_folder):
    kit_folder.text("mine.toml", "name = 'mine'\nsteps = [{step = 'reverse'}]")
    kit = kit_folder.kit(sounds=[{"name": "pad", "source": "pad.wav", "recipe": "mine"}])
    assert load_plan(kit).sounds[0].recipe == "mine"
    kit_folder.text("mine.toml", "name = 'pad'\nsteps = [{step = 'reverse'}]")
    (one,) = said(kit)
    assert "mine.toml: name must be 'mine', like its file (got 'pad')" in one
