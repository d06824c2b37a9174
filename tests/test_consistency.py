"""The whole agrees with itself: steps, settings, tests, presets, schema and README."""

import importlib
import inspect
import json
import re
from typing import Literal, get_args, get_origin

import pytest
from pydantic_core import PydanticUndefined

import kitfold
from kitfold.cli.main import COMMANDS
from kitfold.pack import manifest
from kitfold.plan.presets import load_device, load_recipe, preset_names
from kitfold.plan.settings import SETTINGS
from kitfold.steps import STEPS


def test_steps_and_their_settings_are_the_same_list_in_the_same_order():
    assert list(STEPS) == list(SETTINGS)


@pytest.mark.parametrize("name", STEPS)
def test_every_step_has_a_function_settings_a_sentence_and_a_test_file(root_folder, name):
    function = getattr(importlib.import_module(STEPS[name]), name)
    assert function.__name__ == name
    assert list(inspect.signature(function, eval_str=True).parameters.values())[1].annotation is SETTINGS[name]
    assert function.__doc__.strip()
    assert SETTINGS[name].step == name
    assert SETTINGS[name].does
    assert (root_folder / f"tests/steps/test_{name}.py").is_file()


@pytest.mark.parametrize("name", SETTINGS)
def test_every_setting_is_described(name):
    assert all(field.description for field in SETTINGS[name].model_fields.values())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_there_and_helps(name):
    command = getattr(importlib.import_module(COMMANDS[name][0]), name)
    assert command.name == name
    assert command.help
    assert all(option.help for option in command.params if option.param_type_name == "option")


def test_every_preset_that_ships_loads():
    assert [load_device(name).name for name in preset_names("devices")] == list(preset_names("devices"))
    assert all(load_recipe(name).about for name in preset_names("recipes"))


def test_the_schema_that_ships_is_the_one_that_the_models_make(root_folder):
    """To renew it: write `kitfold.pack.manifest.json_schema()` into the file."""
    shipped = (root_folder / "pipeline/kitfold/pack/manifest.schema.json").read_text("utf-8")
    assert shipped == manifest.json_schema()
    assert json.loads(shipped)["$id"] == f"urn:{manifest.SCHEMA.replace('/', ':')}"


def readme_steps(root_folder):
    text = (root_folder / "README.md").read_text("utf-8")
    table = re.search(r"<!-- steps -->\n(.*?)<!-- /steps -->", text, re.DOTALL)[1]
    rows = [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in table.strip().splitlines()[2:]]
    return {name.strip("`"): (does, keys.replace("`", "")) for name, does, keys in rows}


def test_the_readme_lists_every_step_with_its_sentence(root_folder):
    found = readme_steps(root_folder)
    assert list(found) == list(SETTINGS)
    assert {name: does.replace("`", "") for name, (does, _) in found.items()} == {
        name: model.does for name, model in SETTINGS.items()
    }


@pytest.mark.parametrize("name", SETTINGS)
def test_the_readme_names_every_setting_with_its_default(root_folder, name):
    _, keys = readme_steps(root_folder)[name]
    fields = SETTINGS[name].model_fields
    if not fields:
        assert keys == "none"
    for key, field in fields.items():
        assert re.search(rf"\b{key}\b", keys), f"{key} is missing"
        if get_origin(field.annotation) is Literal and isinstance(field.default, str):
            others = [choice for choice in get_args(field.annotation) if choice != field.default]
            assert f"{key} ({', '.join([field.default, *others])})" in keys
        elif field.default is PydanticUndefined:
            assert f"{key} (needed" in keys or f"{key} (" not in keys
        elif field.default is not None:
            assert re.search(
                rf"\b{key} \({re.escape(written(field.default))}\b|\b{key} \({re.escape(written(field.default))}", keys
            )


def written(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(str, value))}"
    return f"{value:g}" if isinstance(value, float) else str(value)


def test_the_readme_names_no_setting_that_is_gone(root_folder):
    known = {key for model in SETTINGS.values() for key in model.model_fields}
    for _, keys in readme_steps(root_folder).values():
        assert set(re.findall(r"\b[a-z0-9]+_(?:db|ms|s|hz|cents|semitones)\b", keys)) <= known


def test_the_changelog_knows_this_version(root_folder):
    assert kitfold.__version__ in (root_folder / "CHANGELOG.md").read_text("utf-8")


WORDS_THAT_STAY_OUTSIDE = ("/" + "work/", "/opt" + "/kf", "Trace" + "back (most recent")


def test_nothing_in_the_tree_knows_the_machine_it_was_made_on(root_folder):
    for folder in ("pipeline", "presets", "input_demo", "tests"):
        for path in (root_folder / folder).rglob("*"):
            if path.suffix in (".py", ".toml", ".md", ".json") and path.is_file():
                text = path.read_text("utf-8")
                assert not [word for word in WORDS_THAT_STAY_OUTSIDE if word in text], path
