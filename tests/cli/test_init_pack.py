"""`kitfold init PACK.zip`: a pack becomes a kit that builds the same device edition, bit for bit."""

import hashlib
import json
import zipfile

import pytest

from kitfold.cli.main import _exit_code
from kitfold.pack.publish.archive import write_archive
from kitfold.pack.reimport import other_versions

HEAD = {
    "title": "Reeds", "version": "1.2.0", "author": "Ann", "licence": "CC-BY-4.0", "device": ["tiny", "mono8-22s"]
}  # fmt: skip
TOP = "reeds-1.2.0"
SONG = {"beats_per_pattern": 1, "section": [{"name": "shore", "chords": ["i", "VI", "v"]}]}


@pytest.fixture(scope="module")
def pack(shared_folder, entries, samples):
    """A pack of what can go wrong: a stereo pad that is tuned, one that loops, a swell made of it, a hit, copies."""
    import numpy as np

    wide = samples.pad(1.2, hz=149.0)
    shared_folder.sound("wide.wav", np.stack([wide, np.roll(wide, 40)], axis=1), 44_100)
    tune, level = {"step": "tune"}, {"step": "level", "lufs": -20}
    sounds = [
        {"name": "wide", "source": "wide.wav", "steps": [tune, level], "plays": "chords", "copies": "all"},
        {**entries.pad, "steps": [tune, {"step": "loop", "method": "freeze"}, level], "plays": "chords"},
        {
            "name": "swell",
            "from": "pad",
            "steps": [{"step": "riser", "beats": 1}, level],
            "plays": "fixed",
            "spare": 2.0,
        },
        {**entries.hit, "slot": 5},
    ]
    shared_folder.device("tiny", slots=16, memory_s=5, transpose=[-12, 12], loop=True, note_off="stops")
    kit = shared_folder.kit([{"rights": "own work", **sound} for sound in sounds], HEAD, song=SONG)
    assert _exit_code(["publish", str(kit), "--out", str(shared_folder.out), "--quiet", "--jobs", "1"]) == 0
    return shared_folder.out / f"{TOP}.zip"


def test_a_build_from_the_pack_alone_gives_the_device_editions_bit_for_bit(run, pack, tmp_path):
    done = run("init", pack)
    assert done.code == 0
    assert "the device edition comes out bit for bit" in done.out
    assert f"next    kitfold build {TOP}/kit.toml" in done.out
    assert run("build", f"{TOP}/kit.toml", "--jobs", 1).code == 0
    for device in ("tiny", "mono8-22s"):
        edition = tmp_path / TOP / "device" / device
        slots = {path.name: path.read_bytes() for path in edition.iterdir() if path.suffix == ".wav"}
        built = tmp_path / "build" / f"reeds-{device}" / "slots"
        assert slots
        assert slots == {path.name: path.read_bytes() for path in built.iterdir()}


def test_what_is_unpacked_is_what_was_packed_and_nothing_else(run, pack, tmp_path):
    assert run("init", pack, "--out", "there").code == 0
    with zipfile.ZipFile(pack) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    folder = tmp_path / "there"
    found = {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert found == files
    assert [path.name for path in tmp_path.iterdir()] == ["there"]


def test_json_says_where_and_whether_the_versions_are_the_same(run, pack):
    result = json.loads(run("init", pack, "--json").out)
    assert result["kit"].replace("\\", "/") == f"{TOP}/kit.toml"
    assert (result["name"], result["version"]) == ("reeds", "1.2.0")
    assert (result["same_versions"], result["other_versions"]) == (True, [])


def changed(pack, path, change):
    """Write the pack again with a changed manifest, every sum as it should be."""
    with zipfile.ZipFile(pack) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    manifest = json.loads(files[f"{TOP}/manifest.json"])
    change(files, manifest)
    for entry in manifest["files"]:
        data = files[f"{TOP}/{entry['file']}"]
        entry |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    files[f"{TOP}/manifest.json"] = json.dumps(manifest).encode()
    lines = [
        f"{hashlib.sha256(files[name]).hexdigest()}  {name.removeprefix(f'{TOP}/')}\n"
        for name in sorted(files)
        if not name.endswith("/SHA256SUMS")
    ]
    files[f"{TOP}/SHA256SUMS"] = "".join(lines).encode()
    write_archive(path, files, files.__getitem__)
    return path


def test_other_versions_are_named(run, pack, tmp_path):
    other = changed(pack, tmp_path / "p.zip", lambda _, manifest: manifest["made_with"].update(soxr="0.1", rack="3"))
    done = run("init", other)
    assert done.code == 0
    assert "soxr 0.1 (here " in done.out
    assert "rack 3 (here not used)" in done.out
    assert "may differ in its last bits" in done.out
    assert [one.part for one in other_versions({})][:1] == ["jinja2"]


def test_a_folder_that_is_there_is_kept(run, pack, tmp_path):
    (tmp_path / TOP).mkdir()
    (tmp_path / TOP / "mine.txt").write_text("mine")
    done = run("init", pack)
    assert done.code == 2
    assert "is there already, and is kept" in done.err
    assert [path.name for path in tmp_path.rglob("*")] == [TOP, "mine.txt"]


def test_a_changed_pack_is_not_unpacked(run, pack, tmp_path):
    data = bytearray(pack.read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "pack.zip").write_bytes(data)
    done = run("init", "pack.zip")
    assert done.code == 2
    assert "is not what it says" in done.err
    assert "kitfold verify" in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["pack.zip"]


@pytest.mark.parametrize("source", ["../secret.wav", "/etc/passwd", "full/../../secret.wav", "full/other.wav"])
def test_a_kit_that_reads_outside_its_pack_is_not_unpacked(run, pack, tmp_path, source):
    def climb(files, _):
        text = files[f"{TOP}/kit.toml"].decode()
        files[f"{TOP}/kit.toml"] = (
            text.replace("full/wide", f"{source}#").replace(source + "#", source + '" #').encode()
        )

    done = run("init", changed(pack, tmp_path / "p.zip", climb))
    assert done.code == 2
    assert "names a file that is not in the pack" in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["p.zip"]


def test_a_kit_that_does_not_load_is_not_unpacked(run, pack, tmp_path):
    def broken(files, _):
        files[f"{TOP}/kit.toml"] = b"[kit]\nname = 5\n"

    done = run("init", changed(pack, tmp_path / "p.zip", broken))
    assert done.code == 2
    assert f"{TOP}" in done.err
    assert ".new" not in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["p.zip"]


def test_options_for_bounces_are_refused_with_a_pack_and_out_without_one(run, pack, tmp_path):
    done = run("init", pack, "--tempo", "90")
    assert done.code == 2
    assert "--tempo is for folders of bounces" in done.err
    done = run("init", tmp_path, "--out", "x")
    assert done.code == 2
    assert "is for packs" in done.err
