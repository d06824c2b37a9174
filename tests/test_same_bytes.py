"""The same inputs give the same bytes, and a build that is killed leaves the old or the new one whole.

Both are checked from outside, on builds made by the command line in processes of their own. The kit is small: one take
made here, stacked, with copies, a riser, an effect, a pluck and a hit.
"""

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

DEMO = Path(__file__).parents[1] / "input_demo" / "kit.toml"
KIT = """
[kit]
name = "tarn"
device = "mono12-41s"
key = "A minor"
tempo = 140
tempo_slowest = 130

[song]
[[song.section]]
name = "one"
chords = ["i", "VI", "ii"]

[[sound]]
name = "bed"
source = "take.wav"
recipe = "stacked-pad"
copies = "all"
stack.spread_cents = 4

[[sound]]
name = "swell"
from = "bed"
recipe = "riser"
riser.beats = 2

[[sound]]
name = "washed"
source = "take.wav"
plays = "fixed"
steps = [
  {step = "trim"},
  {step = "tune", to = "nearest", method = "keep-length"},
  {step = "effect", name = "reverb", tail_s = 0.5, room_size = 0.6},
  {step = "level", peak_db = -6},
]

[[sound]]
name = "tick"
source = "take.wav"
end_s = 0.6
recipe = "hit"
"""

LIGHT = """
[kit]
name = "tarn"
device = "mono8-22s"

[[sound]]
name = "bed"
source = "take.wav"
recipe = "raw"

[[sound]]
name = "tick"
source = "take.wav"
end_s = 0.6
recipe = "hit"
"""


def write_kit(folder, seed=1, text=KIT):
    """Write a kit and its take: four detuned partials and a little noise in stereo, 2.6 s."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(2.6 * 44100)) / 44100
    fall = np.exp(-0.4 * time_s) * np.minimum(1, np.minimum(time_s / 0.05, (2.6 - time_s) / 0.3))
    sides = []
    for _ in range(2):
        phases = rng.uniform(0, 2 * np.pi, 4)
        tone = sum(np.sin(2 * np.pi * 221.3 * n * time_s + phase) / n for n, phase in enumerate(phases, start=1))
        sides.append(fall * (tone + 0.003 * rng.standard_normal(len(time_s))))
    folder.mkdir(parents=True)
    samples = np.concatenate([np.zeros((6000, 2)), 0.2 * np.stack(sides, axis=1)])
    sf.write(folder / "take.wav", samples, 44100, subtype="PCM_24")
    (folder / "kit.toml").write_text(text)
    return folder / "kit.toml"


def command(kit, out, *more, name="build"):
    return [sys.executable, "-m", "kitfold", name, str(kit), "--out", str(out), *more]


def environment(cache, **more):
    return {**os.environ, "KITFOLD_CACHE": str(cache), **more}


def build(kit, out, *more, name="build", cwd=None, **variables):
    """Build in a process of its own, and return what it said."""
    run = subprocess.run(
        command(kit, out, *more, name=name),
        capture_output=True,
        text=True,
        cwd=cwd,
        env=environment(out.parent / f"cache-{out.name}", **variables),
        check=False,
    )
    assert run.returncode == 0, run.stderr
    return run


def publish(kit, out, *more, **options):
    """Publish in a process of its own, with the cache of the build."""
    return build(kit, out, *more, name="publish", **options)


def digests(folder):
    """Return every file's hash by its name, relative to the folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def claimed(folder):
    """Return every file's hash as the manifest says it."""
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    return {one["file"]: one["sha256"] for one in manifest["slots"] + manifest["files"]}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo", "tarn"])
def test_the_same_kit_gives_the_same_bytes_whatever_the_jobs_folder_clock_language_and_hashes(name, tmp_path):
    kit = DEMO if name == "demo" else write_kit(tmp_path / "kit")
    away = tmp_path / "elsewhere"
    away.mkdir()
    one = {"PYTHONHASHSEED": "1", "TZ": "Pacific/Auckland", "LC_ALL": "C"}
    other = {"PYTHONHASHSEED": "4711", "TZ": "America/St_Johns", "LC_ALL": "de_DE.UTF-8"}
    build(kit, tmp_path / "a", "--jobs", "1", cwd=tmp_path, **one)
    build(os.path.relpath(kit, away), tmp_path / "b", "--jobs", "2", cwd=away, **other)
    if name == "demo":  # and the pack that is published of it
        publish(kit, tmp_path / "a", "--jobs", "1", cwd=tmp_path, **one)
        publish(os.path.relpath(kit, away), tmp_path / "b", "--jobs", "2", cwd=away, **other)
    first, second = digests(tmp_path / "a"), digests(tmp_path / "b")
    assert len([file for file in first if "/slots/" in file]) >= 6
    assert len([file for file in first if file.endswith(".zip")]) == (name == "demo")
    assert first == second


def test_other_takes_give_other_bytes(tmp_path):
    # so that the test above cannot pass because nothing of the sound gets into the files
    builds = []
    for seed in (1, 2):
        build(write_kit(tmp_path / f"kit-{seed}", seed, LIGHT), tmp_path / f"out-{seed}")
        builds.append(claimed(tmp_path / f"out-{seed}" / "tarn-mono8-22s"))
    assert builds[0].keys() == builds[1].keys()
    heard = [{digest for name, digest in files.items() if name.endswith(".wav")} for files in builds]  # notes stay
    assert heard[0]
    assert not heard[0] & heard[1]


# --------------------------------------------------------------------------------------------------------------- killed

TRIES = 12


FOLDER = "tarn-mono8-22s"


@pytest.fixture(scope="module")
def two_kits(tmp_path_factory):
    """Two takes of one light kit, what each builds, and about how long that takes from start to end."""
    root = tmp_path_factory.mktemp("killed")
    kits, wanted, seconds = [], [], []
    for seed in (1, 2):
        kits.append(write_kit(root / f"kit-{seed}", seed, LIGHT))
        started = time.monotonic()
        build(kits[-1], root / f"want-{seed}")
        seconds.append(time.monotonic() - started)
        wanted.append(digests(root / f"want-{seed}" / FOLDER))
    return root, kits, wanted, min(seconds)


def assert_whole(folder, wanted):
    """Compare every file with one of the wanted builds, and with what the manifest says."""
    found = digests(folder)
    claims = claimed(folder)
    assert set(found) == {*claims, "manifest.json"}
    assert {name: found[name] for name in claims} == claims
    assert found in wanted


def leftovers(out):
    """List what lies beside the build, but for a lock that nobody holds any more."""
    return sorted(path.name for path in out.iterdir() if path.name != FOLDER and path.suffix != ".lock")


def wait_for_new_folder(process, out, before):
    while process.poll() is None and not set(out.glob(f".{FOLDER}.*.new")) - before:
        time.sleep(0.0005)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL, and terminate there is the same as killing")
def test_a_build_killed_at_any_moment_leaves_the_old_or_the_new_one_whole(two_kits):
    root, kits, wanted, seconds = two_kits
    out = root / "out"
    build(kits[0], out)
    rng = random.Random(20240607)
    killed, repaired = 0, 0
    for attempt in range(TRIES):
        before = set(out.glob(f".{FOLDER}.*.new"))
        process = subprocess.Popen(
            command(kits[(attempt + 1) % 2], out),
            env=environment(root / "cache-out"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        if attempt % 4:  # most fall into the 30 ms of writing and swapping, the rest anywhere
            wait_for_new_folder(process, out, before)
            time.sleep(rng.uniform(0, 0.03))
        else:
            time.sleep(rng.uniform(0, seconds))
        process.send_signal(rng.choice((signal.SIGTERM, signal.SIGKILL)))
        killed += process.wait() < 0
        standing = [folder for folder in (out / FOLDER, *out.glob(f".{FOLDER}.*.old")) if folder.is_dir()]
        assert standing, "neither the old nor the new build is there"
        for folder in standing:
            assert_whole(folder, wanted)
        # the next command that builds puts it right by itself and says so; or the next try does, and is killed in turn
        if leftovers(out) and repaired < 4:
            said = build(kits[attempt % 2], out).stderr
            assert "interrupted" in said
            assert leftovers(out) == []
            assert digests(out / FOLDER) == wanted[attempt % 2]
            repaired += 1
    print(f"killed {killed} of {TRIES}, put right {repaired}")
    assert killed >= TRIES // 2  # else it was too late each time and nothing was shown
    assert repaired == 4  # and some must have left something to put right


@pytest.mark.skipif(os.name == "nt", reason="what is said is the same there; this saves time")
def test_a_build_with_nothing_to_put_right_says_nothing_of_it(two_kits):
    root, kits, _, _ = two_kits
    assert build(kits[0], root / "quiet").stderr == ""
    assert build(kits[0], root / "quiet").stderr == ""


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no interrupt to another process's group of one")
@pytest.mark.parametrize("after_s", [0.9, 2.2])
def test_ctrl_c_ends_a_build_at_once_and_leaves_nothing(after_s, tmp_path):
    process = subprocess.Popen(
        command(DEMO, tmp_path / "out"),
        env=environment(tmp_path / "cache"),
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a parent in the background has it ignored
    )
    time.sleep(after_s)
    sent = time.monotonic()
    process.send_signal(signal.SIGINT)
    _, said = process.communicate()
    # a step may take many seconds; what is left to do takes 0.1 s, on a machine that is busy a little more
    assert time.monotonic() - sent < 2
    assert process.returncode == 130
    assert "interrupted" in said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()
