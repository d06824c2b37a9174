"""What many sounds cost: time, the processor's time and the highest memory, against the first figure.

    python tests/benchmarks/many.py [--kits] [--together] [--jobs J] [--runs R] [--profile] N...
    python tests/benchmarks/many.py --cluster N [--runs R]

The first form builds one kit of N sounds for each N, with `--kits` N sounds as kits of ten in one command. Sounds last
1 to 2 s, mono, and all differ, so that no cache can serve two. Of ten three are held through the chords, four play
their tones and three are hits; ten play in each section of the song. With `--together` all of a kit play in one
section, where every sound meets every other. The device has a slot for each sound and for its copies. Every build is a
process of its own with an empty cache; of R runs (default 1) the one with the least processor time counts, which two
threads add to and other work on the machine does not. `--profile` (one run) lists where the time of the main thread's
work went, on one job.

The second form builds the speed kit (`speed_kit`: stereo, stacked, copied to chords) on a Dask scheduler and 1, then 2
workers of one thread each, all processes of this machine, and compares time and bytes. The share of the machine that
they had while the clock ran is what the system counts for all of them.
"""

import argparse
import cProfile
import hashlib
import os
import pstats
import socket
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100
TEN = 10
PLAYS = ("chords", "chords", "chords", "tones", "tones", "tones", "tones", "fixed", "fixed", "fixed")
KIT = """[kit]
name = "{name}"
title = "Many"
author = "nobody"
licence = "CC0-1.0"
device = "large"
key = "D minor"
tempo = 120

[song]
beats_per_pattern = 2
"""
SECTION = """[[song.section]]
name = "part{number}"
chords = ["i", "VI", "iv", "v"]
silent = [{silent}]
"""
SOUND = """
[[sound]]
name = "{name}"
source = "takes/{name}.wav"
plays = "{plays}"
copies = "auto"
rights = "own work"
steps = [{{step = "trim"}}, {tune}{{step = "level", lufs = -20}}]
"""
DEVICE = """name = "large"
rate_hz = 32000
bits = 16
encoding = "signed"
channels = 1
slots = 4096
memory_s = 100000
transpose = [-12, 12]
voices = 16
slot_level = true
loading = "files"
file_name = "{slot:04d}_{name}.wav"
"""


def take(number: int) -> np.ndarray:
    """Return a mono tone, or a hit of noise, of 1 to 2 s, with its own pitch, brightness and decay."""
    random = np.random.default_rng(number)
    t = np.arange(round(random.uniform(1.0, 2.0) * RATE_HZ)) / RATE_HZ
    plays = PLAYS[number % TEN]
    if plays == "fixed":
        tone = random.standard_normal(len(t)) * np.exp(-t * random.uniform(8, 30))
    else:
        hz = 440.0 * 2 ** ((random.integers(45, 75) - 69 + random.uniform(-0.2, 0.2)) / 12)
        steep, decay = random.uniform(0.8, 2.0), 0.5 if plays == "chords" else random.uniform(2, 5)
        tone = sum(np.sin(2 * np.pi * n * hz * t + random.uniform(0, 6.28)) / n**steep for n in range(1, 9))
        tone = tone * np.exp(-decay * t)
    tone = tone * np.minimum(1.0, t / 0.005)
    return 0.3 * tone / np.abs(tone).max()


def make(folder: Path, numbers: range, name: str, together: bool = False) -> Path:
    """Write a kit of the takes with these numbers, and the device; kits share the takes."""
    (folder / "takes").mkdir(parents=True, exist_ok=True)
    names = [f"s{number}" for number in numbers]
    size = len(names) if together else TEN
    text = KIT.format(name=name)
    for first in range(0, len(names), size):
        others = [*names[:first], *names[first + size :]]
        text += SECTION.format(number=first // size, silent=", ".join(f'"{one}"' for one in others))
    for number, own in zip(numbers, names, strict=True):
        source = folder / "takes" / f"{own}.wav"
        if not source.exists():
            soundfile.write(source, take(number), RATE_HZ, "PCM_24")
        plays = PLAYS[number % TEN]
        tune = "" if plays == "fixed" else '{step = "tune", to = "nearest"}, '
        text += SOUND.format(name=own, plays=plays, tune=tune)
    (folder / f"{name}.toml").write_text(text)
    (folder / "large.toml").write_text(DEVICE)
    return folder / f"{name}.toml"


def environment(cache: Path) -> dict[str, str]:
    """Return an environment with a cache of its own, and Python's bytecode at hand as where kitfold is installed."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    bytecode = Path(tempfile.gettempdir()) / "kitfold-benchmark-bytecode"
    return {**kept, "KITFOLD_CACHE": str(cache), "PYTHONPYCACHEPREFIX": str(bytecode)}


def measured(command: list[str], cache: Path) -> tuple[float, float, float]:
    """Run a build and return its seconds, its processor seconds and the most memory it had, in MB."""
    started = time.perf_counter()
    with subprocess.Popen(command, env=environment(cache), stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode in (0, 1), f"{command} ended with {process.returncode}"
    peak_bytes = used.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    return time.perf_counter() - started, used.ru_utime + used.ru_stime, peak_bytes / 1e6


def built(kits: list[Path], *more: str) -> tuple[float, float, float]:
    """Build kits in one command, into an empty folder with an empty cache."""
    with tempfile.TemporaryDirectory(dir=kits[0].parent) as folder:
        command = [sys.executable, "-m", "kitfold", "build", *map(str, kits), "--out", f"{folder}/out", "--quiet"]
        return measured([*command, *more], Path(folder) / "cache")


def growth(folder: Path, asked: argparse.Namespace) -> None:
    """Print what N sounds cost, for each N."""
    print("sounds        s  ms/sound    cpu s  cpu ms/sound  ratio     MB  ratio")
    first = None
    for count in asked.counts:
        if asked.kits:
            kits = [make(folder, range(n, n + TEN), f"kit{n}", asked.together) for n in range(0, count, TEN)]
        else:
            kits = [make(folder, range(count), f"kit-of-{count}", asked.together)]
        runs = [built(kits, "--jobs", str(asked.jobs)) for _ in range(asked.runs)]
        seconds, cpu_s, peak_mb = min(runs, key=lambda run: run[1])
        each = 1000 * cpu_s / count
        first = first or (each, peak_mb)
        print(
            f"{count:6d} {seconds:8.2f} {1000 * seconds / count:9.1f} {cpu_s:8.2f} {each:13.1f} {each / first[0]:6.2f} "
            f"{peak_mb:6.0f} {peak_mb / first[1]:6.2f}",
            flush=True,
        )


def profile(folder: Path, asked: argparse.Namespace) -> None:
    """List where the time goes, stage by stage, on one job; threads' work is done where it is asked for."""
    os.environ["KITFOLD_CACHE"] = str(folder / "cache")
    from kitfold.files import open_store
    from kitfold.pack import build, kit, listen
    from kitfold.plan.load import load_plan
    from kitfold.render import jobs, masters
    from kitfold.sheet import sheet_parts

    class Now:
        """A pool that works at once, in the thread that asks."""

        def __init__(self, *_args: object, **_named: object) -> None: ...
        def __enter__(self) -> "Now":
            return self

        def __exit__(self, *_args: object) -> None: ...

        def shutdown(self, **_named: object) -> None: ...

        def map(self, work, items):
            return [work(item) for item in items]

        def submit(self, work, *given):
            future = jobs.Future()
            future.set_result(work(*given))
            return future

    jobs.ThreadPoolExecutor = listen.ThreadPoolExecutor = Now
    store = open_store(False, print)
    for count in asked.counts:
        path = make(folder, range(count), f"kit-of-{count}", asked.together)
        plan = load_plan(path)

        def sheet(manifest, files):
            return sheet_parts(manifest, files, jobs=1, store=store)

        device, made = plan.devices[0], {}
        stages = {
            "masters": partial(masters.render_masters, plan, 1, str, store),
            "pack": lambda plan=plan, device=device, made=made: kit.pack_kit(
                plan, device, made["masters"], 1, str, store
            ),
            "write": lambda plan=plan, made=made: build.write_build(
                plan, made["pack"], made["masters"], folder / "out", sheet, 1, store
            ),
        }
        for name, stage in stages.items():
            watch = cProfile.Profile()
            started = time.process_time()
            made[name] = watch.runcall(stage)
            print(f"== {count} sounds, {name}: {time.process_time() - started:.2f} s")
            pstats.Stats(watch).sort_stats("cumulative").print_stats("kitfold", 22)


def digests(folder: Path) -> dict[str, str]:
    """Return the hash of every file of a folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def dask(folder: Path, name: str, *more: str) -> subprocess.Popen:
    command = [sys.executable, "-m", f"distributed.cli.{name}", *more, "--no-dashboard"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    return subprocess.Popen(command, cwd=folder, env=environment(folder / "none"), **quiet)


def on_cluster(folder: Path, kit: Path, workers: int) -> tuple[float, dict[str, str]]:
    """Build a kit on a new cluster of this machine; return the seconds and what was written."""
    from distributed import Client

    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    how = ("--nthreads", "1", "--no-nanny", "--local-directory", str(folder))
    processes = [dask(folder, "dask_scheduler", "--port", str(port), "--no-show")]
    try:
        processes += [dask(folder, "dask_worker", address, *how) for _ in range(workers)]
        with Client(address, timeout=30, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=60)
            client.run(warm)  # what a worker loads once is not what it takes a sound
        with tempfile.TemporaryDirectory(dir=folder) as own:
            out = Path(own) / "out"
            command = [sys.executable, "-m", "kitfold", "build", str(kit), "--out", str(out), "--cluster", address]
            seconds, cpu_s, peak_mb = measured([*command, "--quiet"], Path(own) / "cache")
            print(f"{workers} workers: {seconds:7.2f} s, at home {cpu_s:.1f} cpu s, {peak_mb:.0f} MB", flush=True)
            return seconds, digests(out)
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def warm() -> None:
    import librosa  # noqa: F401
    import pedalboard  # noqa: F401

    import kitfold.steps  # noqa: F401


def cluster(folder: Path, asked: argparse.Namespace) -> None:
    """Compare 1 and 2 workers, turn by turn."""
    sys.path.insert(0, str(Path(__file__).parent))
    import speed_kit

    kit = speed_kit.make(folder / "kit", asked.counts[0])
    found = {workers: [on_cluster(folder, kit, workers) for _ in range(asked.runs)] for workers in (1, 2)}
    best = {workers: min(seconds for seconds, _ in runs) for workers, runs in found.items()}
    same = all(files == found[1][0][1] for runs in found.values() for _, files in runs)
    print(f"2 workers are {best[1] / best[2]:.2f} times as fast as 1; the same bytes: {same}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("counts", type=int, nargs="+", metavar="N")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--runs", type=int, default=1)
    for name in ("kits", "together", "profile", "cluster"):
        parser.add_argument(f"--{name}", action="store_true")
    asked = parser.parse_args()
    work = cluster if asked.cluster else profile if asked.profile else growth
    with tempfile.TemporaryDirectory(prefix="many-") as folder:
        work(Path(folder), asked)


if __name__ == "__main__":
    main()
