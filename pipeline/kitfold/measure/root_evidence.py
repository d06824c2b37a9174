"""What speaks for each candidate root: figures that a musician could name, one row a candidate.

The figure that tells a stack of octaves and fifths from a root that is really there is the support on harmonics without
a factor 2 or 3: the octave below that a root and its fifth imply has no harmonics 1, 5, 7, 11, and a real low note has.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.root_match import RANGE_DB, STIFFNESS, Match, body, bright, dull, salience
from kitfold.measure.root_spectrum import Peaks

__all__ = ["weigh"]

Real = NDArray[np.float64]
Figures = dict[str, Real]

_HARMONICS = 24


@dataclass(frozen=True)
class _View:
    """Peaks and candidates, and the weights of the peaks that all figures share."""

    hz: Real
    peaks: Peaks
    match: Match
    salience: Real  # level within 60 dB and distance to the noise, 0 to 1
    bright: Real  # salience with the highs taken back
    body: Real  # amplitude to the power 0.6 (loudness), highs taken back
    rest_db: Real  # level under the strongest, 0 or less
    clear: Real  # distance to the noise, 60 dB is 1
    spans: int

    def share(self, part: Real, weight: Real) -> Real:
        """Say how much of all `weight` a part (candidates, peaks) holds."""
        return np.asarray(np.sum(part * weight, axis=1) / (weight.sum() + 1e-9))

    def below(self) -> Real:
        """Mark the peaks that lie under each candidate."""
        return (self.peaks.hz < 0.96 * self.hz[:, np.newaxis]).astype(np.float64)


def weigh(hz: Real, peaks: Peaks, match: Match, spans: int) -> Figures:
    """Collect every figure about every candidate.

    Returns
    -------
    dict, name to ndarray (candidates,): plain numbers of about unit size
    """
    view = _View(
        hz, peaks, match, salience(peaks), bright(peaks), body(peaks),
        peaks.db - peaks.db.max(), np.clip((peaks.db - peaks.floor_db) / 60.0, 0.0, 1.2), spans,
    )  # fmt: skip
    ladder, level = _ladder(view)
    figures = _explained(view) | _underneath(view) | _first_harmonics(ladder, level) | _series(ladder)
    figures |= _comb(view) | _place(view) | _over_noise(view) | _context(view) | _bells(view) | _in_time(view)
    return figures | _against_best(figures) | _both(figures)


def _ladder(view: _View) -> tuple[Real, Real]:
    """Salience and level (0 to 1) on each harmonic 1 to 24, in columns 1 to 24; column 0 is empty."""
    ladder = np.zeros((len(view.hz), _HARMONICS + 1))
    level = np.zeros_like(ladder)
    rows, columns = np.nonzero((view.match.number <= _HARMONICS) & (view.match.fit > 1e-4))
    at = (rows, view.match.number[rows, columns].astype(int))
    fit = view.match.fit[rows, columns]
    np.maximum.at(ladder, at, fit * view.salience[columns])
    np.maximum.at(level, at, np.where(fit > 0.3, np.maximum(0.0, 1.0 + view.rest_db[columns] / RANGE_DB), 0.0))
    return ladder, level


def _explained(view: _View) -> Figures:
    """Say how much of the sound its harmonics hold, and how much a layer a fifth up would add."""
    fit, fifth = view.match.fit, view.match.fifth
    return {
        "explained": view.share(fit, view.bright),
        "explained_fifth": view.share(fifth, view.bright),
        "body": view.share(fit, view.body),
        "body_fifth": view.share(fifth, view.body),
    }


def _underneath(view: _View) -> Figures:
    """Say what lies under the candidate, and what above it stays unexplained."""
    below = view.below()
    unexplained = np.clip(1.0 - view.match.fit - view.match.fifth, 0.0, 1.0)
    return {
        "below_loudest": np.max(below * np.maximum(0.0, 1.0 + view.rest_db / RANGE_DB), axis=1),
        "below": view.share(below, view.bright),
        "above_unexplained": view.share(unexplained * (1.0 - below), view.bright),
        "below_clear": np.max(below * view.clear, axis=1),
    }


def _first_harmonics(ladder: Real, level: Real) -> Figures:
    figures = {f"harmonic_{number}": ladder[:, number] for number in range(1, 6)}
    figures |= {f"level_{number}": level[:, number] for number in (1, 2, 3)}
    return figures | {
        "harmonics_6_to_8": np.sum(ladder[:, 6:9], axis=1),
        "level_1_or_2": np.maximum(level[:, 1], level[:, 2]),
    }


def _series(ladder: Real) -> Figures:
    """Say which numbers carry the series: odd ones, those without a factor 2 or 3, and how densely they follow."""
    total = np.sum(ladder[:, 1:17], axis=1) + 1e-6

    def part(numbers: list[int]) -> Real:
        return np.asarray(np.sum(ladder[:, numbers], axis=1) / total)

    present = ladder[:, 1:13] > 0.15
    last = np.where(present.any(axis=1), 12 - np.argmax(present[:, ::-1], axis=1), 0)
    count = np.sum(present, axis=1)
    return {
        "odd": part([1, 3, 5, 7, 9, 11, 13, 15]),
        "odd_upper": part([3, 5, 7, 9, 11, 13, 15]),
        "without_2_or_3": part([1, 5, 7, 11, 13]),
        "without_2_or_3_upper": part([5, 7, 11, 13]),
        "without_3": part([n for n in range(1, 17) if n % 3]),
        "without_4": part([n for n in range(1, 17) if n % 4]),
        "density": count / np.maximum(1, last),
        "last": last / 12.0,
        "count": np.minimum(count, 8) / 8.0,
    }


def _comb(view: _View) -> Figures:
    """Read the autocorrelation of the lines at one period, half a period and three periods."""
    turns = 2.0 * np.pi * view.peaks.hz / view.hz[:, np.newaxis]
    return {
        "comb": view.share(np.cos(turns), view.body),
        "comb_octave_up": view.share(np.cos(turns / 2.0), view.body),
        "comb_twelfth_up": view.share(np.cos(turns / 3.0), view.body),
    }


def _place(view: _View) -> Figures:
    """Say where the candidate lies: in the range of notes, and against the lowest and the strongest line."""
    octaves = np.log2(view.hz / 220.0)
    centroid = np.sum(view.body * np.log2(view.peaks.hz / 220.0)) / view.body.sum()

    def at(line_hz: float) -> Real:
        return np.asarray(np.exp(-0.5 * (1200.0 * np.log2(view.hz / line_hz) / 30.0) ** 2))

    return {
        "is_lowest_20_db": at(float(view.peaks.hz[view.rest_db > -20].min())),
        "is_lowest_35_db": at(float(view.peaks.hz[view.rest_db > -35].min())),
        "is_strongest": at(float(view.peaks.hz[np.argmax(view.rest_db)])),
        "octaves": octaves,
        "octaves_squared": octaves**2,
        "octaves_from_centroid": octaves - centroid,
    }


def _over_noise(view: _View) -> Figures:
    """Say how clearly the first harmonics, and the explained part, stand over the noise."""
    first = [np.max(view.match.fit * (view.match.number == n) * view.clear, axis=1) for n in (1, 2, 3)]
    clearest = float(view.clear.max())
    return {
        "clear_1": first[0],
        "clear_2": first[1],
        "clear_3": first[2],
        "clear_1_short": first[0] - clearest,
        "clear_explained": view.share(view.match.fit, view.clear**2),
        "clearest": np.full(len(view.hz), clearest),
    }


def _in_time(view: _View) -> Figures:
    """Say the same of the first and the last half: what dies while the sound goes on is the note before."""
    figures: Figures = {}
    below = view.below()
    first = (view.match.number == 1) * (view.match.fit > 0.3)
    for name, level_db in (("early", view.peaks.early_db), ("late", view.peaks.late_db)):
        level = np.maximum(0.0, 1.0 + (level_db - level_db.max()) / RANGE_DB)
        loud = 10.0 ** (0.6 * (level_db - level_db.max()) / 20.0) * dull(view.peaks)
        figures[f"body_{name}"] = view.share(view.match.fit, loud)
        figures[f"below_loudest_{name}"] = np.max(below * level, axis=1)
        figures[f"level_1_{name}"] = np.max(first * level, axis=1)
    return figures


def _context(view: _View) -> Figures:
    same = np.ones(len(view.hz))
    return {
        "peaks": same * np.log2(len(view.peaks.hz)) / 6.0,
        "spans": same * min(view.spans, 12) / 12.0,
        "stiffness_step": np.searchsorted(STIFFNESS, view.match.stiffness) / 5.0,
    }


def _bells(view: _View) -> Figures:
    """Say how well the lines are a church bell's or a tubular bell's with this strike note.

    A church bell's strike note has its tierce (1.2) above and its nominal (2) an octave up; a tubular bell's is heard
    an octave under the fourth of its modes, 0.617 : 1.21 : 2 : 2.99 : 4, without a line of its own (Fletcher and
    Rossing, The Physics of Musical Instruments, 2nd ed., sections 21.3 and 19.8). Both leave gaps that a dense series
    fills: under the prime, and between the tube's third and fourth mode.
    """
    ratio = view.peaks.hz / view.hz[:, np.newaxis]
    cents = 1200.0 * np.log2(ratio)

    def line(place: float) -> Real:
        near = np.maximum(0.0, 1.0 - np.abs(cents - 1200.0 * np.log2(place)) / 90.0)
        return np.asarray(np.max(near * view.salience, axis=1))

    def between(low: float, high: float) -> Real:
        return np.asarray(np.max(((ratio > low) & (ratio < high)) * view.salience, axis=1))

    prime, nominal, tierce, tube = line(1.0), line(2.0), line(1.19), line(1.215)
    gap = 2.0 * np.maximum(0.0, between(1.3, 1.85) - 0.45)  # a faint mode more is no series
    church = np.minimum(np.minimum(prime, nominal), tierce) - between(0.55, 0.93)
    tubular = np.minimum(np.minimum(line(2.96), nominal), tube) - np.maximum(prime, gap)
    return {
        "church_bell": np.maximum(0.0, church),
        "church_bell_hum": np.maximum(0.0, np.minimum(church, line(0.5))),
        "tubular_bell": np.maximum(0.0, tubular),
        "tubular_bell_low": np.maximum(0.0, np.minimum(tubular, line(0.617))),
    }


def _against_best(figures: Mapping[str, Real]) -> Figures:
    """Compare with the best candidate in the list."""
    both = figures["explained"] + figures["explained_fifth"]
    short = {name: figures[name] - figures[name].max() for name in ("explained", "body", "comb", "clear_explained")}
    return {f"{name}_short": value for name, value in short.items()} | {"explained_both_short": both - both.max()}


def _both(figures: Mapping[str, Real]) -> Figures:
    """Multiply pairs that only mean something together."""
    pairs = [("level_1", "odd"), ("level_1", "density"), ("explained", "odd"), ("explained", "density")]
    products = {f"{one}_and_{other}": figures[one] * figures[other] for one, other in pairs}
    return products | {"below_clearer": figures["below_clear"] - figures["clear_1"]}
