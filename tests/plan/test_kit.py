"""What may stand in kit.toml: names, limits, choices, and what each refusal says."""

import re

import pytest

from kitfold.errors import PlanError
from kitfold.plan.load import load_plan


def mistake(kit_folder, **tables):
    """Return the text of the one mistake that a kit has."""
    with pytest.raises(PlanError) as error:
        load_plan(kit_folder.kit(**tables))
    (only,) = error.value.mistakes
    return str(only)


def test_a_kit_with_the_least_that_it_needs_has_every_default(kit_folder):
    plan = load_plan(kit_folder.kit(head={"key": None, "tempo": None}, sounds=[{"name": "pad", "source": "pad.wav"}]))
    assert (str(plan.key), plan.kit.tempo, plan.kit.version, plan.kit.a4_hz) == ("C major", 120, "1.0.0", 440)
    (sound,) = plan.sounds
    assert (sound.plays, sound.copies, sound.spare, sound.slot, sound.steps) == ("fixed", "auto", 1.0, None, ())
    assert plan.fit.allow == ("shorten", "loop", "repitch", "drop-copy", "lower-rate")
    assert (plan.fit.natural_range_semitones, plan.fit.hold_floor_db) == (5, -12)
    assert plan.fit.repitch_semitones == (12,)
    assert plan.song.sections == ()


def test_intervals_to_store_sounds_up_by_mean_the_same_in_any_order(kit_folder):
    fits = [load_plan(kit_folder.kit(fit={"repitch_semitones": ups})).fit for ups in ([7, 24, 1, 12], [1, 7, 12, 24])]
    assert fits[0] == fits[1]
    assert fits[0].repitch_semitones == (1, 7, 12, 24)


@pytest.mark.parametrize("name", ["a", "reed-pad", "0", "a" * 32, "7-up"])
def test_names_of_small_letters_digits_and_hyphens_are_taken(kit_folder, entries, name):
    assert load_plan(kit_folder.kit(sounds=[{**entries.hit, "name": name}], head={"name": name})).kit.name == name


BAD_NAMES = ["", "A", "a b", "a/b", "a\\b", "..", ".", "a.b", "a_b", "ä", "a\n", "a" * 33, "a:b", "*", "~"]


@pytest.mark.parametrize("name", BAD_NAMES)
def test_any_other_name_is_refused_for_sounds_kits_and_sections(kit_folder, entries, name):
    wanted = "must match a-z 0-9 -, 1 to 32 characters"
    assert wanted in mistake(kit_folder, sounds=[{**entries.hit, "name": name}])
    assert wanted in mistake(kit_folder, head={"name": name})
    assert wanted in mistake(kit_folder, song={"section": [{"name": name, "chords": ["i"]}]})


# Microsoft, "Naming Files, Paths, and Namespaces": device names.
@pytest.mark.parametrize("name", ["con", "prn", "aux", "nul", "com1", "com9", "lpt1", "lpt9"])
def test_names_that_a_file_system_reserves_are_refused(kit_folder, entries, name):
    assert f"sound[1] ({name}).name is reserved" in mistake(kit_folder, sounds=[{**entries.hit, "name": name}])
    assert "kit.name is reserved" in mistake(kit_folder, head={"name": name})


HEAD_MISTAKES = [
    ({"tempo": "76"}, "kit.tempo must be a number (got '76')"),
    ({"tempo": True}, "kit.tempo must be a number (got True)"),
    ({"tempo": 0}, "kit.tempo must be at least 10 (got 0)"),
    ({"tempo": -1e300}, "kit.tempo must be at least 10 (got -1e+300)"),
    ({"tempo": 1e300}, "kit.tempo must be at most 400 (got 1e+300)"),
    ({"tempo": 2**62}, "kit.tempo must be at most 400 (got 4611686018427387904)"),
    ({"tempo": float("nan")}, "kit.tempo must be a finite number (got nan)"),
    ({"tempo": float("inf")}, "kit.tempo must be a finite number (got inf)"),
    ({"key": "D dorian"}, "kit.key must be a note and major or minor, like 'D minor', got 'D dorian'"),
    ({"key": 5}, "kit.key must be text in quotes (got 5)"),
    ({"device": []}, "kit.device"),
    ({"device": None}, "kit.device is missing"),
    ({"name": None}, "kit.name is missing"),
    ({"middle_c": "C5"}, "kit.middle_c must be 'C4' or 'C3' (got 'C5')"),
    ({"a4_hz": 100}, "kit.a4_hz must be at least 220 (got 100)"),
    ({"version": "1"}, "kit.version must match a version like 1.0.0 (got '1')"),
    ({"version": "1.0.0/../.."}, "kit.version must match a version like 1.0.0"),
    ({"version": "１.0.0"}, "kit.version must match a version like 1.0.0"),
    ({"licence": "free"}, "kit.licence must be an SPDX licence identifier like CC-BY-4.0"),
    ({"title": "x" * 401}, "kit.title"),
    ({"titel": "x"}, "kit.titel is an unknown key"),
]


@pytest.mark.parametrize(("head", "said"), HEAD_MISTAKES, ids=[said for _, said in HEAD_MISTAKES])
def test_what_the_head_refuses_says_where_what_was_found_and_what_is_allowed(kit_folder, head, said):
    assert said in mistake(kit_folder, head=head)


SOUND_MISTAKES = [
    ({"source": None}, "needs source (a file) or from (another sound), one of them"),
    ({"from": "hit"}, "needs source (a file) or from (another sound), one of them"),
    ({"recipe": "pad", "steps": []}, "takes recipe or steps, not both"),
    ({"start_s": 0.5, "end_s": 0.5}, "end_s (0.5) must lie after start_s (0.5)"),
    ({"start_s": -1}, "start_s must be at least 0 (got -1)"),
    ({"slot": 0}, "slot must be at least 1 (got 0)"),
    ({"slot": 1.0}, "slot must be a whole number (got 1.0)"),
    ({"slot": 2**62}, "slot must be at most 4096"),
    ({"spare": 0}, "spare must be at least 0.01 (got 0)"),
    ({"copies": "some"}, "copies must be 'none', 'auto' or 'all' (got 'some')"),
    ({"plays": "chord"}, "must be chords, tones, fixed or a list of whole semitones from -48 to 48, got 'chord'"),
    ({"plays": []}, "must be chords, tones, fixed or a list"),
    ({"plays": [0, 49]}, "must be chords, tones, fixed or a list"),
    ({"plays": [True]}, "must be chords, tones, fixed or a list"),
    ({"plays": [0.5]}, "must be chords, tones, fixed or a list"),
    ({"steps": "trim"}, "steps must be a list in brackets (got 'trim')"),
    ({"steps": ["trim"]}, "steps[1] must be a table (got 'trim')"),
    ({"rights": 5}, "rights must be text in quotes (got 5)"),
]


@pytest.mark.parametrize(("changes", "said"), SOUND_MISTAKES, ids=[str(changes) for changes, _ in SOUND_MISTAKES])
def test_what_a_sound_refuses_says_what_was_found_and_what_is_allowed(kit_folder, changes, said):
    entry = {key: value for key, value in {"name": "pad", "source": "pad.wav", **changes}.items() if value is not None}
    text = mistake(kit_folder, sounds=[entry])
    assert "kit.toml: sound[1] (pad)" in text
    assert said in text


def test_a_region_belongs_to_a_source(kit_folder, entries):
    text = mistake(kit_folder, sounds=[entries.pad, {"name": "tail", "from": "pad", "end_s": 1}])
    assert "sound[2] (tail) start_s and end_s pick a region of a source" in text


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({"fit": {"hold_floor_db": 0}}, "fit.hold_floor_db must be below 0 (got 0)"),
        ({"fit": {"repitch_semitones": []}}, "fit.repitch_semitones must have at least one value (got [])"),
        ({"fit": {"repitch_semitones": [0]}}, "fit.repitch_semitones[1] must be at least 1 (got 0)"),
        ({"fit": {"repitch_semitones": [12, 25]}}, "fit.repitch_semitones[2] must be at most 24 (got 25)"),
        ({"fit": {"repitch_semitones": [7.5]}}, "fit.repitch_semitones[1] must be a whole number (got 7.5)"),
        ({"fit": {"repitch_semitones": [7, 12, 7]}}, "fit.repitch_semitones says 7 more than once"),
        ({"fit": {"allow": ["cut"]}}, "fit.allow[1] must be 'shorten', 'loop', 'repitch', 'drop-copy' or 'lower-rate'"),
        ({"fit": 5}, "fit must be a table (got 5)"),
        ({"song": {"beats_per_pattern": 0}}, "song.beats_per_pattern must be above 0 (got 0)"),
        ({"song": {"section": [{"name": "a", "chords": []}]}}, "song.section[1].chords"),
        ({"song": {"section": [{"name": "a", "chords": ["i"], "shift": {"pad": 0.5}}]}}, "pad must be a whole number"),
        ({"song": {"sections": []}}, "song.sections is an unknown key; known here: beats_per_pattern, section"),
        ({"song": {"section": [{"name": "a", "chord": ["i"], "chords": ["i"]}]}}, "did you mean 'chords'?"),
        ({"listen": {"reverb": 2}}, "listen.reverb must be at most 1 (got 2)"),
        (
            {"lsiten": {}},
            "lsiten is an unknown key; known here: kit, song, sound, fit, listen, publish, transfer\n"
            "  hint: did you mean",
        ),
    ],
)  # fmt: skip
def test_the_other_tables_say_what_they_refuse(kit_folder, tables, said):
    assert said in mistake(kit_folder, **tables)


def test_an_empty_list_is_refused_in_words(kit_folder):
    text = mistake(kit_folder, song={"section": [{"name": "a", "chords": []}]})
    assert re.search(r"chords must have at least one chord \(got \[\]\)", text)


@pytest.mark.parametrize("title", ["a\nb", "a\x00b", "a\u202eb", "a\u2066b"])
def test_texts_that_could_be_read_as_something_else_are_refused(kit_folder, title):
    """Control characters, and the turns of direction of Unicode's UAX 9, which show a text in another order."""
    with pytest.raises(PlanError, match=r"kit.title must hold no control characters \(got U\+"):
        load_plan(kit_folder.kit(head={"title": title}))


@pytest.mark.parametrize("title", ["Salz & Schlick <1>", "\u05d0\u05d1\u05d2", "\U0001f469\u200d\U0001f680"])
def test_titles_in_any_script_are_welcome(kit_folder, title):
    assert load_plan(kit_folder.kit(head={"title": title})).kit.title == title
