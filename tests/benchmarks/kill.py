"""kill -9 at random moments of build, watch and publish: the earlier whole, the cache usable, the next one right.

    python tests/benchmarks/kill.py [KILLS] [SEED]

KILLS (default 50) are dealt out over the commands. After each one every file that stands is compared with a build that
was never disturbed, every entry of the cache is read, and the next build must be right byte for byte.
"""

import hashlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from kitfold.cli.main import COMMANDS
from kitfold.files import Store

KIT = """
[kit]
name = "tarn"
title = "Tarn"
version = "1.0.0"
author = "nobody"
licence = "CC0-1.0"
device = "mono8-22s"
key = "A minor"
tempo = 120

[[sound]]
name = "bed"
source = "take.wav"
recipe = "stacked-pad"
rights = "own work"

[[sound]]
name = "swell"
from = "bed"
recipe = "riser"
rights = "own work"
riser.beats = {beats}

[[sound]]
name = "tick"
source = "take.wav"
end_s = 0.4
recipe = "hit"
rights = "own work"
"""


def write_kit(folder, beats):
    folder.mkdir()
    times = np.arange(int(2.5 * 44_100)) / 44_100
    tone = sum(np.sin(2 * np.pi * 221.3 * n * times) / n for n in range(1, 5))
    soundfile.write(folder / "take.wav", 0.2 * tone * np.exp(-times), 44_100, subtype="PCM_24")
    (folder / "kit.toml").write_text(KIT.format(beats=beats))
    return folder / "kit.toml"


def digests(folder):
    """Return every file's hash but for hidden ones, which are what a killed command may leave."""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    visible = [path for path in files if not any(part.startswith(".") for part in path.relative_to(folder).parts)]
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in visible}


class Work:
    """Two kits of one name, what each command makes of them undisturbed, and where they are disturbed."""

    def __init__(self, root):
        self.out, self.cache = root / "out", root / "cache"
        self.kits = [write_kit(root / f"kit-{beats}", beats) for beats in (1, 2)]
        self.published = self.kits[0]  # what is there from the first run
        self.names = [name for name in ("build", "publish") if name in COMMANDS]
        self.wanted = []
        for number, kit in enumerate(self.kits):
            for name in self.names:
                self.done(name, kit, root / f"want-{number}", root / f"cache-{number}")
            self.wanted.append(digests(root / f"want-{number}"))

    def command(self, name, kit, out, *more):
        return [sys.executable, "-m", "kitfold", name, str(kit), "--out", str(out), *more]

    def environment(self, cache):
        return {**os.environ, "KITFOLD_CACHE": str(cache)}

    def done(self, name, kit, out, cache):
        """Run a command to its end; return how long it took."""
        started = time.perf_counter()
        run = subprocess.run(
            self.command(name, kit, out), capture_output=True, text=True, check=False, env=self.environment(cache)
        )
        assert run.returncode in (0, 1), run.stderr
        return time.perf_counter() - started

    def killed(self, name, kit, after_s):
        """Run a command and kill it; say whether it was still running."""
        more = ("--fresh",) if name == "build" else ()
        process = subprocess.Popen(
            self.command(name, kit, self.out, *more),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=self.environment(self.cache),
        )  # fmt: skip
        time.sleep(after_s)
        process.kill()
        return process.wait() == -signal.SIGKILL

    def make_way(self, name, kit):
        """Take another kit's pack away: a published version is never replaced."""
        if name == "publish" and self.published != kit:
            for pack in self.out.glob("*.zip"):
                pack.unlink()
            self.published = kit

    def check_standing(self):
        """Every file that stands belongs, with all the others of its folder, to one undisturbed result."""
        found = digests(self.out)
        for top in {name.split("/")[0] for name in found}:
            mine = {name: digest for name, digest in found.items() if name.split("/")[0] == top}
            whole = [{n: d for n, d in one.items() if n.split("/")[0] == top} for one in self.wanted]
            assert mine in whole, f"{top} is neither the one nor the other"

    def check_cache(self):
        store = Store(self.cache)
        for path in self.cache.rglob("*.entry"):
            assert store.get(path.stem) is not None, f"{path.name} is damaged"


def main():
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    rng = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 7)
    with tempfile.TemporaryDirectory() as folder:
        work = Work(Path(folder))
        seconds = {name: work.done(name, work.kits[0], work.out, work.cache) for name in work.names}
        seconds["watch"] = seconds["build"]
        names = [*work.names, "watch"]
        in_time = dict.fromkeys(names, 0)
        for number in range(kills):
            name, which = names[number % len(names)], rng.randrange(2)
            if name == "watch":  # something to do for it: another kit stood there before
                work.done("build", work.kits[1 - which], work.out, work.cache)
            work.make_way(name, work.kits[which])
            in_time[name] += work.killed(name, work.kits[which], rng.uniform(0, 1.05) * seconds[name])
            work.check_standing()
            work.check_cache()
            for one in work.names:
                work.make_way(one, work.kits[which])
                work.done(one, work.kits[which], work.out, work.cache)
            assert digests(work.out) == work.wanted[which], "the next one is not right"
            left = [path.name for path in work.out.iterdir() if path.name.startswith(".") and path.suffix != ".lock"]
            assert not left, f"left behind: {left}"
            print(f"{number + 1:3d} {name}", flush=True)
    print("killed while it ran: " + ", ".join(f"{name} {count}" for name, count in in_time.items()))
    print(f"{kills} of {kills}: the earlier whole, the cache usable, the next right")


if __name__ == "__main__":
    main()
