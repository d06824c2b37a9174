"""How long a cold build of the demo kit takes, stage by stage, on one job and on two.

    python tests/benchmarks/build_demo.py [RUNS]

Each run is a process of its own with an empty cache; of RUNS (default 3) the fastest counts, since other work on the
machine only ever adds. `whole` is the time from the start of the process to its end, so it holds what Python and the
libraries take to load; a library that a stage is the first to need loads within that stage.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

KIT = Path(__file__).parents[2] / "input_demo" / "kit.toml"
STAGES = ("load", "plan", "masters", "pack", "write", "whole")


def timed_build(out: Path, jobs: int) -> dict[str, float]:
    """Build the demo in this process, as the command does; return the seconds of every stage."""
    times = {}
    clock = time.perf_counter

    started = clock()
    from kitfold.pack.build import write_build
    from kitfold.pack.kit import pack_kit
    from kitfold.plan.load import load_plan
    from kitfold.render.masters import render_masters

    times["load"] = clock() - started
    started = clock()
    plan = load_plan(KIT)
    times["plan"] = clock() - started
    started = clock()
    masters = render_masters(plan, jobs, lambda name: None)
    times["masters"] = clock() - started
    started = clock()
    packed = pack_kit(plan, plan.devices[0], masters, jobs, lambda name: None)
    times["pack"] = clock() - started
    started = clock()
    write_build(plan, packed, masters, out)
    times["write"] = clock() - started
    return times


def one_run(jobs: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "KITFOLD_CACHE": str(Path(folder) / "cache")}
        command = [sys.executable, __file__, "--stages", str(Path(folder) / "out"), str(jobs)]
        started = time.perf_counter()
        run = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
        return {**json.loads(run.stdout), "whole": time.perf_counter() - started}


def main() -> None:
    if sys.argv[1:2] == ["--stages"]:
        print(json.dumps(timed_build(Path(sys.argv[2]), int(sys.argv[3]))))
        return
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    best = {jobs: min((one_run(jobs) for _ in range(runs)), key=lambda times: times["whole"]) for jobs in (1, 2)}
    print(f"{'stage':10} {'1 job s':>8} {'2 jobs s':>9} {'ratio':>6}")
    for stage in STAGES:
        one, two = best[1][stage], best[2][stage]
        print(f"{stage:10} {one:8.2f} {two:9.2f} {one / two:6.2f}")


if __name__ == "__main__":
    main()
