"""Judge the audible-error model against an outside referee, by kind of change, on sounds kept for testing.

    python tests/benchmarks/referee.py [--soundfont FILE.sf2] [--most N] [--piece SECONDS]

The training half is what `kitfold.measure.audible`'s figures were fitted on; only the testing half counts. Needs
zimtohrli (in the test extra); with fluidsynth and a General MIDI soundfont there are 50 sounds, else 20. All are
shares: our error over that of silence, the referee's distance over its distance from silence. Printed: Spearman's rank
correlation with the referee in step (see referee_sounds.py) and with the referee as it is, that of the plain K-weighted
error, and that of the referee's two readings with each other: no model that ranks as the one does can rank better than
that by the other; how far apart costs of different kinds lie where the referee calls them equal within 10 %, beside any
pairs; by how much each kind's cost lies over the referee's; and the time a call takes.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import referee_sounds as made
from numpy.typing import NDArray
from scipy.stats import spearmanr

from kitfold.measure.audible import audible_error, error_db, hear, lost_by_cuts, stored_errors
from kitfold.measure.level import k_weighted
from kitfold.sound import Sound

GOAL_KINDS = ("cut", "rate", "depth", "repitch", "loop")  # stretches and mixtures are shown beside them
HEARD = 0.02  # shares by the referee under this are its rounding and the quietest of dithers; their ratios mean little


class Verdict(NamedTuple):
    """One changed sound: its sound, its kind, our cost, the K-weighted error and the referee's two, all as shares."""

    sound: str
    kind: str
    ours: float
    plain: float
    in_step: float
    whole: float


def verdicts(name: str, samples: NDArray[np.float64], piece_s: float) -> list[Verdict]:
    """Judge every version of a sound."""
    reference = hear(Sound(samples, made.RATE_HZ))
    weighted = k_weighted(Sound(samples, made.RATE_HZ))
    of_all = made.of_all(samples, piece_s)
    return [
        Verdict(
            name,
            version.kind,
            audible_error(reference, Sound(version.samples, made.RATE_HZ)),
            float(np.sum(k_weighted(Sound(samples - version.samples, made.RATE_HZ)) ** 2) / np.sum(weighted**2)),
            made.in_step(samples, version.samples, piece_s) / of_all,
            made.whole(samples, version.samples) / of_all,
        )
        for version in made.versions(samples)
    ]


def equal_pairs_db(judged: list[Verdict], costs: NDArray[np.float64]) -> tuple[float, float, int]:
    """Return the median difference of costs of different kinds that the referee calls equal, that of any, the count."""
    theirs, kinds = np.array([one.in_step for one in judged]), np.array([one.kind for one in judged])
    one, other = np.triu_indices(len(judged), 1)
    differ = (kinds[one] != kinds[other]) & (theirs[one] > HEARD) & (theirs[other] > HEARD)
    one, other = one[differ], other[differ]
    apart = np.abs(costs[one] - costs[other])
    equal = np.maximum(theirs[one], theirs[other]) <= 1.1 * np.minimum(theirs[one], theirs[other])
    return float(np.median(apart[equal])), float(np.median(apart)), int(equal.sum())


def table(title: str, judged: list[Verdict]) -> None:
    """Print one half's figures."""
    judged = [one for one in judged if one.kind in (*GOAL_KINDS, "stretch", "mixed")]
    goal = [one for one in judged if one.kind in GOAL_KINDS]
    print(f"\n{title}: {len({one.sound for one in judged})} sounds, {len(judged)} versions")
    heads = f"{'kind':10}{'versions':>9}{'in step':>9}{'as it is':>9}{'K in step':>10}{'its two':>9}"
    print(f"{heads}{'over referee (10, 50, 90 %)':>30}")
    for kind in ("goal", *made.KINDS):
        some = goal if kind == "goal" else [one for one in judged if one.kind == kind]
        ours = np.array([one.ours for one in some])
        step, whole = np.array([one.in_step for one in some]), np.array([one.whole for one in some])
        plain = np.array([one.plain for one in some])
        over = [error_db(one.ours) - error_db(one.in_step) for one in some if one.in_step > HEARD]
        rho = [spearmanr(*pair).statistic for pair in ((ours, step), (ours, whole), (plain, step), (step, whole))]
        low, mid, high = np.percentile(over, [10, 50, 90])
        ranks = f"{rho[0]:9.3f}{rho[1]:9.3f}{rho[2]:10.3f}{rho[3]:9.3f}"
        print(f"{kind:10}{len(some):9d}{ranks}{low:16.1f}{mid:7.1f}{high:7.1f} dB")
    costs = np.array([error_db(one.ours) for one in goal])
    print(
        "equal within 10 %: {:.2f} dB apart in the median; any pair {:.2f} dB; {} pairs".format(
            *equal_pairs_db(goal, costs)
        )
    )


def times(samples: NDArray[np.float64]) -> None:
    """Print how long calls take for 8 s of a sound: the best of seven."""
    sound = Sound(np.resize(samples, 8 * made.RATE_HZ), made.RATE_HZ)
    reference, other = hear(sound), hear(sound)
    kept_s = np.linspace(0.5, 8, 40)
    calls = {
        "hear, 8 s mono": lambda: hear(sound).around,
        "hear, and what noise meets there": lambda: hear(sound).noise,
        "audible_error of two heard sounds": lambda: audible_error(reference, other),
        "40 cuts": lambda: lost_by_cuts(reference, kept_s, 0.15),
        "one band and depth": lambda: stored_errors(reference, 8000.0, 1e-6),
    }
    print()
    for what, call in calls.items():
        call()
        spent = []
        for _ in range(7):
            start = time.perf_counter()
            call()
            spent.append(time.perf_counter() - start)
        print(f"{what:36}{1000 * min(spent):8.1f} ms")


def main() -> None:
    """Judge both halves and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--soundfont", type=Path, help="a General MIDI soundfont for fluidsynth")
    parser.add_argument("--most", type=int, default=None, help="only so many sounds of each half")
    parser.add_argument("--piece", type=float, default=0.5, help="seconds of the pieces that the referee compares")
    options = parser.parse_args()
    sounds = made.sounds(options.soundfont)
    for title, names in zip(("training", "testing"), made.halves(list(sounds)), strict=True):
        table(title, [one for name in names[: options.most] for one in verdicts(name, sounds[name], options.piece)])
    times(next(iter(sounds.values())))


if __name__ == "__main__":
    main()
