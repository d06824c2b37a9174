"""What a kit must say because something in it needs it: its key and its tempo, never guessed in silence."""

import pytest

from kitfold.errors import PlanError
from kitfold.plan.load import load_plan

PLAIN = {"name": "pad", "source": "pad.wav"}
NO_KEY, NO_TEMPO = {"key": None}, {"tempo": None}


def song(*chords):
    return {"song": {"section": [{"name": "shore", "chords": list(chords)}]}}


def refused(kit_folder, head, sound=None, **tables):
    with pytest.raises(PlanError) as error:
        load_plan(kit_folder.kit(head=head, sounds=[{**PLAIN, **(sound or {})}], **tables))
    (only,) = error.value.mistakes
    return str(only)


@pytest.mark.parametrize("chords", [("Dm", "i"), ("6",), ("bII",), ("vii°",)])
def test_numerals_and_degrees_need_the_key_and_the_message_says_which(kit_folder, chords):
    said = refused(kit_folder, NO_KEY, **song(*chords))
    assert "kit.toml: kit.key is missing, and is needed by the chord" in said
    assert f"{chords[-1]!r} of song.section[1] (shore)" in said
    assert 'key = "D minor"' in said


@pytest.mark.parametrize("sound", [{"recipe": "pad"}, {"recipe": "pad", "tune": {"to": "key"}}])
def test_a_sound_tuned_to_the_tonic_or_the_key_needs_the_key(kit_folder, sound):
    said = refused(kit_folder, NO_KEY, sound)
    assert "kit.key is missing" in said
    assert "sound[1] (pad).tune" in said


def test_all_that_need_the_key_are_one_mistake(kit_folder):
    said = refused(kit_folder, NO_KEY, {"recipe": "pad"}, **song("i", "VI"))
    assert "'i'" in said
    assert "(pad).tune" in said


def test_a_sound_that_holds_chords_needs_the_tempo(kit_folder):
    said = refused(kit_folder, NO_TEMPO, {"plays": "chords"}, **song("Dm"))
    assert "kit.tempo is missing, and is needed by" in said
    assert "sound[1] (pad)" in said
    assert "tempo = 76" in said


def test_a_riser_in_beats_needs_the_tempo_and_one_in_seconds_does_not(kit_folder):
    assert "sound[1] (pad).riser" in refused(kit_folder, NO_TEMPO, {"recipe": "riser"})
    steps = [{"step": "riser", "length_s": 2}]
    assert load_plan(kit_folder.kit(head=NO_TEMPO, sounds=[{**PLAIN, "steps": steps}])).sounds


def test_a_slowest_tempo_needs_the_tempo(kit_folder):
    assert "kit.tempo is missing" in refused(kit_folder, {"tempo": None, "tempo_slowest": 130})


@pytest.mark.parametrize(
    "sound",
    [{}, {"recipe": "raw"}, {"recipe": "bell", "tune": {"to": "nearest"}}, {"recipe": "bell", "tune": {"to": "A3"}}],
)
def test_a_kit_that_needs_neither_loads_without_them(kit_folder, sound):
    sounds = [{**PLAIN, "plays": "fixed", **sound}]
    assert load_plan(kit_folder.kit(head={**NO_KEY, **NO_TEMPO}, sounds=sounds, **song("Dm", "-", "Bb"))).sounds


def test_what_is_missing_is_reported_beside_the_other_mistakes(kit_folder):
    with pytest.raises(PlanError) as error:
        load_plan(kit_folder.kit(head={**NO_KEY, "version": "1"}, sounds=[{**PLAIN, "recipe": "pad", "slot": 99}]))
    said = str(error.value)
    assert "kit.key is missing" in said
    assert "kit.version must match" in said
    assert "slot must be at most 9" in said
    assert len(error.value.mistakes) == 3
