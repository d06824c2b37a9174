"""Recipes and what a sound puts over them."""

import pytest

from kitfold.errors import PlanError
from kitfold.plan.load import load_plan

FILTERS = [
    {"step": "trim"},
    {"step": "filter", "as": "air", "highpass_hz": 60},
    {"step": "filter", "as": "lid", "lowpass_hz": 9000},
]


def sound(kit_folder, **changes):
    entry = {"name": "pad", "source": "pad.wav", **changes}
    return load_plan(kit_folder.kit(sounds=[entry])).sounds[0]


def mistakes(kit_folder, **changes):
    with pytest.raises(PlanError) as error:
        sound(kit_folder, **changes)
    return [str(mistake) for mistake in error.value.mistakes]


def settings(planned):
    return {step.label: step.settings for step in planned.steps}


def test_a_key_of_the_sound_overrides_one_setting_and_leaves_the_others(kit_folder):
    trim = settings(sound(kit_folder, recipe="pad", trim={"tail_db": -40}))["trim"]
    assert (trim.tail_db, trim.head_db) == (-40, -50)


def test_one_of_two_steps_is_told_by_its_as(kit_folder):
    found = settings(sound(kit_folder, steps=FILTERS, air={"highpass_hz": 90}))
    assert (found["air"].highpass_hz, found["lid"].lowpass_hz) == (90, 9000)


def test_a_key_that_could_mean_two_steps_is_an_error(kit_folder):
    (said,) = mistakes(kit_folder, steps=FILTERS, filter={"slope_db": 6})
    assert "filter could mean 2 steps of the recipe" in said
    assert "name one by its `as`: air, lid" in said


def test_a_key_for_a_step_that_the_recipe_lacks_is_an_error(kit_folder):
    (said,) = mistakes(kit_folder, recipe="raw", stack={"intervals": [0, 12]})
    assert "stack overrides a step that the recipe does not have; it has trim" in said


def test_an_unknown_key_names_the_nearest_known_one(kit_folder):
    (said,) = mistakes(kit_folder, recipe="pad", tunee={"to": "key"})
    assert "sound[1] (pad).tunee is an unknown key" in said
    assert "did you mean 'tune'?" in said


def test_an_unknown_setting_names_the_nearest_known_one(kit_folder):
    (said,) = mistakes(kit_folder, recipe="pad", trim={"tail_dB": -40})
    assert "sound[1] (pad).trim.tail_dB is an unknown key; known here: head_db, tail_db, pre_ms, fade_ms" in said
    assert "did you mean 'tail_db'?" in said


def test_a_step_written_without_a_table_says_how_to_write_it(kit_folder):
    (said,) = mistakes(kit_folder, recipe="pad", trim=5)
    assert "sound[1] (pad).trim must be a table of settings (got 5)\n  hint: write trim.head_db = ..." in said


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ({"step": "trimm"}, "steps[1].step must be one of trim, fold, tune"),
        ({"step": "trimm"}, "did you mean 'trim'?"),
        ({}, "steps[1].step is missing"),
        ({"step": 5}, "steps[1].step must be one of"),
        ({"step": {"trim": 1}}, "steps[1].step must be one of"),
        ({"step": "trim", "as": {"a": 1}}, "steps[1].as must be text in quotes"),
        ({"step": "trim", "tail_db": 3}, "steps[1].tail_db must be below 0 (got 3)"),
        ({"step": "transpose"}, "steps[1].semitones is missing"),
        ({"step": "transpose", "semitones": 49}, "must be at most 48 (got 49)"),
        ({"step": "filter"}, "steps[1] needs highpass_hz, lowpass_hz or both"),
        ({"step": "filter", "highpass_hz": 900, "lowpass_hz": 90}, "highpass_hz (900) must lie below lowpass_hz (90)"),
        ({"step": "filter", "highpass_hz": 90, "slope_db": 10}, "slope_db must be 6, 12, 18, 24, 36 or 48 (got 10)"),
        ({"step": "stack", "gains_db": [0]}, "gains_db must have as many values as intervals (3), got 1"),
        ({"step": "stack", "intervals": [0, 0]}, "intervals must differ from each other"),
        ({"step": "riser", "beats": 4, "length_s": 1}, "takes beats or length_s, not both"),
        ({"step": "level", "lufs": -20, "peak_db": -3}, "takes one of lufs, peak_db and true_peak_db"),
        ({"step": "tune", "to": "H3"}, "to must be tonic, nearest, key, a note like D3 or a pitch class like D"),
        ({"step": "tune", "to": []}, "steps[1].to"),
        ({"step": "tune", "to": ["D3", "A3"]}, "'D3' has an octave; a pitch class has none"),
        ({"step": "tune", "heard": "D"}, "'D' has no octave"),
        ({"step": "effect", "name": "vst"}, "name must be one of bitcrush, chorus"),
        ({"step": "effect", "name": "revreb"}, "did you mean 'reverb'?"),
        ({"step": "effect"}, "name is missing"),
        ({"step": "effect", "name": "convolution"}, "name must be one of"),
        ({"step": "effect", "name": "reverb", "room": 1}, "reverb has no setting 'room' (did you mean 'room_size'?)"),
        ({"step": "effect", "name": "delay", "feedback": 1.5}, "feedback must be a number from 0 to 0.95, got 1.5"),
        ({"step": "effect", "name": "delay", "mix": True}, "delay's mix must be a number from 0 to 1, got True"),
        ({"step": "effect", "name": "reverb", "wet_level": float("nan")}, "must be a number from 0 to 1"),
    ],
)  # fmt: skip
def test_a_step_with_a_mistake_says_what_is_allowed(kit_folder, step, said):
    assert said in "\n".join(mistakes(kit_folder, steps=[step]))


@pytest.mark.parametrize(
    "name", ["vst3", "plugin", "load_plugin", "Convolution", "ExternalPlugin", "__class__", "Reverb", ""]
)
def test_effects_outside_the_list_are_refused(kit_folder, name):
    (said,) = mistakes(kit_folder, steps=[{"step": "effect", "name": name}])
    assert "name must be one of bitcrush, chorus" in said


def test_defaults_that_the_kit_decides_are_filled_in(kit_folder):
    planned = sound(kit_folder, steps=[{"step": "tune"}, {"step": "stack"}, {"step": "riser"}, {"step": "level"}])
    found = settings(planned)
    assert found["tune"].to == ("D",)  # the kit is in D minor
    assert (found["tune"].a4_hz, found["tune"].middle_c) == (440, "C4")
    assert found["stack"].gains_db == (0, -8, -10)
    assert found["riser"].length_s == 2.0  # 4 beats at 120 beats a minute
    assert found["level"].lufs == -20


def test_the_scale_is_what_tune_to_key_means(kit_folder):
    found = settings(sound(kit_folder, steps=[{"step": "tune", "to": "key"}]))
    assert found["tune"].to == ("D", "E", "F", "G", "A", "A#", "C")  # D natural minor (common practice)


def test_notes_are_read_as_the_kit_names_them(kit_folder):
    """Where middle C is C3, MIDI 0 is C-2 and there is no G9 (MIDI 139)."""
    entry = {"name": "pad", "source": "pad.wav"}
    head = {"middle_c": "C3"}
    low = kit_folder.kit(sounds=[{**entry, "steps": [{"step": "tune", "to": "C-2"}]}], head=head)
    assert load_plan(low).sounds[0].tune.to == "C-2"
    for key in ("to", "heard"):
        high = kit_folder.kit(sounds=[{**entry, "steps": [{"step": "tune", key: "G9"}]}], head=head)
        with pytest.raises(PlanError, match=r"sound\[1\] \(pad\).steps\[1\].*'G9' lies outside MIDI 0 to 127"):
            load_plan(high)


def test_a_riser_by_beats_may_last_no_longer_than_one_by_seconds(kit_folder):
    """256 beats at 20 beats a minute are 768 s; a length_s may be 600."""
    kit = kit_folder.kit(
        sounds=[{"name": "pad", "source": "pad.wav", "steps": [{"step": "riser", "beats": 256}]}], head={"tempo": 20}
    )
    with pytest.raises(PlanError, match=r"256 beats last 768 s at 20 beats a minute; allowed are 600 s"):
        load_plan(kit)


def test_two_steps_of_one_label_can_be_told_apart_only_by_as(kit_folder):
    (said,) = mistakes(kit_folder, steps=[FILTERS[1], FILTERS[1]], air={"highpass_hz": 90})
    assert "air could mean 2 steps" in said
