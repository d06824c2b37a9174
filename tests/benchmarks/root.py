"""How well the root finder does, beside other pitch trackers: prints its tables.

    python tests/benchmarks/root.py [--programs kept] [--seed 900 ...] [--step 6] [--changes 2] [--peers-every 4]
    python tests/benchmarks/root.py --inspect 1000

Programs and seeds differ from those of training/train_root.py. A gross error is more than 50 cents from the root.
Peers are slow, so they hear a fourth of the sounds (`--peers-every 0`: none); their percentages are of what they heard.
Several seeds are pooled. `--inspect N` measures the memory of one `kitfold inspect` call over N files instead.
Needs fluidsynth and the sound font, see root_corpus.py.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray
from root_corpus import KEPT, LOOKED_AT, Example, Player, rng_for, root_hz, sounds_of
from root_peers import Peer, installed
from root_sounds import EXACT, RATE_HZ, make_exact, normal
from scipy.io import wavfile

from kitfold.measure.root import PITCHED_FROM, find_root
from kitfold.sound import Sound

GROSS_CENTS = 50.0
OURS = "kitfold"
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98, 1.01)


@dataclass(frozen=True)
class Heard:
    """One method's answer about one sound."""

    example: Example
    hz: float
    confidence: float
    cpu_s: float

    @property
    def cents(self) -> float:
        """Distance from the root, NaN without one."""
        return 1200 * float(np.log2(self.hz / self.example.root_hz)) if self.example.root_hz else float("nan")

    @property
    def gross(self) -> bool:
        """More than 50 cents off, or nothing heard."""
        return not abs(self.cents) <= GROSS_CENTS


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--programs", choices=("looked-at", "kept"), default="kept")
    parser.add_argument("--seed", type=int, nargs="+", default=[900], help="more than one: their sounds are pooled")
    parser.add_argument("--step", type=int, default=6, help="semitones between the notes of a program")
    parser.add_argument("--changes", type=int, default=2, help="changed versions of each note")
    parser.add_argument("--peers-every", type=int, default=4, help="peers hear one sound in n; 0: none")
    parser.add_argument("--errors", action="store_true", help="list our gross errors")
    parser.add_argument("--inspect", type=int, metavar="N", help="measure the memory of inspecting N files, then stop")
    asked = parser.parse_args()
    if asked.inspect:
        print_memory(asked.inspect)
        return
    programs = KEPT if asked.programs == "kept" else LOOKED_AT
    examples = chain.from_iterable(sounds_of(programs, seed, asked.step, asked.changes) for seed in asked.seed)
    heard = listen(examples, asked.peers_every)
    print_gross(heard)
    print_families(heard[OURS])
    print_cents(heard[OURS])
    for seed in asked.seed:
        print_detunes(programs, seed)
    print_confidence(heard[OURS])
    print_cpu(heard)
    if asked.errors:
        for answer in heard[OURS]:
            if answer.example.root_hz and answer.gross:
                print(f"  {answer.example.name}: {answer.cents / 100:+.1f} semitones, {answer.confidence:.2f}")


def listen(examples: Iterable[Example], peers_every: int) -> dict[str, list[Heard]]:
    """Ask everybody."""
    heard: dict[str, list[Heard]] = defaultdict(list)
    peers = installed() if peers_every else {}
    for example in examples:
        heard[OURS].append(_timed(example, _ours))
        if not peers or not example.root_hz or rng_for("peers", example.name).random() * peers_every >= 1:
            continue
        mono = example.sound.float64()[:, 0]
        for name, peer in peers.items():
            heard[name].append(_timed(example, partial(_ask, peer, mono)))
    return heard


def _ask(peer: Peer, mono: NDArray[np.float64], sound: Sound) -> tuple[float, float]:
    return peer(mono, sound.rate_hz), 0.0


def _ours(sound: Sound) -> tuple[float, float]:
    root = find_root(sound)
    return root.hz or float("nan"), root.confidence


def _timed(example: Example, ask: Callable[[Sound], tuple[float, float]]) -> Heard:
    before = time.process_time()
    hz, confidence = ask(example.sound)
    return Heard(example, hz, confidence, time.process_time() - before)


def print_gross(heard: dict[str, list[Heard]]) -> None:
    """Print gross errors by kind: what was wrong and how many were heard."""
    kinds = list(dict.fromkeys(a.example.kind for a in heard[OURS] if a.example.root_hz))
    print("\nGross errors, %  (of how many sounds)\n" + f"{'':22}" + "".join(f"{name:>16}" for name in heard))
    for kind in [*kinds, "all"]:
        cells = []
        for answers in heard.values():
            of_kind = [a.gross for a in answers if a.example.root_hz and kind in (a.example.kind, "all")]
            cells.append(f"{100 * np.mean(of_kind):6.1f} ({len(of_kind)})" if of_kind else "-")
        print(f"{kind:22}" + "".join(f"{cell:>16}" for cell in cells))


def print_families(answers: list[Heard]) -> None:
    """Print our gross errors on plain notes, by family."""
    families: dict[str, list[bool]] = defaultdict(list)
    for answer in answers:
        if answer.example.kind == "note":
            families[answer.example.family].append(answer.gross)
    print("\nNotes by family, gross of all: " + ", ".join(f"{f} {sum(g)}/{len(g)}" for f, g in families.items()))


def print_cents(answers: list[Heard]) -> None:
    """Print how exact we are where the pitch is exactly known."""
    print("\nExactly known pitch, cents: median, 90th percentile, worst")
    kinds = list(dict.fromkeys(a.example.family for a in answers if a.example.kind == "exact"))
    for kind in [*kinds, "all"]:
        off = [abs(a.cents) for a in answers if a.example.kind == "exact" and kind in (a.example.family, "all")]
        print(f"  {kind:14} {np.median(off):6.3f} {np.percentile(off, 90):6.2f} {max(off):6.2f}")


def print_detunes(programs: dict[int, tuple[int, int]], seed: int) -> None:
    """Print how exactly a known detune between two takes of a recorded note comes out."""
    off = list(_detunes(programs, seed))
    print(
        f"\nSame note at two detunes, cents: median {np.median(off):.2f}, 90th percentile {np.percentile(off, 90):.2f}"
    )


def _detunes(programs: dict[int, tuple[int, int]], seed: int) -> Iterator[float]:
    player = Player()
    for program, (low, high) in programs.items():
        for key in range(low + 3, high, 12):
            rng = rng_for(seed, "detune", program, key)
            takes = [player.note(program, key, 90, rng.uniform(-45, 45)) for _ in range(2)]
            if min(np.abs(samples).max() for samples, _ in takes) < 1e-5:
                continue
            found = [find_root(Sound(normal(samples), RATE_HZ)).hz for samples, _ in takes]
            off = [1200 * np.log2((hz or 1.0) / root_hz(program, key, cents)) for hz, (_, cents) in
                   zip(found, takes, strict=True)]  # fmt: skip
            if max(map(abs, off)) <= GROSS_CENTS:
                yield abs(off[0] - off[1])


def print_confidence(answers: list[Heard]) -> None:
    """Print what the threshold keeps, and how often each confidence is right."""
    sure = np.array([a.confidence for a in answers])
    pitched = np.array([a.example.root_hz is not None for a in answers])
    right = np.array([not a.gross for a in answers])
    kept = sure >= PITCHED_FROM
    print(f"\nAt the threshold of {PITCHED_FROM}: pitched kept {100 * np.mean(kept[pitched]):.2f} %, of these wrong "
          f"{100 * np.mean(~right[pitched & kept]):.2f} %, unpitched accepted {100 * np.mean(kept[~pitched]):.2f} % "
          f"({sum(kept & ~pitched)} of {sum(~pitched)})")  # fmt: skip
    order = np.argsort(np.concatenate([sure[pitched], sure[~pitched]]), kind="stable")
    rank = np.empty(len(order))
    rank[order] = np.arange(1, len(order) + 1)
    ones, zeros = pitched.sum(), (~pitched).sum()
    print(f"Area under the curve: {(rank[:ones].sum() - ones * (ones + 1) / 2) / (ones * zeros):.4f}")
    print("Confidence   sounds   said, %   right, %   counting error")
    for low, high in pairwise(BINS):
        within = (sure >= low) & (sure < high)
        if within.any():
            said, share, error = 100 * sure[within].mean(), 100 * right[within].mean(), counting_error(right[within])
            print(f"{low:4.2f} - {min(high, 1):4.2f} {within.sum():8} {said:9.1f} {share:10.1f} {error:11.1f}")


def counting_error(right: NDArray[np.bool_]) -> float:
    """Say by how many points a share of so few may be off by chance.

    One standard error with one right and one wrong added (after Agresti and Coull, "Approximate is better than 'exact'
    for interval estimation", 1998), so that none wrong of three is not certainty.
    """
    share = (right.sum() + 1) / (len(right) + 2)
    return 100 * float(np.sqrt(share * (1 - share) / (len(right) + 2)))


def print_cpu(heard: dict[str, list[Heard]]) -> None:
    """Print the processor time for a 2.5 s file."""
    for name, answers in heard.items():
        times = [a.cpu_s for a in answers if 2.4 < a.example.sound.seconds < 2.6]
        print(f"CPU {name}: {1000 * np.median(times):.1f} ms")
    times = [
        _timed(_in_stereo(a.example), _ours).cpu_s for a in heard[OURS][::10] if 2.4 < a.example.sound.seconds < 2.6
    ]
    print(f"CPU {OURS}, in stereo: {1000 * np.median(times):.1f} ms")


def _in_stereo(example: Example) -> Example:
    """Give a sound a second side that differs from the first."""
    side = example.sound.float64()[:, 0]
    return replace(example, sound=Sound(np.stack([side, 0.7 * np.roll(side, 50)], axis=1), example.sound.rate_hz))


def print_memory(count: int) -> None:
    """Print the memory of the largest process when a tenth of the files, and then all of them, are inspected."""
    sides = [make_exact(kind, rng_for("inspect", kind))[0] for kind in EXACT]
    with TemporaryDirectory() as folder:
        for index in range(count):
            pair = np.stack([sides[index % 10], sides[index // 10 % 10]], axis=1).astype(np.float32)
            wavfile.write(f"{folder}/{index:05}.wav", RATE_HZ, pair)
        for files in (sorted(Path(folder).iterdir())[: count // 10], [Path(folder)]):
            subprocess.run(
                [sys.executable, "-m", "kitfold", "inspect", "--json", *files], check=True, stdout=subprocess.DEVNULL
            )
            peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
            print(f"inspect of {len(files) if len(files) > 1 else count} files: {peak:.0f} MB in the largest process")


if __name__ == "__main__":
    main()
