"""`publish`: what it refuses, what it writes, and what it leaves alone; the pack's contents are in tests/outside."""

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

import kitfold

SOURCE = str(Path(kitfold.__file__).parents[1])
HEAD = {"title": "Reeds", "version": "1.0.0", "author": "Ann", "licence": "CC-BY-4.0"}
PACK = "reeds-1.0.0.zip"


@pytest.fixture
def sounds(entries):
    return [{**entries.pad, "rights": "own work"}, {**entries.hit, "rights": "own work"}]


@pytest.fixture
def publish(kit_folder, run, sounds):
    """Return a function that publishes a kit of two sounds; values of `head` replace ours."""

    def published(*arguments, entries=sounds, **head):
        kit = kit_folder.kit(entries, {**HEAD, **head})
        return run("publish", kit, "--out", kit_folder.out, *arguments)

    return published


def written(kit_folder):
    return {path.name: path.read_bytes() for path in kit_folder.out.rglob("*")} if kit_folder.out.exists() else {}


def test_it_writes_one_zip_that_carries_name_and_version(publish, kit_folder):
    done = publish()
    assert done.code == 0
    assert list(written(kit_folder)) == [PACK]
    assert "full/pad_D3_120bpm.wav" in done.out
    assert "many sound libraries and presets forbid passing on isolated sounds" in done.err
    with zipfile.ZipFile(kit_folder.out / PACK) as pack:
        assert {name.split("/")[0] for name in pack.namelist()} == {"reeds-1.0.0"}


def test_json_gives_the_manifest_and_nothing_else(publish, kit_folder):
    result = json.loads(publish("--json").out)
    assert (result["unchanged"], result["bytes"]) == (False, (kit_folder.out / PACK).stat().st_size)
    with zipfile.ZipFile(kit_folder.out / PACK) as pack:
        assert json.loads(pack.read("reeds-1.0.0/manifest.json")) == result["manifest"]


def test_quiet_says_nothing(publish):
    done = publish("--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")


def test_the_same_kit_again_is_said_to_be_unchanged(publish, kit_folder):
    publish()
    before = (kit_folder.out / PACK).stat()
    done = publish()
    assert done.code == 0
    assert f"{PACK} is unchanged" in " ".join(done.out.split())
    assert (kit_folder.out / PACK).stat().st_mtime_ns == before.st_mtime_ns
    assert json.loads(publish("--json").out)["unchanged"] is True


def test_a_published_version_is_never_replaced_and_another_version_stands_beside_it(publish, kit_folder):
    publish()
    before = written(kit_folder)
    done = publish(author="Bo")
    assert done.code == 2
    assert "is published already" in done.err
    assert "raise [kit] version" in done.err
    assert written(kit_folder) == before
    assert publish(author="Bo", version="1.0.1").code == 0
    assert written(kit_folder) == before | {"reeds-1.0.1.zip": (kit_folder.out / "reeds-1.0.1.zip").read_bytes()}


def test_everything_that_is_missing_is_said_before_a_sound_is_read(publish, kit_folder, entries):
    (kit_folder.path / "pad.wav").write_bytes(b"no sound at all")
    done = publish(entries=[entries.pad, entries.hit], title=None, author=None, licence=None)
    assert done.code == 2
    for place in ("kit.title", "kit.author", "kit.licence", "sound[1] (pad).rights", "sound[2] (hit).rights"):
        assert f"{place} is missing" in done.err
    assert "no audio" not in done.err
    assert written(kit_folder) == {}


def test_what_must_not_be_passed_on_is_refused_with_the_usual_caution(publish, kit_folder, sounds):
    sounds[1]["rights"] = "Sound library, no redistribution"
    done = publish("--json", entries=sounds)
    assert done.code == 2
    (mistake,) = json.loads(done.out)["errors"]
    assert mistake["where"].endswith("sound[2] (hit).rights")
    assert "a lawyer" in mistake["hint"]
    assert written(kit_folder) == {}


def test_a_kit_whose_checks_fail_is_not_published(run, kit_folder, entries):
    """A hold of 8 s that no fit can keep: the source lasts 0.8 s."""
    sound = {
        **entries.pad,
        "plays": "chords",
        "steps": [{"step": "tune", "heard": "D3", "to": "D3"}],
        "rights": "own work",
    }
    song = {"section": [{"name": "a", "chords": ["i", "-", "-", "-"]}]}
    done = run("publish", kit_folder.kit([sound], HEAD, song=song), "--out", kit_folder.out)
    assert done.code == 1
    assert "fails" in done.err
    assert "nothing was published" in done.err
    assert written(kit_folder) == {}


def test_a_kit_that_does_not_fit_is_not_published(publish, kit_folder):
    kit_folder.device("tiny", memory_s=0.01)
    done = publish(device="tiny")
    assert done.code == 1
    assert "does not fit tiny" in done.err
    assert written(kit_folder) == {}


def test_a_path_of_this_machine_is_refused(publish, kit_folder, sounds):
    sounds[0]["source"] = str(kit_folder.path / "pad.wav")
    done = publish(entries=sounds)
    assert done.code == 2
    assert "sound[1] (pad).source is a path of this machine" in done.err
    assert written(kit_folder) == {}


def test_every_device_has_its_edition_and_its_file(publish, kit_folder):
    kit_folder.device("kit", file_name="{kit}/{slot}_{note}.wav")  # its file must not be taken for the kit
    (kit_folder.path / "kit.toml").rename(kit_folder.path / "named-kit.toml")
    assert publish(device=["named-kit", "mono8-22s"]).code == 0
    with zipfile.ZipFile(kit_folder.out / PACK) as pack:
        pack.extractall(kit_folder.path / "unpacked")
    top = kit_folder.path / "unpacked/reeds-1.0.0"
    assert sorted(path.name for path in (top / "device").iterdir()) == ["kit", "mono8-22s"]
    assert sorted(path.name for path in top.glob("*.toml")) == ["kit-device.toml", "kit.toml", "mono8-22s.toml"]
    assert (top / "device/kit/reeds/1_D3.wav").is_file()
    assert (top / "original/devices/named-kit.toml").is_file()


def test_the_devices_of_the_pack_may_be_chosen(publish, kit_folder):
    assert publish("--device", "mono12-41s").code == 0
    with zipfile.ZipFile(kit_folder.out / PACK) as pack:
        folders = {name.split("/")[2] for name in pack.namelist() if "/device/" in name}
    assert folders == {"mono12-41s"}


def test_what_a_kit_does_not_say_is_not_claimed(publish, kit_folder):
    assert publish(key=None, tempo=None).code == 0
    with zipfile.ZipFile(kit_folder.out / PACK) as pack:
        readme = pack.read("reeds-1.0.0/README.txt").decode()
        assert "reeds-1.0.0/full/pad_D3.wav" in pack.namelist()
        assert "reeds-1.0.0/patterns.csv" not in pack.namelist()  # there is no song
        kit = pack.read("reeds-1.0.0/kit.toml").decode()
    assert "bpm" not in readme
    assert "major" not in readme
    assert "tempo" not in kit


# The same bytes, and whole or not at all: in processes of their own.


def process(kit, out, *more, cwd=None, **variables):
    environment = {
        **os.environ,
        "PYTHONPATH": SOURCE,
        "KITFOLD_CACHE": str(out.parent / f"cache-{out.name}"),
        **variables,
    }
    command = [sys.executable, "-m", "kitfold", "publish", str(kit), "--out", str(out), "--quiet", *more]
    return subprocess.Popen(command, cwd=cwd, env=environment, stderr=subprocess.PIPE, text=True)


def published_by(kit, out, *more, **options):
    started = process(kit, out, *more, **options)
    _, err = started.communicate()
    assert started.returncode == 0, err
    (path,) = out.iterdir()
    return path.name, hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.slow
def test_jobs_folder_timezone_language_and_hashes_change_no_byte(kit_folder, sounds, tmp_path):
    """The demo's pack: tests/test_same_bytes.py."""
    kit = kit_folder.kit(sounds, HEAD)
    moved = tmp_path / "moved here"
    shutil.copytree(kit.parent, moved, ignore=shutil.ignore_patterns("moved here"))
    os.utime(moved / "kit.toml", (0, 0))
    first = {"TZ": "Pacific/Auckland", "LC_ALL": "C", "PYTHONHASHSEED": "1"}
    second = {"TZ": "America/St_Johns", "LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "4711"}
    one = published_by(kit, tmp_path / "a", "--jobs", "1", cwd=tmp_path, **first)
    two = published_by(Path("kit.toml"), tmp_path / "b", "--jobs", "2", cwd=moved, **second)
    assert one == two


def test_another_sound_gives_another_zip(kit_folder, sounds, samples, tmp_path):
    kit = kit_folder.kit(sounds, HEAD)
    one = published_by(kit, tmp_path / "a")
    kit_folder.sound("hit.wav", 0.9 * samples.hit())
    assert published_by(kit, tmp_path / "b") != one


@pytest.mark.slow
def test_a_publish_that_is_killed_at_any_moment_leaves_no_half_zip(kit_folder, sounds):
    kit, out = kit_folder.kit(sounds, HEAD), kit_folder.out
    started = time.monotonic()
    wanted = published_by(kit, out)
    seconds = time.monotonic() - started
    chance = random.Random(6)
    for _ in range(4):
        (out / PACK).unlink(missing_ok=True)
        running = process(kit, out)
        time.sleep(chance.uniform(0.5, 1.0) * seconds)
        running.send_signal(signal.SIGKILL)
        running.communicate()
        if (out / PACK).exists():
            assert hashlib.sha256((out / PACK).read_bytes()).hexdigest() == wanted[1]
    assert published_by(kit, out) == wanted  # and the next one tidies up: there is nothing else in the folder


@pytest.fixture
def small_disk(tmp_path):
    """A real disk of 64 kB; skipped where none can be mounted."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    may = shutil.which("mount") and os.name == "posix" and os.geteuid() == 0
    if not may or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no right to mount a disk here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_says_so_and_keeps_nothing_of_the_pack(kit_folder, run, sounds, small_disk):
    (small_disk / "mine.txt").write_text("mine")
    done = run("publish", kit_folder.kit(sounds, HEAD), "--out", small_disk)
    assert done.code == 2
    assert "cannot be written: the disk is full" in done.err
    assert [path.name for path in small_disk.iterdir()] == ["mine.txt"]
