"""`kitfold check`: says what would be built, or why it cannot be, and writes nothing."""

import json

import pytest


def test_a_good_kit_is_described_and_nothing_is_written(kit_folder, run):
    kit = kit_folder.kit(song={"section": [{"name": "shore", "chords": ["i", "-", "VI"], "silent": ["hit"]}]})
    before = kit_folder.bytes()
    done = run("check", kit)
    assert done.code == 0
    assert kit_folder.bytes() == before
    for word in ("pad.wav", "trim → level", "i (Dm × 2)", "VI (Bb × 1)", "mono8-22s", "2 of 9 without copies"):
        assert word in done.out
    assert "no mistake found" in done.err


def test_json_is_one_value(kit_folder, run):
    done = run("check", kit_folder.kit(), "--json")
    found = json.loads(done.out)
    assert (found["kit"], found["key"], found["devices"]) == ("reeds", "D minor", ["mono8-22s"])
    assert [sound["name"] for sound in found["sounds"]] == ["pad", "hit"]
    assert found["sounds"][0]["seconds_at_most"] == 0.8
    assert found["sounds"][0]["steps"][1] == {"step": "level", "lufs": -20, "peak_db": None, "true_peak_db": None}


def test_quiet_says_nothing(kit_folder, run):
    done = run("check", kit_folder.kit(), "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")


def test_a_region_is_as_long_as_it_says(kit_folder, run, entries):
    kit = kit_folder.kit(sounds=[{**entries.pad, "start_s": 0.1, "end_s": 0.35}])
    assert json.loads(run("check", kit, "--json").out)["sounds"][0]["seconds_at_most"] == pytest.approx(0.25, abs=1e-4)


def test_a_riser_is_as_long_as_its_beats_and_release(kit_folder, run, entries):
    riser = {"name": "swell", "from": "pad", "recipe": "riser"}
    found = json.loads(run("check", kit_folder.kit(sounds=[entries.pad, riser]), "--json").out)
    assert found["sounds"][1]["seconds_at_most"] == pytest.approx(2.05, abs=1e-4)  # 4 beats at 120, and 50 ms


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"source": "padd.wav"}, "does not exist"),
        ({"start_s": 5}, "has no region"),
        ({"end_s": 5}, "has no region"),
        ({"slot": 99}, "must be at most 9"),
        ({"steps": [{"step": "trimm"}]}, "did you mean 'trim'?"),
    ],
)
def test_what_would_keep_a_kit_from_being_built_is_found(kit_folder, run, entries, changes, said):
    done = run("check", kit_folder.kit(sounds=[{**entries.pad, **changes}]))
    assert (done.code, done.out) == (2, "")
    assert "kit.toml: sound[1] (pad)" in done.err
    assert said in done.err


def test_every_source_with_a_mistake_is_named(kit_folder, run):
    sounds = [{"name": "a", "source": "a.wav"}, {"name": "b", "source": "b.wav"}, {"name": "c", "from": "a"}]
    err = run("check", kit_folder.kit(sounds=sounds)).err
    assert "(a)" in err
    assert "(b)" in err
    assert "(c)" not in err


def test_another_device_may_be_checked(kit_folder, run):
    found = json.loads(run("check", kit_folder.kit(), "--device", "mulaw8-13s", "--json").out)
    assert found["devices"] == ["mulaw8-13s"]
