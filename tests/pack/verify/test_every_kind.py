"""Whatever kind of file a device stores: verify finds nothing wrong with what a build has just written."""

import hashlib
import json
import shutil
import struct

import pytest

from kitfold.cli.main import _exit_code
from kitfold.pack.verify.verify import verify

KINDS = {
    "u8": {"bits": 8, "encoding": "unsigned"},
    "u8-aiff": {"bits": 8, "encoding": "unsigned", "file_name": "{slot:02d}_{name}.aif"},
    "s8-aiff": {"bits": 8, "encoding": "signed", "file_name": "{slot:02d}_{name}.aif"},
    "u8-raw": {"bits": 8, "encoding": "unsigned", "file_name": "{slot:02d}_{name}.raw"},
    "s8-raw": {"bits": 8, "encoding": "signed", "file_name": "{slot:02d}_{name}.raw"},
    "s12": {"bits": 12},
    "s12-aiff": {"bits": 12, "file_name": "{slot:02d}_{name}.aiff"},
    "s12-raw": {"bits": 12, "file_name": "{slot:02d}_{name}.raw"},
    "s16-raw": {"bits": 16, "file_name": "{slot:02d}_{name}.raw"},
    "s24-stereo": {"bits": 24, "channels": 2},
    "s24-aiff": {"bits": 24, "file_name": "{slot:02d}_{name}.aif"},
    "s24-raw": {"bits": 24, "channels": 2, "file_name": "{slot:02d}_{name}.raw"},
    "mu-law": {"bits": 8, "encoding": "mu-law"},
    "mu-law-aiff": {"bits": 8, "encoding": "mu-law", "file_name": "{slot:02d}_{name}.aif"},
    "a-law": {"bits": 8, "encoding": "a-law"},
    "a-law-raw": {"bits": 8, "encoding": "a-law", "file_name": "{slot:02d}_{name}.raw"},
    "float": {"bits": 32, "encoding": "float"},
    "float-aiff": {"bits": 32, "encoding": "float", "file_name": "{slot:02d}_{name}.aif"},
    "float-raw": {"bits": 32, "encoding": "float", "file_name": "{slot:02d}_{name}.raw"},
    "loops": {"bits": 16, "loop": True, "note_off": "stops", "file_name": "{slot:02d}_{name}.wav"},
    "crowded": {"bits": 16, "rate_hz": [16_000, 8_000], "memory_s": 0.6},
    "line-in": {"bits": 8, "encoding": "unsigned", "loading": "line-in", "slot_level": True},
}


@pytest.fixture(scope="module")
def folder(shared_folder, entries):
    """Build one kit for every kind of device."""
    figures = {"rate_hz": 16_000, "slots": 6, "memory_s": 4, "transpose": [-12, 12]}
    for name, changes in KINDS.items():
        shared_folder.device(name, **{**figures, **changes})
    pad = {**entries.pad, "plays": "chords", "steps": [{"step": "tune"}, {"step": "level", "lufs": -20}]}
    song = {"beats_per_pattern": 0.5, "section": [{"name": "shore", "chords": ["i", "VI"]}]}
    kit = shared_folder.kit([pad, entries.hit], {"device": list(KINDS)}, song=song)
    assert _exit_code(["build", str(kit), "--out", str(shared_folder.out), "--quiet", "--jobs", "1"]) in (0, 1)
    return shared_folder.out


@pytest.mark.parametrize("kind", KINDS)
def test_what_a_build_has_written_is_what_it_says(folder, kind):
    report = verify(folder / f"reeds-{kind}")
    assert [str(one) for one in report.differences] == []
    assert report.sounds >= 2


@pytest.mark.parametrize("kind", KINDS)
def test_a_third_of_a_sound_that_is_gone_is_found_in_every_kind(folder, kind):
    """Its middle stands still, with the hash that goes with it: only what is decoded and measured can tell."""
    build = folder / f"{kind}-forged"
    shutil.copytree(folder / f"reeds-{kind}", build)
    manifest = json.loads((build / "manifest.json").read_text("utf-8"))
    slot = manifest["slots"][0]
    data = bytearray((build / slot["file"]).read_bytes())
    third = len(data) // 3
    data[third : 2 * third] = bytes(data[third : third + 1]) * third
    (build / slot["file"]).write_bytes(data)
    slot["sha256"] = hashlib.sha256(data).hexdigest()
    (build / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    assert {one.file for one in verify(build).differences} == {slot["file"]}


@pytest.mark.parametrize("value", [101.0, -1e20, 3e38])
def test_floats_far_beyond_full_scale_are_a_difference_and_are_not_measured(folder, value):
    """Over +40 dBFS, more than any source may have; such numbers' squares overflow, and a warning is an error here."""
    build = folder / f"far-{value:g}"
    shutil.copytree(folder / "reeds-float-raw", build)
    manifest = json.loads((build / "manifest.json").read_text("utf-8"))
    slot = manifest["slots"][0]
    data = bytearray((build / slot["file"]).read_bytes())
    first = len(data) // 3 // 4 * 4
    data[first : 2 * first] = struct.pack("<f", value) * (first // 4)
    (build / slot["file"]).write_bytes(data)
    slot["sha256"] = hashlib.sha256(data).hexdigest()
    (build / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    (found,) = verify(build).differences
    assert (found.file, found.what, found.expected) == (slot["file"], "samples", "at most 100 times full scale")
