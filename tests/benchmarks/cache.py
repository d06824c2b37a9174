"""What the cache costs and saves: keeping and reading a sound, and the demo kit cold, warm, and where nothing changed.

    python tests/benchmarks/cache.py [RUNS]

Of RUNS (default 3) the fastest counts, since other work on the machine only ever adds. Builds are processes of their
own, timed from start to end, with Python's bytecode at hand, as it is for whoever has installed kitfold.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from kitfold.files import Store
from kitfold.render.keys import code_digest, key_of, made_with
from kitfold.render.memo import kept, known
from kitfold.sound import Sound

DEMO = Path(__file__).parents[2] / "input_demo"


def fastest_ms(runs, work):
    times = []
    for number in range(runs):
        started = time.perf_counter()
        work(number)
        times.append(time.perf_counter() - started)
    return 1000 * min(times)


def store_table(folder, runs):
    print(f"{'a sound of':24} {'keep ms':>8} {'read ms':>8}")
    store = Store(folder)
    for seconds in (1, 8, 60):
        sound = Sound(np.random.default_rng(1).uniform(-1, 1, (seconds * 44_100, 2)), 44_100)
        keep_ms = fastest_ms(runs * 3, lambda number, sound=sound: kept(store, key_of("x", number), sound))
        read_ms = fastest_ms(runs * 3, lambda number: known(store, key_of("x", number)))
        print(f"{seconds:3d} s, {sound.samples.nbytes / 1e6:6.1f} MB       {keep_ms:8.2f} {read_ms:8.2f}")
    made_with()  # loads what a build has loaded
    key_ms = fastest_ms(1, lambda _: (code_digest("steps"), made_with()))
    print(f"versions and the digest of steps: {key_ms:.1f} ms")


def build_s(kit, out, cache, *more):
    started = time.perf_counter()
    command = [sys.executable, "-m", "kitfold", "build", str(kit), "--out", str(out), *more]
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    env = {**kept, "KITFOLD_CACHE": str(cache), "PYTHONPYCACHEPREFIX": str(cache.with_name("bytecode"))}
    run = subprocess.run(command, capture_output=True, text=True, check=False, env=env)
    assert run.returncode in (0, 1), run.stderr
    return time.perf_counter() - started, run.stdout


def build_table(folder, runs):
    kit, cache = folder / "kit.toml", folder / "cache"
    shutil.copy(DEMO / "kit.toml", kit)
    shutil.copytree(DEMO / "takes", folder / "takes")
    text = kit.read_text("utf-8")
    times = {}

    def timed(name, *more, said=""):
        seconds, out = build_s(kit, folder / "out", cache, *more)
        assert said in out
        times.setdefault(name, []).append(seconds)

    for run in range(runs):
        kit.write_text(text, "utf-8")
        timed("fresh", "--fresh")
        time.sleep(2.1)  # what was just written is known by its hash, later by its stamp
        timed("nothing changed, by hash", said="nothing changed")
        timed("nothing changed, by stamp", said="nothing changed")
        timed("nothing changed, --json", "--json")
        shutil.rmtree(folder / "out")
        timed("all from the cache")
        kit.write_text(text.replace("level.lufs = -24", f"level.lufs = -{22 - run / 10}"), "utf-8")
        timed("one sound's last step changed")
        kit.write_text(text.replace("stack.intervals = [0, 7, 12]", f"filter.highpass_hz = {40 + run}"), "utf-8")
        timed("the stacked pad's filter changed")
    print(f"\n{'the demo kit':34} {'s':>6}")
    for name, seconds in times.items():
        print(f"{name:34} {min(seconds):6.2f}")


def main():
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    with tempfile.TemporaryDirectory() as folder:
        store_table(Path(folder) / "store", runs)
        build_table(Path(folder), runs)


if __name__ == "__main__":
    main()
