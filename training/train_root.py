"""Train the root finder's two small models and write ``root_weights.json``.

    python training/train_root.py [--seed 1] [--out pipeline/kitfold/measure/root_weights.json]

Data: ``training_sounds(seed)`` of tests/benchmarks/root_corpus.py: notes of its TRAINING programs, each as it is and
in four changed versions, their stacks, drums and noise, and additive sounds of known root. No other program is used.

The ranker learns to give the candidates within 40 cents of the root the largest share of a softmax over all of a
sound's candidates (listwise ranking: Cao et al., "Learning to rank: from pairwise approach to listwise approach",
2007). The judge of confidence is a logistic regression on whether the reading was right. It must learn from readings
of programs that the ranker has not seen, so two more rankers are trained, each on one half of the programs, and each
reads the other half of a second corpus (seed + 100). Needs the sound font (see root_corpus.py).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

HOME = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(HOME / "tests" / "benchmarks"))

from root_corpus import Example, rng_for, training_sounds  # noqa: E402

from kitfold.measure.root import gather, read_out  # noqa: E402
from kitfold.measure.root_model import Model  # noqa: E402

Real = NDArray[np.float64]
Loss = Callable[[Real], tuple[float, Real]]

RIGHT_CENTS = 40.0
RANKER_PENALTY = 3e-4
JUDGE_PENALTY = 1e-4
HELD_BACK = 2  # halves of the programs


@dataclass(frozen=True)
class Seen:
    """A training sound as the ranker sees it."""

    half: int
    names: tuple[str, ...]
    rows: Real
    right: NDArray[np.bool_]


def main() -> None:
    """Train both models and write them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=HOME / "pipeline/kitfold/measure/root_weights.json")
    asked = parser.parse_args()
    seen = list(look(training_sounds(asked.seed)))
    sys.stdout.write(f"{len(seen)} sounds have their root among the candidates\n")
    ranker = train_ranker(seen)
    halves = [train_ranker([s for s in seen if s.half != half]) for half in range(HELD_BACK)]
    names, rows, right = readings(training_sounds(asked.seed + 100, changes=2, repeats=2, additive=1500), halves)
    sys.stdout.write(f"{len(right)} readings of programs not seen, {np.mean(right):.1%} of them right\n")
    judge = train_judge(names, rows, right)
    asked.out.write_text(json.dumps({"ranker": as_json(ranker), "confidence": as_json(judge)}) + "\n", encoding="utf-8")


def half_of(example: Example) -> int:
    """Put each program, and every other additive sound, into one of the halves."""
    owner = example.program if example.program >= 0 else example.name.split()[1]
    return int(rng_for("half", owner).integers(HELD_BACK))


def look(examples: Iterable[Example]) -> Iterator[Seen]:
    """See each pitched sound whose root is among its candidates."""
    for example in examples:
        evidence = gather(example.sound) if example.root_hz else None
        if evidence is None or example.root_hz is None:
            continue
        right = np.abs(1200 * np.log2(evidence.candidates / example.root_hz)) <= RIGHT_CENTS
        if right.any():
            yield Seen(half_of(example), tuple(evidence.figures), np.stack(list(evidence.figures.values()), 1), right)


def readings(examples: Iterable[Example], halves: list[Model]) -> tuple[tuple[str, ...], Real, NDArray[np.bool_]]:
    """Read each sound with the ranker that has not seen its program; say which readings were right."""
    names: tuple[str, ...] = ()
    rows, right = [], []
    for example in examples:
        evidence = gather(example.sound)
        if evidence is None:
            continue
        score = halves[half_of(example)].score(evidence.figures)
        reading = read_out(evidence, score, int(np.argmax(score)))
        names = tuple(reading.figures)
        rows.append([float(value[0]) for value in reading.figures.values()])
        right.append(example.root_hz is not None and abs(1200 * np.log2(reading.hz / example.root_hz)) <= 50)
    return names, np.array(rows), np.array(right)


def train_ranker(seen: list[Seen]) -> Model:
    """Fit the ranker."""
    rows = np.concatenate([s.rows for s in seen])
    right = np.concatenate([s.right for s in seen])
    counts = np.array([len(s.right) for s in seen])
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    sound = np.repeat(np.arange(len(seen)), counts)

    def loss(score: Real) -> tuple[float, Real]:
        share = np.exp(score - np.maximum.reduceat(score, starts)[sound])
        share /= np.add.reduceat(share, starts)[sound]
        good = np.add.reduceat(share * right, starts) + 1e-300
        return -float(np.mean(np.log(good))), (share - share * right / good[sound]) / len(seen)

    return fit(seen[0].names, rows, loss, RANKER_PENALTY)


def train_judge(names: tuple[str, ...], rows: Real, right: NDArray[np.bool_]) -> Model:
    """Fit the judge of confidence by logistic regression."""

    def loss(score: Real) -> tuple[float, Real]:
        wrongness = np.logaddexp(0.0, np.where(right, -score, score))
        return float(np.mean(wrongness)), (1.0 / (1.0 + np.exp(-score)) - right) / len(right)

    return fit(names, rows, loss, JUDGE_PENALTY, biased=True)


def fit(names: tuple[str, ...], rows: Real, loss: Loss, penalty: float, biased: bool = False) -> Model:
    """Minimise a loss of the scores, with a penalty on large weights, by L-BFGS."""
    middle, spread = rows.mean(axis=0), rows.std(axis=0) + 1e-3
    scaled = (rows - middle) / spread

    def cost(flat: Real) -> tuple[float, Real]:
        weight, bias = flat[:-1], flat[-1] * biased
        value, slope = loss(scaled @ weight + bias)
        gradient = np.concatenate([scaled.T @ slope + 2 * penalty * weight, [slope.sum() * biased]])
        return value + penalty * float(weight @ weight), gradient

    best = minimize(cost, np.zeros(len(names) + 1), jac=True, method="L-BFGS-B", options={"maxiter": 300}).x
    return Model(names, middle, spread, best[:-1], float(best[-1]))


def as_json(model: Model) -> dict[str, object]:
    """Write a model with six digits, enough for the same answers."""

    def short(values: Real) -> object:
        return json.loads(json.dumps(values.tolist()), parse_float=lambda text: float(f"{float(text):.6g}"))

    arrays = {name: short(getattr(model, name)) for name in ("middle", "spread", "weight")}
    return {"figures": list(model.figures), **arrays, "bias": float(f"{model.bias:.6g}")}


if __name__ == "__main__":
    main()
