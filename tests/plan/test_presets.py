"""Devices and recipes that ship: every one loads, and every one can be used as it is."""

import re

import pytest

from kitfold.errors import PlanError
from kitfold.plan.load import load_plan
from kitfold.plan.presets import load_device, load_recipe, preset_names, preset_path
from kitfold.plan.settings import SETTINGS


def test_the_presets_that_were_promised_ship():
    assert {"pad", "stacked-pad", "shimmer", "pluck", "bell", "mallet", "riser", "hit", "raw"} <= set(
        preset_names("recipes")
    )
    assert len(preset_names("devices")) >= 4


@pytest.mark.parametrize("name", preset_names("devices"))
def test_every_device_that_ships_loads_and_bears_its_files_name(name):
    device = load_device(name)
    assert device.name == name
    assert device.about


@pytest.mark.parametrize("name", preset_names("devices"))
def test_a_devices_name_says_its_figures(name):
    """Names describe numbers: channels, bits, and memory in seconds or megabytes."""
    device = load_device(name)
    bits, size, unit = re.fullmatch(r"[a-z]+?(\d+)-(\d+)(s|mb)", name).groups()
    assert int(bits) == device.bits
    assert int(size) == (device.memory_s if unit == "s" else device.memory_bytes / 1e6)
    assert name.startswith("stereo") == (device.channels == 2)


@pytest.mark.parametrize("name", preset_names("recipes"))
def test_every_recipe_that_ships_plans_without_a_mistake(kit_folder, name):
    plan = load_plan(kit_folder.kit(sounds=[{"name": "pad", "source": "pad.wav", "recipe": name}]))
    recipe = load_recipe(name)
    assert recipe.about
    assert [step.step for step in plan.sounds[0].steps] == [step["step"] for step in recipe.steps]
    assert plan.sounds[0].plays == recipe.plays
    assert all(step.step in SETTINGS for step in plan.sounds[0].steps)


def test_pads_play_chords_and_struck_sounds_play_tones():
    assert {load_recipe(name).plays for name in ("pad", "stacked-pad")} == {"chords"}
    assert {load_recipe(name).plays for name in ("pluck", "bell", "mallet")} == {"tones"}


@pytest.mark.parametrize(
    ("kind", "name", "near"), [("devices", "mono8-22", "mono8-22s"), ("recipes", "stackedpad", "stacked-pad")]
)
def test_an_unknown_name_lists_all_and_names_the_nearest(kind, name, near):
    with pytest.raises(PlanError, match=f"names no known {kind[:-1]}.*{near}.*\n  hint: did you mean '{near}'"):
        preset_path(kind, name)


def test_a_file_beside_the_kit_wins(tmp_path):
    (tmp_path / "pad.toml").write_text("about = 'mine'\nsteps = [{step = 'reverse'}]", encoding="utf-8")
    assert load_recipe("pad", tmp_path).about == "mine"
    assert load_recipe("pad").about != "mine"


@pytest.mark.parametrize("name", ["../devices/mono8-22s", "/etc/passwd", "devices/mono8-22s"])
def test_a_path_leads_to_no_preset_that_ships(name):
    with pytest.raises(PlanError, match="names no known recipe"):
        load_recipe(name)
