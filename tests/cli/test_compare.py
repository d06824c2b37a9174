"""`kitfold compare`: what changed is said in figures, what did not is said to be unchanged."""

import json
import shutil

import pytest

from kitfold.cli.main import _exit_code

HEAD = {"title": "Reeds", "version": "1.0.0", "author": "Ann", "licence": "CC-BY-4.0", "device": "tiny"}


def sounds(entries, cents=0.0, lufs=-20.0, spare=1.0, names=("pad", "hit")):
    steps = [{"step": "transpose", "semitones": cents / 100, "method": "varispeed"}, {"step": "level", "lufs": lufs}]
    all_of = [{**entries.pad, "steps": steps, "spare": spare}, entries.hit, {**entries.hit, "name": "tap"}]
    return [{**one, "rights": "own work"} for one in all_of if one["name"] in names]


@pytest.fixture(scope="module")
def made(shared_folder, entries):
    """Build and publish a kit, and another version of it; give a function."""
    shared_folder.device("tiny", memory_s=3, slot_level=False)

    def make(out, version="1.0.0", **how):
        kit = shared_folder.kit(sounds(entries, **how), {**HEAD, "version": version})
        for command in ("publish", "build"):
            assert (
                _exit_code([command, str(kit), "--out", str(shared_folder.path / out), "--quiet", "--jobs", "1"]) == 0
            )
        return shared_folder.path / out

    return make


@pytest.fixture(scope="module")
def old(made):
    return made("old")


@pytest.fixture(scope="module")
def new(made):
    """A quarter of a semitone up, three decibels softer; a tap for the hit."""
    return made("new", version="1.1.0", cents=25, lufs=-23, names=("pad", "tap"))


def compared(run, *arguments):
    result = json.loads(run("compare", *arguments, "--json").out)
    return {(one["edition"], one["label"]): one for one in result["sounds"]}, result


def test_the_same_is_said_to_be_unchanged(run, old):
    for path in (old / "reeds-tiny", old / "reeds-1.0.0.zip"):
        done = run("compare", path, path)
        assert (done.code, done.err) == (0, "")
        assert "  pad: unchanged\n  hit: unchanged\n" in done.out
        assert "kit: unchanged\ndevice tiny: unchanged\nchecks on tiny: unchanged\n" in done.out
        assert ", 0 changed, 0 added, 0 removed" in done.out


def test_pitch_level_length_and_settings_are_what_was_set(run, old, new):
    pads, result = compared(run, old / "reeds-1.0.0.zip", new / "reeds-1.1.0.zip")
    pad = pads["full", "pad"]
    assert pad["state"] == "changed"
    assert pad["pitch_cents"] == pytest.approx(25, abs=0.5)  # what verify allows a root
    assert pad["level_lu"] == pytest.approx(-3, abs=0.05)  # ... and a level
    assert pad["length_s"] == pytest.approx(0.8 * (2 ** (-25 / 1200) - 1), abs=1e-3)  # a frame at 22.05 kHz: 0.05 ms
    assert {(one["what"], one["old"], one["new"]) for one in pad["settings"]} == {
        ("transpose.semitones", 0.0, 0.25),
        ("level.lufs", -20.0, -23.0),
    }
    assert {"what": "kit.version", "old": "1.0.0", "new": "1.1.0"} in result["kit"]


def test_sounds_that_came_and_went_are_said_so_with_their_memory(run, old, new):
    found, _ = compared(run, old / "reeds-tiny", new / "reeds-tiny")
    assert (found["tiny", "tap"]["state"], found["tiny", "hit"]["state"]) == ("added", "removed")
    assert found["tiny", "tap"]["memory"] == -found["tiny", "hit"]["memory"] > 0
    done = run("compare", old / "reeds-tiny", new / "reeds-tiny")
    assert (done.code, done.out.splitlines()[-1]) == (0, "3 sounds: 0 unchanged, 1 changed, 1 added, 1 removed")


def test_a_build_and_a_pack_are_compared_by_the_editions_that_both_have(run, old):
    done = run("compare", old / "reeds-tiny", old / "reeds-1.0.0.zip")
    assert "2 sounds: 2 unchanged" in done.out
    assert "the full edition was left out" in done.err


def test_a_changed_pack_is_compared_by_its_figures_and_said_to_be_one(run, old, tmp_path):
    build = shutil.copytree(old / "reeds-tiny", tmp_path / "build")
    (build / "more.txt").touch()
    done = run("compare", old / "reeds-tiny", build)
    assert done.code == 0
    assert "is not what its manifest says (1 differences" in done.err
    (build / "manifest.json").write_text("{")
    done = run("compare", old / "reeds-tiny", build)
    assert (done.code, done.out) == (2, "")
    assert "has no manifest that can be read" in done.err


def test_what_is_no_pack_ends_with_2(run, old, tmp_path):
    (tmp_path / "no.zip").write_bytes(b"no")
    assert run("compare", old / "reeds-tiny", "no.zip").code == 2
    assert run("compare", "nothing", old / "reeds-tiny").code == 2
