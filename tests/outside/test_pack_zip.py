"""A published pack on a machine without kitfold: unpacked, checked, read, and built again from itself.

Programs: sha256sum (GNU coreutils), unzip (Info-ZIP) and 7z from Debian; zipfile, hashlib, csv and tomllib from the
standard library; jsonschema and mido from pip.
"""

import csv
import hashlib
import io
import json
import re
import tomllib
import zipfile
from dataclasses import fields

import jsonschema
import mido
import numpy as np
import pytest
import soundfile

from kitfold.cli.main import _exit_code
from kitfold.plan.load import load_plan

TOP = "reeds-1.2.0"
D3_HZ = 440 * 2 ** (-19 / 12)  # 19 semitones under A4 = 440 Hz (ISO 16)


@pytest.fixture(scope="module")
def manifest(published):
    return json.loads((published.folder / "manifest.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def readme(published):
    return (published.folder / "README.txt").read_text("utf-8")


def tree(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


def test_sha256sum_checks_every_file(published, program):
    done = program("sha256sum", "--check", "--strict", "SHA256SUMS", cwd=published.folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(done.stdout.splitlines()) == len(tree(published.folder)) - 1
    changed = published.folder / "manifest.csv"
    before = changed.read_bytes()
    changed.write_bytes(before + b"\n")
    assert program("sha256sum", "--check", "SHA256SUMS", cwd=published.folder).returncode == 1
    changed.write_bytes(before)


def test_each_device_edition_has_a_table_of_what_to_set(published):
    for manifest_path in published.folder.glob("device/*/manifest.json"):
        slots = json.loads(manifest_path.read_text("utf-8"))["slots"]
        rows = list(csv.DictReader(io.StringIO((manifest_path.parent / "chart.csv").read_text("utf-8"))))
        for slot in slots:
            mine = [row for row in rows if row["slot"] == str(slot["slot"])]
            assert {(row["file"], float(row["level_db"])) for row in mine} == {(slot["file"], slot["play_db"])}
            told = {(row["section"], row["chord"], int(one)) for row in mine for one in row["set_semitones"].split()}
            asked = {(hold["section"], hold["chord"], hold["setting"]) for hold in slot["holds"]}
            assert told == (asked or {("", "", slot["play_semitones"])})


def test_unzip_7z_and_zipfile_agree(published, program, tmp_path):
    assert "No errors detected" in program("unzip", "-t", published.path).stdout
    assert program("unzip", "-q", published.path, "-d", tmp_path / "a").returncode == 0
    seven = program("7z", "x", published.path, f"-o{tmp_path / 'b'}")
    assert "Everything is Ok" in seven.stdout
    assert "WARN" not in seven.stdout
    with zipfile.ZipFile(published.path) as pack:
        assert pack.testzip() is None
        read = {name: pack.read(name) for name in pack.namelist()}
    assert tree(tmp_path / "a") == tree(tmp_path / "b") == read
    assert {name.split("/")[0] for name in read} == {TOP}


def test_it_unpacks_into_one_folder_of_plain_files_without_a_time(published):
    with zipfile.ZipFile(published.path) as pack:
        for entry in pack.infolist():
            assert entry.compress_type == zipfile.ZIP_STORED
            assert entry.date_time == (1980, 1, 1, 0, 0, 0)
            assert entry.external_attr >> 16 == 0o100644
            assert (entry.extra, entry.comment) == (b"", b"")
        assert pack.namelist() == sorted(pack.namelist())


def test_the_manifest_lists_every_file_with_its_hash(published, manifest):
    files = tree(published.folder)
    listed = {one["file"]: one for one in manifest["files"]}
    assert set(listed) == set(files) - {"manifest.json", "SHA256SUMS"}
    assert list(listed) == sorted(listed)
    for name, one in listed.items():
        assert (one["sha256"], one["bytes"]) == (hashlib.sha256(files[name]).hexdigest(), len(files[name]))
    for sound in manifest["sounds"]:
        assert listed[sound["file"]]["sha256"] == sound["sha256"]
        assert sound["preview"] in listed


def test_the_manifests_are_what_their_schemas_say(published, manifest):
    schema = json.loads((published.folder / "manifest.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(manifest, schema)
    without = {key: value for key, value in manifest.items() if key != "sounds"}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(without, schema)
    (edition,) = manifest["editions"]
    made = json.loads((published.folder / edition["manifest"]).read_text("utf-8"))
    assert made["schema"] == "kitfold-manifest/1"
    assert [one["file"] for one in made["files"]] == ["chart.csv"]
    for slot in made["slots"]:
        data = (published.folder / edition["folder"] / slot["file"]).read_bytes()
        assert slot["sha256"] == hashlib.sha256(data).hexdigest()


def test_nothing_in_it_knows_a_path_of_the_machine_or_a_date(published, reeds):
    for name, data in tree(published.folder).items():
        assert str(reeds).encode() not in data, name
        assert b"/tmp" not in data, name
        if name.endswith((".txt", ".json", ".csv", ".toml")) and "schema.json" not in name:
            assert not re.search(rb"\b20[2-9][0-9]-[01][0-9]-[0-3][0-9]\b", data), name


def test_the_readme_answers_what_a_downloader_asks(readme, manifest):
    assert readme.startswith("Röhricht 1.2.0\n==============\n")
    flat = " ".join(readme.split())
    for answer in (
        "A kit of 4 sounds for samplers, by Ann Öther: 120 bpm, D minor, A4 = 440 Hz",
        "C4 is MIDI note 60",
        "Licence: CC-BY-4.0, https://creativecommons.org/licenses/by/4.0/",
        "CC-BY-4.0, Bo Åkesson",
        "one Dm x2 Bb x1",
        "Turn the volume down",
        "clipping cannot be undone",
        "many sound libraries and presets forbid passing on isolated sounds",
        "sha256sum -c SHA256SUMS",
        "kitfold build kit.toml",
    ):
        assert answer in flat
    for sound in manifest["sounds"]:
        row = next(line.split() for line in readme.splitlines() if line.startswith(f"{sound['name']} "))
        loops = "yes" if sound["loop"] else "no"
        assert row[1:4] == [sound["root"]["note"] or "none", f"{sound['seconds']:.2f}", loops]
    assert max(len(line) for line in readme.splitlines()) <= 78


def test_the_table_of_sounds_says_what_the_manifest_says(published, manifest):
    rows = list(csv.DictReader(io.StringIO((published.folder / "manifest.csv").read_text("utf-8"))))
    assert [row["name"] for row in rows] == [sound["name"] for sound in manifest["sounds"]]
    for row, sound in zip(rows, manifest["sounds"], strict=True):
        assert row["rights"] == sound["rights"]
        assert float(row["lufs"]) == sound["level"]["lufs"]
        assert row["midi"] == ("" if sound["root"]["midi"] is None else str(sound["root"]["midi"]))
        assert row["loop_end"] == ("" if sound["loop"] is None else str(sound["loop"]["end"]))


def test_the_table_of_patterns_is_the_song(published):
    rows = list(csv.reader(io.StringIO((published.folder / "patterns.csv").read_text("utf-8"))))
    assert rows == [
        ["section", "pattern", "patterns", "chord", "name", "pad", "sharp", "swell", "hit"],
        ["one", "1", "2", "i", "Dm", "-12", "0", "0", ""],
        ["one", "3", "1", "VI", "Bb", "-16", "0", "0", ""],  # from D to B flat, the shortest way, and the shift
    ]


def test_the_song_is_midi_at_the_kits_tempo(published):
    song = mido.MidiFile(published.folder / "song.mid")
    tempo = next(message.tempo for message in song.tracks[0] if message.type == "set_tempo")
    assert mido.tempo2bpm(tempo) == 120
    assert {track.name for track in song.tracks[1:]} == {"pad", "sharp", "swell", "hit"}


def test_the_author_wrote_what_stands_under_original(published, reeds):
    original = published.folder / "original"
    assert (original / "kit.toml").read_bytes() == (reeds / "kit.toml").read_bytes()
    assert (original / "devices/small.toml").read_bytes() == (reeds / "small.toml").read_bytes()
    assert tomllib.loads((original / "recipes/hit.toml").read_text("utf-8"))["steps"]


def test_the_pack_alone_gives_its_device_edition_again_bit_for_bit(published, tmp_path):
    assert _exit_code(["build", str(published.folder / "kit.toml"), "--out", str(tmp_path), "--quiet"]) == 0
    again, edition = tree(tmp_path / "reeds-small/slots"), tree(published.folder / "device/small")
    before = json.loads(edition.pop("manifest.json"))
    del edition["chart.csv"]  # a table of the manifest's settings; a build shows them in its sheet
    assert again == edition
    after = json.loads((tmp_path / "reeds-small/manifest.json").read_text("utf-8"))
    for old, new in zip(before["slots"], after["slots"], strict=True):
        old["file"] = f"slots/{old['file']}"
        assert {key: old[key] for key in old if key != "made"} == {key: new[key] for key in new if key != "made"}


def test_the_kit_inside_asks_for_everything_that_the_authors_kit_asks_for(published, reeds):
    before, after = load_plan(reeds / "kit.toml"), load_plan(published.folder / "kit.toml")
    for field in fields(before):
        if field.name not in ("path", "kit", "sounds"):  # where it lies, and what is compared below
            assert getattr(after, field.name) == getattr(before, field.name), field.name
    assert after.kit.model_dump(exclude={"device"}) == before.kit.model_dump(exclude={"device"})
    for old, new in zip(before.sounds, after.sounds, strict=True):
        for field in ("name", "place", "slot", "plays", "copies", "spare"):
            assert getattr(new, field) == getattr(old, field), field
        assert (new.steps, new.recipe, new.from_sound) == ((), None, None)
    pad, sharp, swell, hit = (sound.given for sound in after.sounds)
    assert (pad.root_hz, pad.whole) == (pytest.approx(D3_HZ), False)
    assert pad.loop is not None
    assert (sharp, hit) == (None, None)  # no step found anything out about them
    assert (swell.root_hz, swell.loop, swell.whole) == (pytest.approx(D3_HZ), None, True)


def test_the_full_edition_is_what_the_steps_made_and_the_builds_masters_are(published, reeds, manifest, tmp_path):
    assert _exit_code(["build", str(reeds / "kit.toml"), "--out", str(tmp_path), "--quiet"]) == 0
    for sound in manifest["sounds"]:
        full, _ = soundfile.read(published.folder / sound["file"], dtype="int32")
        master, _ = soundfile.read(tmp_path / "reeds-small/masters" / f"{sound['name']}.wav", dtype="int32")
        assert np.array_equal(full, master)
