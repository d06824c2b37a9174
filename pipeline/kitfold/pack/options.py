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

__all__ = ["Choices", "choices_of", "shortest"]

_KEPT_FOR_ITS_OWN_SAKE = 1e-9
"""An optional copy is worth this at least, so that one is kept wherever keeping it costs nothing."""
_MOST_SETS = 4  # optional copies of which every subset is tried; of more, the most useful ones first
_THINNED = 48  # lengths tried of each part where several must be combined
Whole = NDArray[np.int64]
Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Lengths:
    """The lengths of one part worth trying: memory rises, cost falls."""

    parts: tuple[Part, ...]
    units: Whole
    cost: Real


@dataclass(frozen=True, eq=False)
class Choices:
    """All options of one sound, and what each of them stores.

    Parameters
    ----------
    options : tuple of Option
    parts : tuple, one a option, of tuple of Part
    dropped : tuple, one a option, of tuple of (semitones, share)
    """

    options: tuple[Option, ...]
    parts: tuple[tuple[Part, ...], ...]
    dropped: tuple[tuple[tuple[int, float], ...], ...]


def choices_of(candidate: Candidate, problem: Problem) -> Choices:
    """List every option of a sound that no other beats, over all sets of copies, variants and lengths.

    Parameters
    ----------
    candidate : Candidate
    problem : Problem
    """
    options: list[Option] = []
    parts: list[tuple[Part, ...]] = []
    dropped: list[tuple[tuple[int, float], ...]] = []
    for kept in _sets_of_copies(candidate, problem):
        serves, missing = _served(candidate, kept, problem), _missing(candidate, kept, problem)
        lists = [_lengths(candidate, root, serves[root], problem) for root in (0, *kept)]
        if any(not lengths.parts for lengths in lists):
            continue
        for places, units, cost in _combined(lists):
            total = candidate.spare * (cost + sum(share for _, share in missing))
            options.append(Option(units, len(lists), total))
            parts.append(tuple(lengths.parts[place] for lengths, place in zip(lists, places, strict=True)))
            dropped.append(missing)
    return Choices(tuple(options), tuple(parts), tuple(dropped))


def shortest(candidate: Candidate, problem: Problem) -> list[Part]:
    """Return the parts of a sound as small as its holds let them be, required copies only, whatever a slot may hold."""
    loose = replace(problem, memory=replace(problem.memory, longest_s=None))
    kept = candidate.required if "drop-copy" in problem.allow else (*candidate.required, *candidate.optional)
    kept = tuple(sorted(kept))
    serves = _served(candidate, kept, problem)
    lists = [_lengths(candidate, root, serves[root], loose) for root in (0, *kept)]
    return [lengths.parts[0] for lengths in lists]


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
    tried = [
        _cuts(candidate, variant, serves, problem)
        for variant in (*candidate.variants, *candidate.loops.get(root, ()))
        if _allowed(candidate, variant, root, serves, problem)
    ]
    parts: list[Part] = []
    for variant, lengths, least in tried:
        own = tuple(replace(one, setting=one.setting - variant.octave) for one in serves)
        parts += [Part(candidate.name, root, variant, int(frames), least, own) for frames in lengths]
    cost = np.array([part.share for part in parts])
    units = np.array([problem.memory.cost(part.frames) for part in parts], dtype=np.int64)
    keep = _frontier(units, cost)
    return _Lengths(tuple(parts[n] for n in keep), units[keep], cost[keep])


def _allowed(candidate: Candidate, variant: Variant, root: int, serves: Sequence[Served], problem: Problem) -> bool:
    """Say whether a variant may be used for a part: by the kit's wishes, the device's reach and the holds."""
    wishes = {"loop": variant.loop, "repitch": variant.octave != 0, "lower-rate": variant.rate_hz < problem.rate_hz}
    if any(used and wish not in problem.allow for wish, used in wishes.items()):
        return False
    settings = [one.setting - variant.octave for one in serves] or [-variant.octave]
    if variant.octave and not all(problem.reach.holds(setting) for setting in settings):
        return False
    if variant.loop or not candidate.loops.get(root):
        return True
    # a hold that the sound is too short for is what a loop is for; then nothing else will do
    return all(lasts_s(candidate.held_s, one.setting) >= one.ask.needs_s for one in serves)


def _cuts(
    candidate: Candidate, variant: Variant, serves: Sequence[Served], problem: Problem
) -> tuple[Variant, list[int], int]:
    """Return the lengths that a variant may be cut to, and the least that the holds leave it."""
    if variant.loop or candidate.whole:
        least = variant.frames
    else:
        least = min(variant.frames, _needed_frames(candidate, variant, serves))
    longest = variant.frames
    if problem.memory.longest_s is not None:
        longest = min(longest, int(problem.memory.longest_s * variant.rate_hz))
    if "shorten" not in problem.allow or least == variant.frames:
        return variant, [variant.frames] if variant.frames <= longest else [], least
    blocks = np.arange(-(-least // variant.block_frames), longest // variant.block_frames + 1) * variant.block_frames
    filled = {min(longest, problem.memory.filled(int(frames))) for frames in (*blocks, least)}
    return variant, sorted(frames for frames in (*filled, longest) if least <= frames <= longest), least


def _needed_frames(candidate: Candidate, variant: Variant, serves: Sequence[Served]) -> int:
    """Return the frames under which a hold would break; a sound that nothing holds keeps a tenth of a second."""
    needed_s = max((one.ask.needs_s * semitones_to_ratio(one.setting) for one in serves), default=0.0)
    played_rate_hz = variant.rate_hz / semitones_to_ratio(variant.octave)
    frames = int(np.ceil(needed_s * played_rate_hz)) if needed_s > 0 else int(played_rate_hz // 10)
    return frames + round(candidate.fade_s * played_rate_hz)


def _frontier(units: Whole, cost: Real) -> Whole:
    """Return the places that no other matches in memory and cost, by rising memory."""
    order = np.lexsort((np.arange(len(cost)), cost, units))
    before = np.concatenate(([np.inf], np.minimum.accumulate(cost[order])[:-1])) if len(cost) else cost
    kept: Whole = order[cost[order] < before]
    return kept


def _combined(lists: Sequence[_Lengths]) -> list[tuple[tuple[int, ...], int, float]]:
    """Combine the lengths of several parts: (place in each list, memory, cost), those that another beats left out."""
    units, cost = np.zeros(1, dtype=np.int64), np.zeros(1)
    places = np.zeros((1, 0), dtype=np.int64)
    for lengths in lists:
        own = np.arange(len(lengths.cost)) if len(lists) == 1 else _thinned(lengths)
        units = (units[:, None] + lengths.units[own][None, :]).ravel()
        cost = (cost[:, None] + lengths.cost[own][None, :]).ravel()
        places = np.column_stack([np.repeat(places, len(own), axis=0), np.tile(own, len(places))])
        keep = _frontier(units, cost)
        units, cost, places = units[keep], cost[keep], places[keep]
    return [(tuple(map(int, row)), int(u), float(c)) for row, u, c in zip(places, units, cost, strict=True)]


def _thinned(lengths: _Lengths) -> Whole:
    """Return the lengths on the lower convex hull, as many as may be combined; the shortest and the whole always."""
    hull: list[int] = []
    for place in range(len(lengths.cost)):
        while len(hull) >= 2 and _slope(lengths, hull[-2], hull[-1]) >= _slope(lengths, hull[-1], place):
            hull.pop()
        hull.append(place)
    picked = np.unique(np.linspace(0, len(hull) - 1, min(len(hull), _THINNED)).round().astype(int))
    thinned: Whole = np.array(hull, dtype=np.int64)[picked]
    return thinned


def _slope(lengths: _Lengths, one: int, other: int) -> float:
    return float((lengths.cost[other] - lengths.cost[one]) / (lengths.units[other] - lengths.units[one]))
