"""`kitfold devices`, `recipes` and `steps`: lists, and each thing whole."""

import json

import pytest

from kitfold.plan.device import Device
from kitfold.plan.effects import EFFECTS
from kitfold.plan.presets import load_device, load_recipe, preset_names
from kitfold.plan.settings import SETTINGS

NAMES = {"devices": preset_names("devices"), "recipes": preset_names("recipes"), "steps": tuple(SETTINGS)}


@pytest.mark.parametrize("command", NAMES)
def test_a_list_has_every_name_with_a_sentence(run, command):
    done = run(command)
    assert done.code == 0
    listed = json.loads(run(command, "--json").out)
    assert [one["name"] for one in listed] == list(NAMES[command])
    for one in listed:
        assert one["name"] in done.out
        assert one["about"]


@pytest.mark.parametrize(("command", "name"), [(command, name) for command, names in NAMES.items() for name in names])
def test_each_is_shown_whole(run, command, name):
    done = run(command, name)
    assert (done.code, done.err) == (0, "")
    shown = json.loads(run(command, name, "--json").out)
    assert shown["name"] == name


@pytest.mark.parametrize("name", SETTINGS)
def test_a_step_shows_each_setting_with_default_and_range(run, name):
    out = run("steps", name).out
    for key, field in SETTINGS[name].model_fields.items():
        assert key in out
        assert field.description.split()[0] in out


def test_ranges_inside_lists_and_optional_values_are_shown(run):
    settings = json.loads(run("steps", "stack", "--json").out)["settings"]
    assert "from -48" in settings["intervals"]["range"]
    settings = json.loads(run("steps", "riser", "--json").out)["settings"]
    assert settings["beats"]["range"] == "above 0 to 256"
    assert settings["open_hz"]["range"] == "from 10 to 96000"


@pytest.mark.parametrize("name", NAMES["devices"])
def test_a_device_that_is_printed_can_be_copied_into_a_file(run, tmp_path, name):
    text = run("devices", name).out.replace(f'name = "{name}"', 'name = "copied"')
    (tmp_path / "copied.toml").write_text(text, encoding="utf-8")
    copied, shipped = load_device("copied", tmp_path), load_device(name)
    assert copied.model_dump(exclude={"name"}) == shipped.model_dump(exclude={"name"})


@pytest.mark.parametrize("name", NAMES["recipes"])
def test_a_recipe_that_is_printed_can_be_copied_into_a_file(run, tmp_path, name):
    (tmp_path / "copied.toml").write_text(run("recipes", name).out, encoding="utf-8")
    assert load_recipe("copied", tmp_path) == load_recipe(name)


def test_each_effect_is_listed_with_its_settings_and_ranges(run):
    out = run("steps", "effect").out
    effects = json.loads(run("steps", "effect", "--json").out)["effects"]
    assert set(effects) == set(EFFECTS)
    for name, effect in EFFECTS.items():
        assert name in out
        for key, (low, high) in effect.ranges.items():
            assert effects[name][key] == [low, high]
            assert f"{key} {low:g} to {high:g}" in " ".join(out.split())


@pytest.mark.parametrize("name", NAMES["devices"])
def test_a_device_shown_as_json_is_that_device(run, name):
    shown = json.loads(run("devices", name, "--json").out)
    as_tuples = {key: tuple(value) if isinstance(value, list) else value for key, value in shown.items()}
    assert Device(**as_tuples).name == name


@pytest.mark.parametrize(
    ("command", "wrong", "near"),
    [("devices", "mono8", "mono8-22s"), ("recipes", "plukc", "pluck"), ("steps", "trimm", "trim")],
)
def test_an_unknown_name_ends_with_two_and_names_the_nearest(run, command, wrong, near):
    done = run(command, wrong)
    assert (done.code, done.out) == (2, "")
    assert wrong in done.err
    assert f"did you mean '{near}'?" in done.err
    assert done.err.startswith(f"kitfold: {wrong!r} ")  # what the sentence is about comes first


@pytest.mark.parametrize("command", NAMES)
def test_quiet_says_nothing(run, command):
    done = run(command, "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")
