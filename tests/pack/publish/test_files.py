"""The small files of a pack: names, TOML, the device as resolved, the schema that ships."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.errors import PackError, PlanError
from kitfold.pack.publish.contents import schema_text
from kitfold.pack.publish.full import sounding_midi
from kitfold.pack.publish.manifest import PACK_SCHEMA, pack_json_schema
from kitfold.pack.publish.names import full_file, refuse_absolute, refuse_bad_names
from kitfold.pack.publish.original import original_files
from kitfold.pack.publish.rebuild import device_file_name, device_toml
from kitfold.pack.publish.toml_write import toml_document
from kitfold.pack.roots import RootNote
from kitfold.plan.load import load_plan
from kitfold.plan.presets import load_device, preset_names


def test_the_schema_that_ships_is_the_one_that_the_models_make():
    """To renew it: write `kitfold.pack.publish.manifest.pack_json_schema()` into the file."""
    assert schema_text() == pack_json_schema()
    assert f"urn:{PACK_SCHEMA.replace('/', ':')}" in schema_text()


@pytest.mark.parametrize(
    ("note", "tempo", "name"),
    [
        ("F#3", 76.5, "full/pad_Fs3_76.5bpm.wav"),  # a sharp sign is no letter for an address
        ("Bb-1", 120, "full/pad_Bb-1_120bpm.wav"),
        (None, 90, "full/pad_none_90bpm.wav"),
        ("D3", None, "full/pad_D3.wav"),  # the kit does not say a tempo
    ],
)
def test_a_file_of_the_full_edition_carries_root_and_tempo(kit_folder, note, tempo, name):
    assert full_file(load_plan(kit_folder.kit(head={"tempo": tempo})), "pad", note) == name


@pytest.mark.parametrize("names", [["device/x/con.wav"], ["a/b.", "c"], ["A.wav", "a.WAV"], ["a:b"]])
def test_names_that_some_system_cannot_hold_are_refused(names):
    with pytest.raises(PackError):
        refuse_bad_names(names, "reeds-1.0.0")


@pytest.mark.parametrize("path", ["/home/ann/pad.wav", "C:\\sounds\\pad.wav", "\\\\server\\pad.wav", "\\pad.wav"])
def test_a_path_of_a_machine_is_refused_on_every_machine(kit_folder, entries, path):
    plan = load_plan(kit_folder.kit([{**entries.pad, "source": path}]))
    with pytest.raises(PlanError, match=r"sound\[1\] \(pad\)\.source is a path of this machine"):
        refuse_absolute(plan)


def test_a_path_beside_or_above_the_kit_is_not(kit_folder, entries):
    refuse_absolute(load_plan(kit_folder.kit([{**entries.pad, "source": "../takes/pad.wav"}])))


def test_two_recipes_of_one_name_are_both_kept(kit_folder, entries):
    kept = {"source": "pad.wav"}
    for folder, low_hz in (("a", 40), ("b", 60)):
        (kit_folder.path / folder).mkdir()
        step = {"step": "filter", "highpass_hz": low_hz}
        kit_folder.text(f"{folder}/mine.toml", kit_folder.toml({"steps": [step]}))
    sounds = [{"name": name, "recipe": f"{name}/mine", **kept} for name in ("a", "b")]
    files = original_files(load_plan(kit_folder.kit(sounds)), ["mono8-22s"])
    assert b"40" in files["original/recipes/mine.toml"]
    assert b"60" in files["original/recipes/mine-2.toml"]
    assert "original/devices/mono8-22s.toml" in files


@pytest.mark.parametrize("name", preset_names("devices"))
def test_a_device_as_resolved_is_the_same_device(name, tmp_path):
    device = load_device(name)
    (tmp_path / device_file_name(device)).write_text(device_toml(device), encoding="utf-8")
    assert load_device(name, tmp_path) == device


values = st.recursive(
    st.text(max_size=8) | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.text(max_size=6), values, max_size=4))
def test_whatever_is_written_as_toml_is_read_back_to_the_bit(table):
    assert tomllib.loads(toml_document([("[kit]", table)])) == {"kit": table}


@pytest.mark.parametrize(
    ("note", "off_cents", "midi"),
    [
        (RootNote(50, 146.83, tuned=True), 0.3, 50.0),  # where a step put it, not what is left to measure
        (RootNote(50, 146.83, tuned=False), 17.0, 50.17),
        (RootNote(50, 146.83, tuned=False), -30.0, 49.7),
        (RootNote(50, 146.83, tuned=False), None, 50.0),
        (RootNote(50, 146.83, tuned=False), 0.005, 50.0),  # a two-hundredth of a cent is arithmetic
        (RootNote(None, 3000.0, tuned=False), None, None),
    ],
)
def test_the_note_that_a_file_is_said_to_play(note, off_cents, midi):
    assert sounding_midi(note, off_cents) == midi
