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
    assert "reeds: no mistake found in the kit" in done.err
    assert "what only the sound can tell (roots, levels, whether it fits)" in done.err


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


@pytest.mark.parametrize("command", ["check", "build"])
def test_a_missing_source_is_listed_together_with_the_other_mistakes(kit_folder, run, entries, command):
    sounds = [{**entries.pad, "source": "padd.wav"}, {**entries.hit, "slot": 99}, {"name": "a", "source": "hit.wav"}]
    done = run(command, kit_folder.kit(sounds=sounds, head={"version": "1"}))
    assert done.code == 2
    assert "kit.version must match" in done.err
    assert "sound[2] (hit).slot must be at most 9" in done.err
    assert "sound[1] (pad)" in done.err
    assert "padd.wav does not exist" in done.err
    assert "(a)" not in done.err


@pytest.mark.parametrize("written", [{"source": 5}, {"source": "a\0b"}, {"source": "x" * 999}, {"start_s": "1"}])
def test_sources_are_looked_for_only_where_they_can_be(kit_folder, run, entries, written):
    done = run("check", kit_folder.kit(sounds=[{**entries.pad, **written}], head={"version": "1"}))
    assert done.code == 2
    assert "kit.version" in done.err


def test_a_high_pass_over_half_a_sources_rate_is_found_from_its_header(kit_folder, run, entries):
    steps = [{"step": "filter", "as": "air", "highpass_hz": 12_000}]
    sounds = [{**entries.pad, "steps": steps}, {"name": "tail", "from": "pad", "steps": steps}]
    err = run("check", kit_folder.kit(sounds=sounds)).err  # the sources have a rate of 22050 Hz
    for sound in ("sound[1] (pad)", "sound[2] (tail)"):
        assert f"{sound}.air.highpass_hz must lie below 11025 Hz, half this sound's rate (got 12000)" in err


def test_more_sounds_than_slots_do_not_fit_and_check_says_so(kit_folder, run):
    kit_folder.device("tiny", slots=1)
    done = run("check", kit_folder.kit(head={"device": "tiny"}))
    assert done.code == 1
    assert "the kit does not fit tiny: 2 slots are needed and 1 is there" in done.err


def test_risers_that_the_memory_cannot_hold_do_not_fit_and_check_says_so(kit_folder, run, entries):
    """Beats 16 at 120 are 8 s, and a riser is never cut; 2 s are there, 8 s even at an octave up would be 4."""
    kit_folder.device("tiny")
    riser = {"name": "swell", "from": "pad", "recipe": "riser", "riser": {"beats": 16}}
    kit = kit_folder.kit(sounds=[entries.pad, riser], head={"device": "tiny"})
    done = run("check", kit)
    assert done.code == 1
    assert "the kit does not fit tiny: swell alone needs" in done.err
    assert "fewer beats" in done.err
    assert run("build", kit, "--out", kit_folder.out).code == 1  # check refuses nothing that build would make


def test_holds_longer_than_the_memory_are_doubted_not_refused(kit_folder, run, entries, samples):
    kit_folder.device("tiny")
    kit_folder.sound("pad.wav", samples.pad(9))
    kit = kit_folder.kit(
        sounds=[{**entries.pad, "plays": "chords"}],
        head={"device": "tiny", "tempo": 30},
        song={"section": [{"name": "a", "chords": ["i"]}]},
    )
    done = run("check", kit)
    assert done.code == 0
    assert "tiny may be too small: it holds 2.00 s, and the song holds pad for 8.00 s" in done.err


@pytest.mark.parametrize("arguments", [("check", "kit.toml"), ("init", "gone"), ("init", ".")])
def test_json_on_failure_is_the_mistakes(kit_folder, run, arguments):
    kit_folder.kit(head={"tempo": 1})
    done = run(*arguments, "--json")
    assert done.code == 2
    (one,) = json.loads(done.out)["errors"]
    assert set(one) == {"where", "what", "hint"}
    assert one["what"] in done.err
