"""Train the root finder's two small models and write ``root_weights.json``.

    python training/train_root.py [--seed 1] [--out pipeline/kitfold/measure/root_weights.json]

Data: sounds of tests/benchmarks/root_corpus.py, made of its TRAINING programs, drums, noise and additive sounds of
known root. No other program is used.

The ranker learns to give the candidates within 40 cents of the root the largest share of a softmax over all of a
sound's candidates (listwise ranking: Cao et al., "Learning to rank: from pairwise approach to listwise approach",
2007) on ``training_sounds(seed)``: notes as they are and changed, also beyond their natural keys.

The judge of confidence is a logistic regression on whether a reading was right. It must learn from readings of programs
that the ranker has not seen, so four more rankers are trained, each without a fourth of the programs, and each reads
that fourth. Its sounds are training sounds of another seed, and ordinary ones: the same mixture of kinds as the
benchmark's. What it says is set right at last by one slope and one offset (Platt, "Probabilistic outputs for support
vector machines", 1999), fitted on ordinary sounds of still other seeds by four judges, again each on programs that
neither it nor its ranker has seen. Needs the sound font (see root_corpus.py).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

HOME = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(HOME / "tests" / "benchmarks"))

from root_corpus import TRAINING, Example, rng_for, sounds_of, training_sounds  # noqa: E402

from kitfold.measure.root import gather, read_out  # noqa: E402
from kitfold.measure.root_model import Model, Units  # noqa: E402

Real = NDArray[np.float64]
Truth = NDArray[np.bool_]
Loss = Callable[[Real], tuple[float, Real]]

RIGHT_CENTS = 40.0
FOLDS = 4
RANKER_UNITS, RANKER_PENALTY, RANKER_STEPS = 12, 1e-3, 150
JUDGE_UNITS, JUDGE_PENALTY, JUDGE_STEPS = 6, 3e-4, 300
ORDINARY_SEEDS = 3  # corpora of ordinary sounds that the judge learns from, and as many that set it right


@dataclass(frozen=True)
class Seen:
    """A training sound as the ranker sees it."""

    fold: int
    names: tuple[str, ...]
    rows: Real
    right: Truth


@dataclass(frozen=True)
class Readings:
    """What rankers read from programs they have not seen: a row of figures, and whether it was right."""

    names: tuple[str, ...]
    folds: NDArray[np.int_]
    rows: Real
    right: Truth

    def part(self, chosen: Truth) -> Readings:
        """Choose some of them."""
        return Readings(self.names, self.folds[chosen], self.rows[chosen], self.right[chosen])

    def figures(self) -> dict[str, Real]:
        """Give them as a model wants them."""
        return dict(zip(self.names, self.rows.T, strict=True))


def main() -> None:
    """Train both models and write them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=HOME / "pipeline/kitfold/measure/root_weights.json")
    asked = parser.parse_args()
    seen = list(look(training_sounds(asked.seed)))
    say(f"{len(seen)} sounds have their root among the candidates")
    rankers = [train_ranker([s for s in seen if s.fold != fold]) for fold in range(FOLDS)]
    ranker = train_ranker(seen)
    say("the ranker is trained")
    hard = training_sounds(asked.seed + 100, changes=2, repeats=2, additive=1500)
    learned = read(chain(hard, ordinary(asked.seed + 200)), rankers)
    say(f"{len(learned.right)} readings of programs not seen, {np.mean(learned.right):.1%} of them right")
    judges = [train_judge(learned.part(learned.folds != fold)) for fold in range(FOLDS)]
    judge = set_right(train_judge(learned), *calibrate(judges, read(ordinary(asked.seed + 300), rankers)))
    asked.out.write_text(json.dumps({"ranker": as_json(ranker), "confidence": as_json(judge)}) + "\n", encoding="utf-8")


def say(what: str) -> None:
    """Report progress."""
    sys.stdout.write(what + "\n")
    sys.stdout.flush()


def ordinary(seed: int) -> Iterator[Example]:
    """Make sounds in the benchmark's mixture, of training programs and of drums and effects that train."""
    for index in range(ORDINARY_SEEDS):
        yield from sounds_of(TRAINING, seed + index, changes=2, odd=0)


def fold_of(example: Example) -> int:
    """Put each program, and every additive sound, into one of the folds."""
    if example.program in TRAINING and example.kind != "unpitched":
        return list(TRAINING).index(example.program) % FOLDS
    return int(rng_for("fold", example.name).integers(FOLDS))


def look(examples: Iterable[Example]) -> Iterator[Seen]:
    """See each pitched sound whose root is among its candidates."""
    for example in examples:
        evidence = gather(example.sound) if example.root_hz else None
        if evidence is None or example.root_hz is None:
            continue
        right = np.abs(1200 * np.log2(evidence.candidates / example.root_hz)) <= RIGHT_CENTS
        if right.any():
            yield Seen(fold_of(example), tuple(evidence.figures), np.stack(list(evidence.figures.values()), 1), right)


def read(examples: Iterable[Example], rankers: list[Model]) -> Readings:
    """Read each sound with the ranker that has not seen its program; say which readings were right."""
    names: tuple[str, ...] = ()
    folds, rows, right = [], [], []
    for example in examples:
        evidence = gather(example.sound)
        if evidence is None:
            continue
        fold = fold_of(example)
        score = rankers[fold].score(evidence.figures)
        reading = read_out(evidence, score, int(np.argmax(score)))
        names = tuple(reading.figures)
        folds.append(fold)
        rows.append([float(value[0]) for value in reading.figures.values()])
        right.append(example.root_hz is not None and abs(1200 * np.log2(reading.hz / example.root_hz)) <= 50)
    return Readings(names, np.array(folds), np.array(rows), np.array(right))


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

    return fit(seen[0].names, rows, loss, RANKER_UNITS, RANKER_PENALTY, RANKER_STEPS)


def train_judge(readings: Readings) -> Model:
    """Fit the judge of confidence by logistic regression."""
    right = readings.right

    def loss(score: Real) -> tuple[float, Real]:
        wrongness = np.logaddexp(0.0, np.where(right, -score, score))
        return float(np.mean(wrongness)), (1.0 / (1.0 + np.exp(-score)) - right) / len(right)

    return fit(readings.names, readings.rows, loss, JUDGE_UNITS, JUDGE_PENALTY, JUDGE_STEPS, biased=True)


def calibrate(judges: list[Model], readings: Readings) -> tuple[float, float]:
    """Find the slope and the offset that set right what judges say about programs they have not seen."""
    score = np.zeros(len(readings.right))
    for fold, judge in enumerate(judges):
        score[readings.folds == fold] = judge.score(readings.part(readings.folds == fold).figures())
    sign = np.where(readings.right, -1.0, 1.0)

    def wrongness(to: Real) -> float:
        return float(np.mean(np.logaddexp(0.0, sign * (to[0] * score + to[1]))))

    best = minimize(wrongness, [1.0, 0.0]).x
    say(f"confidence set right by {best[0]:.3f} x {best[1]:+.3f} on {len(score)} readings")
    return float(best[0]), float(best[1])


def set_right(model: Model, slope: float, offset: float) -> Model:
    """Scale and shift all that a model says."""
    units = None if model.units is None else replace(model.units, out=model.units.out * slope)
    return replace(model, weight=model.weight * slope, bias=model.bias * slope + offset, units=units)


def fit(
    names: tuple[str, ...], rows: Real, loss: Loss, units: int, penalty: float, steps: int, biased: bool = False
) -> Model:
    """Minimise a loss of the scores, with a penalty on large weights, by L-BFGS; sums over rows are in 32 bits."""
    middle, spread = rows.mean(axis=0), rows.std(axis=0) + 1e-3
    scaled = ((rows - middle) / spread).astype(np.float32)
    count = len(names)
    cuts = np.cumsum([count, 1, count * units, units])

    def parted(flat: Real) -> tuple[Real, Real, Real, Real, Real]:
        weight, bias, into, unit_bias, out = np.split(flat, cuts)
        return weight, bias, into.reshape(count, units), unit_bias, out

    def cost(flat: Real) -> tuple[float, Real]:
        weight, _, into, unit_bias, out = parted(flat.astype(np.float32))
        bent = np.tanh(scaled @ into + unit_bias)
        value, slope = loss((scaled @ weight + bent @ out).astype(np.float64) + flat[count] * biased)
        small = slope.astype(np.float32)
        back = small[:, np.newaxis] * out * (1.0 - bent * bent)
        parts = scaled.T @ small, [slope.sum() * biased], (scaled.T @ back).ravel(), back.sum(axis=0), bent.T @ small
        free = np.where(np.arange(len(flat)) == count, 0.0, flat)
        return value + penalty * float(free @ free), np.concatenate(parts).astype(np.float64) + 2 * penalty * free

    rng = rng_for("units", count, units)
    start = [np.zeros(count + 1), rng.standard_normal(count * units) * 0.3 / np.sqrt(count), np.zeros(units),
             rng.standard_normal(units) * 0.3]  # fmt: skip
    best = minimize(cost, np.concatenate(start), jac=True, method="L-BFGS-B", options={"maxiter": steps}).x
    weight, bias, into, unit_bias, out = parted(best)
    return Model(names, middle, spread, weight, float(bias[0]), Units(into, unit_bias, out))


def as_json(model: Model) -> dict[str, object]:
    """Write a model with six digits, enough for the same answers."""

    def short(values: Real) -> object:
        return json.loads(json.dumps(values.tolist()), parse_float=lambda text: float(f"{float(text):.6g}"))

    arrays = {name: short(getattr(model, name)) for name in ("middle", "spread", "weight")}
    units = {} if model.units is None else {name: short(value) for name, value in vars(model.units).items()}
    return {"figures": list(model.figures), **arrays, "bias": float(f"{model.bias:.6g}"), "units": units}


if __name__ == "__main__":
    main()
