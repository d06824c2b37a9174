"""Nothing stale: after each kind of change a build out of the cache has the bytes of a fresh one."""

import copy
import hashlib
import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from kitfold.pack import check_gap, check_sound, played, ready, slot
from kitfold.sheet import audio, embed, rows

DEVICE = {"rate_hz": [9000, 6000], "bits": 8, "encoding": "unsigned", "slots": 8, "memory_s": 1.9,
          "transpose": [-12, 12], "voices": 3, "slot_level": True, "loading": "line-in"}  # fmt: skip
SECTION = {"name": "a", "chords": ["i", "VI", "-", "v"], "silent": ["hit"]}
LEVEL = {"step": "level", "lufs": -20}
PAD = {"name": "pad", "source": "pad.wav", "plays": "chords", "rights": "own work",
       "steps": [{"step": "tune", "heard": "D3", "to": "tonic"}, LEVEL]}  # fmt: skip
SWELL = {"name": "swell", "from": "pad", "steps": [{"step": "riser", "length_s": 0.5}], "rights": "own work"}
HIT = {"name": "hit", "source": "hit.wav", "steps": [{"step": "trim"}, {**LEVEL}], "rights": "own work"}
BASE = {"kit": {"name": "reeds", "title": "Reeds", "author": "nobody", "licence": "CC0-1.0", "device": "tiny",
                "key": "D minor", "tempo": 240},
        "song": {"beats_per_pattern": 2, "section": [SECTION]}, "sound": [PAD, SWELL, HIT],
        "listen": {"reverb": 0.2}, "device": DEVICE}  # fmt: skip


def put(*path, to):
    """Return a change of the kit: a value at a place in it."""

    def change(kit, folder, samples):
        *above, last = path
        for key in above:
            kit = kit.setdefault(key, {}) if isinstance(kit, dict) else kit[key]
        kit[last] = to

    return change


def another_take(kit, folder, samples):
    folder.sound("hit.wav", samples.hit(0.25))


def a_loop(kit, folder, samples):
    kit["sound"][0]["steps"] = [*PAD["steps"], {"step": "loop", "length_s": 0.2}]


CHANGES = {
    "a step's setting": put("sound", 0, "steps", 1, "lufs", to=-23),
    "a step of a sound that another is made from": put("sound", 0, "steps", 0, "to", to="E3"),
    "another take": another_take,
    "a loop": a_loop,
    "a rights text": put("sound", 2, "rights", to="given away"),
    "a name": put("sound", 1, "name", to="rise"),
    "what a sound plays": put("sound", 0, "plays", to="tones"),
    "copies": put("sound", 0, "copies", to="all"),
    "a slot": put("sound", 2, "slot", to=1),
    "the tempo": put("kit", "tempo", to=200),
    "the slowest tempo": put("kit", "tempo_slowest", to=180),
    "the key": put("kit", "key", to="E minor"),
    "the tuning": put("kit", "a4_hz", to=442.0),
    "the title": put("kit", "title", to="Rushes"),
    "a chord": put("song", "section", 0, "chords", to=["i", "iv", "-", "v"]),
    "a shift": put("song", "section", 0, "shift", to={"pad": -2}),
    "a rest": put("song", "section", 0, "silent", to=[]),
    "the beats of a pattern": put("song", "beats_per_pattern", to=3),
    "the floor of holds": put("fit", "hold_floor_db", to=-9.0),
    "the natural range": put("fit", "natural_range_semitones", to=2),
    "what the fit may do": put("fit", "allow", to=["shorten", "drop-copy"]),
    "the reverb": put("listen", "reverb", to=0.4),
    "the delay": put("listen", "delay", to=0.3),
    "the level tone": put("transfer", "level_tone", to=False),
    "the device's rate": put("device", "rate_hz", to=[8000]),
    "the device's bits": lambda kit, *_: kit["device"].update(bits=12, encoding="signed"),
    "the device's encoding": put("device", "encoding", to="mu-law"),
    "the device's memory": put("device", "memory_s", to=4),
    "the device's range": put("device", "transpose", to=[-3, 3]),
    "the device's channels": put("device", "channels", to=2),
    "the device's voices": put("device", "voices", to=1),
    "the device's level": put("device", "slot_level", to=False),
    "the device's dither": put("device", "dither", to="tpdf"),
    "the device's loading": put("device", "loading", to="files"),
    "the device's file names": put("device", "file_name", to="{name}-{slot}.wav"),
    "loops on the device": lambda kit, *_: kit["device"].update(loop=True, note_off="stops"),
}  # fmt: skip


def digests(folder):
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture
def built(kit_folder, samples, run, monkeypatch):
    """Build a kit, changed or not; give its files' digests."""
    kit_folder.sound("pad.wav", np.stack([samples.pad(), np.roll(samples.pad(), 9)], axis=1))

    def build(change=None, *more):
        table = copy.deepcopy(BASE)
        if change is not None:
            change(table, kit_folder, samples)
        kit_folder.text("tiny.toml", kit_folder.toml({"name": "tiny", **table.pop("device")}))
        kit = kit_folder.text("kit.toml", kit_folder.toml(table))
        shutil.rmtree(kit_folder.out, ignore_errors=True)
        monkeypatch.setattr(audio, "_KEPT", audio.Recent(0))  # what one process keeps would hide what the store keeps
        done = run("build", kit, "--out", kit_folder.out, *more)
        assert done.code in (0, 1), done.err
        return digests(kit_folder.out)

    return build


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """Where the first build of this file keeps its digests and its cache, for all others to start from."""
    return {"cache": tmp_path_factory.mktemp("first") / "cache"}


@pytest.fixture
def before(built, first):
    """The digests of the kit as it is, and a cache that was filled by building it."""
    cache = Path(os.environ["KITFOLD_CACHE"])
    if "digests" in first:
        shutil.copytree(first["cache"], cache)
    else:
        first["digests"] = built()
        shutil.copytree(cache, first["cache"])
    return first["digests"]


@pytest.mark.parametrize("change", CHANGES)
def test_after_a_change_the_cache_gives_the_bytes_of_a_fresh_build(built, before, change, monkeypatch):
    after = built(CHANGES[change])
    assert after != before  # so that it was a change
    monkeypatch.setenv("KITFOLD_CACHE_LIMIT_BYTES", "0")
    assert built(CHANGES[change], "--fresh") == after
    monkeypatch.delenv("KITFOLD_CACHE_LIMIT_BYTES")
    assert built() == before or change == "another take"  # and back again


EXPENSIVE = [
    (ready, "_in_device"), (ready, "root_note"), (ready, "Ways"), (slot, "as_variant"), (slot, "quantise"),
    (played, "loudest_spectrum"), (played, "white_noise_power"), (check_sound, "end_steps"), (check_gap, "gap_between"),
    (audio, "mp3_of_file"), (rows, "_figures"), (embed, "_lufs"),
]  # fmt: skip


def refused(*_, **__):
    raise AssertionError("made again")


def test_out_of_the_cache_no_sound_is_converted_priced_measured_or_compressed_again(built, before, monkeypatch):
    for module, name in EXPENSIVE:
        monkeypatch.setattr(module, name, refused)
    assert built() == before


def test_one_sound_s_change_converts_and_compresses_that_sound_alone(built, monkeypatch):
    roomy = put("device", "memory_s", to=4)  # or the fit shares the memory anew
    built(roomy)
    made = []
    for module, name in [(slot, "quantise"), (audio, "mp3_of_file"), (rows, "_figures")]:
        real = getattr(module, name)
        monkeypatch.setattr(module, name, lambda *a, name=name, real=real, **k: made.append(name) or real(*a, **k))
    built(lambda *kit: (roomy(*kit), put("sound", 2, "steps", 1, "lufs", to=-23)(*kit)))
    assert sorted(made) == ["_figures", "mp3_of_file", "quantise"]


def test_publish_out_of_the_cache_gives_the_bytes_of_a_first_one(built, run, kit_folder, monkeypatch):
    built()
    kit, packs = kit_folder.path / "kit.toml", []
    for limit in ("", "", "0"):
        monkeypatch.setenv("KITFOLD_CACHE_LIMIT_BYTES", limit)
        shutil.rmtree(kit_folder.out, ignore_errors=True)
        done = run("publish", kit, "--out", kit_folder.out)
        assert done.code == 0, done.err
        packs.append(digests(kit_folder.out))
    assert packs[0] == packs[1] == packs[2]
