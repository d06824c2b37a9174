"""Every way in which one sound and its copies may be stored, each with its exact memory and its cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kitfold.pack.choose import Option
from kitfold.pack.holds import Served, lasts_s, serve
from kitfold.pack.problem import Candidate, Part, Problem, Variant
from kitfold.units import semitones_to_ratio

__all__ = ["Choices", "choices_of"]

_KEPT_FOR_ITS_OWN_SAKE = 1e-9
"""An optional copy is worth this at least, so that one is kept wherever keeping it costs nothing."""
_MOST_SETS = 4  # optional copies of which every subset is tried; of more, the most useful ones first
_THINNED = 48  # lengths tried of each part where several must be combined
_COMBINED = 4096  # combinations of them that are kept
Whole = NDArray[np.int64]
Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Way:
    """One variant for one part: the notes that it plays, and the least that their holds leave of it."""

    name: str
    root: int
    variant: Variant
    serves: tuple[Served, ...]
    least_frames: int

    def part(self, frames: int) -> Part:
        return Part(self.name, self.root, self.variant, frames, self.least_frames, self.serves)


@dataclass(frozen=True, eq=False)
class _Lengths:
    """The lengths of one part worth trying, over all its ways: memory rises, cost falls."""

    ways: tuple[_Way, ...]
    way: Whole
    frames: Whole
    units: Whole
    cost: Real

    def part(self, place: int) -> Part:
        return self.ways[int(self.way[place])].part(int(self.frames[place]))


@dataclass(frozen=True, eq=False)
class _Set:
    """One set of copies: the lengths of its parts, which of them go together (options, parts), what is left out."""

    lists: tuple[_Lengths, ...]
    places: Whole
    missing: tuple[tuple[int, float], ...]


@dataclass(frozen=True, eq=False)
class Choices:
    """All options of one sound, and what each of them stores.

    Parameters
    ----------
    options : tuple of Option
    sets : tuple of sets of copies
    rows : tuple, one an option, of (set, row)
    """

    options: tuple[Option, ...]
    sets: tuple[_Set, ...]
    rows: tuple[tuple[int, int], ...]

    def parts(self, option: int) -> tuple[Part, ...]:
        """Return what an option stores: the sound, then its copies from low to high."""
        place, row = self.rows[option]
        stored = self.sets[place]
        return tuple(own.part(at) for own, at in zip(stored.lists, stored.places[row].tolist(), strict=True))

    def dropped(self, option: int) -> tuple[tuple[int, float], ...]:
        """Return the optional copies that an option leaves out: (semitones, share)."""
        return self.sets[self.rows[option][0]].missing


def choices_of(candidate: Candidate, problem: Problem) -> Choices:
    """List every option of a sound that no other beats, over all sets of copies, variants and lengths.

    Parameters
    ----------
    candidate : Candidate
    problem : Problem
    """
    candidate = candidate.allowed(problem.allow)
    known: dict[tuple[int, tuple[Served, ...]], _Lengths] = {}
    options: list[Option] = []
    rows: list[tuple[int, int]] = []
    sets: list[_Set] = []
    for kept in _sets_of_copies(candidate, problem):
        serves, missing = _served(candidate, kept, problem), _missing(candidate, kept, problem)
        keys = [(root, serves[root]) for root in (0, *kept)]
        known |= {key: _lengths(candidate, *key, problem) for key in keys if key not in known}
        lists = tuple(known[key] for key in keys)
        if not all(len(lengths.cost) for lengths in lists):
            continue
        places, units, cost = _combined(lists)
        total = candidate.spare * (cost + sum(share for _, share in missing))
        rows += [(len(sets), row) for row in range(len(cost))]
        sets.append(_Set(lists, places, missing))
        options += [Option(u, len(lists), c) for u, c in zip(units.tolist(), total.tolist(), strict=True)]
    return Choices(tuple(options), tuple(sets), tuple(rows))


def _sets_of_copies(candidate: Candidate, problem: Problem) -> list[tuple[int, ...]]:
    """Return the sets of copies to try, the fullest first."""
    optional = candidate.optional
    if "drop-copy" not in problem.allow:
        subsets = [optional]
    elif len(optional) <= _MOST_SETS:
        subsets = [s for count in range(len(optional), -1, -1) for s in combinations(optional, count)]
    else:
        subsets = [optional[:count] for count in range(len(optional), -1, -1)]
    return [tuple(sorted((*candidate.required, *subset))) for subset in subsets]


def _served(candidate: Candidate, kept: Sequence[int], problem: Problem) -> dict[int, tuple[Served, ...]]:
    roots = (0, *kept)
    served = [serve(ask, roots, candidate.lasts_s, problem.reach) for ask in candidate.asks]
    return {root: tuple(one for one in served if one.root == root) for root in roots}


def _missing(candidate: Candidate, kept: Sequence[int], problem: Problem) -> tuple[tuple[int, float], ...]:
    """Price the optional copies that are left out: the mean strain of the notes that stay far from a root."""
    gone = [copy for copy in candidate.optional if copy not in kept]
    if not gone:
        return ()
    everything = (*candidate.required, *candidate.optional)
    extra = max(0.0, _strain(candidate, kept, problem) - _strain(candidate, everything, problem))
    each = max(extra / len(gone), _KEPT_FOR_ITS_OWN_SAKE)
    return tuple((copy, each) for copy in gone)


def _strain(candidate: Candidate, kept: Sequence[int], problem: Problem) -> float:
    if not candidate.asks:
        return 0.0
    served = [serve(ask, (0, *kept), candidate.lasts_s, problem.reach) for ask in candidate.asks]
    return sum(candidate.strain.get(one.setting, 0.0) for one in served) / len(candidate.asks)


def _lengths(candidate: Candidate, root: int, serves: tuple[Served, ...], problem: Problem) -> _Lengths:
    """List the lengths of one part over all variants, those that another beats left out."""
    ways: list[_Way] = []
    frames: list[Whole] = []
    for variant in (*candidate.variants, *candidate.loops.get(root, ())):
        if _allowed(candidate, variant, root, serves, problem):
            own = tuple(replace(one, setting=one.setting - variant.up_semitones) for one in serves)
            way = _Way(candidate.name, root, variant, own, _least(candidate, variant, serves))
            ways.append(way)
            frames.append(_cuts(way, problem))
    way_of = np.repeat(np.arange(len(ways)), [len(lengths) for lengths in frames])
    every = np.concatenate([np.zeros(0, dtype=np.int64), *frames])
    shares = [way.variant.shares_at(lengths) for way, lengths in zip(ways, frames, strict=True)]
    cost, units = np.concatenate([np.zeros(0), *shares]), problem.memory.cost(every)
    keep = _frontier(units, cost)
    return _Lengths(tuple(ways), way_of[keep], every[keep], units[keep], cost[keep])


def _allowed(candidate: Candidate, variant: Variant, root: int, serves: Sequence[Served], problem: Problem) -> bool:
    """Say whether a variant may be used for a part: by the kit's wishes, the device's reach and the holds."""
    wishes = {"repitch": variant.up_semitones != 0, "lower-rate": variant.rate_hz < problem.rate_hz}
    if any(used and wish not in problem.allow for wish, used in wishes.items()):
        return False
    settings = [one.setting - variant.up_semitones for one in serves] or [-variant.up_semitones]
    if variant.up_semitones and not all(problem.reach.holds(setting) for setting in settings):
        return False
    if variant.loop:
        return True
    may_loop = bool(candidate.loops.get(root))
    if may_loop and candidate.looped:
        return False
    # a hold that the sound is too short for is what a loop is for; where there is none, nothing else will do better
    return all(
        lasts_s(min(candidate.held_s, variant.held_s), one.setting) >= one.ask.needs_s
        for one in serves
        if may_loop or lasts_s(candidate.held_s, one.setting) >= one.ask.needs_s
    )


def _least(candidate: Candidate, variant: Variant, serves: Sequence[Served]) -> int:
    """Return the least frames that may be left of a variant."""
    if variant.loop or candidate.whole:
        return variant.frames
    return min(variant.frames, _needed_frames(candidate, variant, serves))


def _cuts(way: _Way, problem: Problem) -> Whole:
    """Return the lengths that a variant may be cut to: whole blocks, filled up; the least, and the whole."""
    variant, memory, least = way.variant, problem.memory, way.least_frames
    longest = variant.frames
    if memory.longest_s is not None:
        longest = min(longest, int(memory.longest_s * variant.rate_hz))
    if "shorten" not in problem.allow:
        least = variant.frames
    if least > longest:
        return np.zeros(0, dtype=np.int64)
    blocks = np.arange(-(-least // variant.block_frames), longest // variant.block_frames + 1) * variant.block_frames
    filled = memory.filled(np.concatenate([blocks, [least]]).astype(np.int64))
    lengths: Whole = np.unique(np.concatenate([np.clip(filled, least, longest), [longest]]))
    return lengths


def _needed_frames(candidate: Candidate, variant: Variant, serves: Sequence[Served]) -> int:
    """Return the frames under which a hold would break; a sound that nothing holds keeps a tenth of a second."""
    needed_s = max((one.ask.needs_s * semitones_to_ratio(one.setting) for one in serves), default=0.0)
    played_rate_hz = variant.rate_hz / semitones_to_ratio(variant.up_semitones)
    frames = int(np.ceil(needed_s * played_rate_hz)) if needed_s > 0 else int(played_rate_hz // 10)
    return frames + round(candidate.fade_s * variant.rate_hz)  # a fade is as long in the file, whatever its pitch


def _frontier(units: Whole, cost: Real) -> Whole:
    """Return the places that no other matches in memory and cost, by rising memory."""
    order = np.lexsort((np.arange(len(cost)), cost, units))
    before = np.concatenate(([np.inf], np.minimum.accumulate(cost[order])[:-1])) if len(cost) else cost
    kept: Whole = order[cost[order] < before]
    return kept


def _combined(lists: Sequence[_Lengths]) -> tuple[Whole, Whole, Real]:
    """Combine the lengths of several parts, those that another beats left out.

    Returns
    -------
    places : ndarray, (combinations, parts), in each list
    units, cost : ndarray, (combinations,)
    """
    units, cost = np.zeros(1, dtype=np.int64), np.zeros(1)
    places = np.zeros((1, 0), dtype=np.int64)
    for lengths in lists:
        own = np.arange(len(lengths.cost))
        if len(lists) > 1:
            own = _thinned(lengths.units, lengths.cost, _THINNED)
        units = (units[:, None] + lengths.units[own][None, :]).ravel()
        cost = (cost[:, None] + lengths.cost[own][None, :]).ravel()
        places = np.column_stack([np.repeat(places, len(own), axis=0), np.tile(own, len(places))])
        keep = _frontier(units, cost)
        keep = keep[_thinned(units[keep], cost[keep], _COMBINED)]
        units, cost, places = units[keep], cost[keep], places[keep]
    return places, units, cost


def _thinned(units: Whole, cost: Real, most: int) -> Whole:
    """Return all places where they are few; else those on the lower convex hull, both ends always, `most` at most."""
    if len(cost) <= most:
        return np.arange(len(cost))
    hull: list[int] = []
    for place in range(len(cost)):
        while len(hull) >= 2 and _slope(units, cost, *hull[-2:]) >= _slope(units, cost, hull[-1], place):
            hull.pop()
        hull.append(place)
    picked = np.unique(np.linspace(0, len(hull) - 1, min(len(hull), most)).round().astype(int))
    thinned: Whole = np.array(hull, dtype=np.int64)[picked]
    return thinned


def _slope(units: Whole, cost: Real, one: int, other: int) -> float:
    return float((cost[other] - cost[one]) / (units[other] - units[one]))
