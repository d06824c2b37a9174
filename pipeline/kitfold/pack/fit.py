"""Make the kit fit: which optional copies are kept, and where each tail is cut.

One pure function, `fit`, from a problem to a solution. Copies that are optional go first, the least useful first; then
tails are cut where that loses the least heard energy for each unit of memory. Each sound's loss is taken along its
lower convex hull, on which taking the cheapest cut first is optimal at every memory that it passes (Shoham and Gersho,
"Efficient bit allocation for an arbitrary set of quantizers", IEEE Trans. ASSP 36(9), 1988). No tail is ever cut under
a hold that the song needs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from kitfold.errors import FitError
from kitfold.pack.asks import Ask
from kitfold.pack.holds import Served, serve
from kitfold.pack.problem import Candidate, Fitted, Part, Problem
from kitfold.pack.remedies import no_fit

__all__ = ["fit"]


@dataclass(frozen=True)
class _Stage:
    """Which copies are kept, after some optional ones were dropped, and the whole sounds that are then stored."""

    kept: Mapping[str, tuple[int, ...]]
    parts: list[Part]
    dropped: tuple[tuple[str, int], ...]


def fit(problem: Problem) -> Fitted:
    """Choose what is stored and how long, so that it fits.

    Raises
    ------
    FitError : where it cannot fit: what is over, by how much, and the cheapest remedies in figures
    """
    stages = _stages(problem)
    possible = [stage for stage in stages if _can_fit(stage, problem)]
    if not possible:
        raise FitError(no_fit(problem, _shortest(stages[-1].parts, problem), _fits))
    stage = possible[-1]
    parts = _shortened(stage.parts, problem) if _over(stage.parts, problem) else stage.parts
    return Fitted(tuple(parts), _unserved(problem, stage.kept), stage.dropped)


def _fits(problem: Problem) -> bool:
    """Say whether there is a solution, without working it out."""
    return any(_can_fit(stage, problem) for stage in _stages(problem))


def _can_fit(stage: _Stage, problem: Problem) -> bool:
    return not _over(_shortest(stage.parts, problem), problem)


def _stages(problem: Problem) -> list[_Stage]:
    """Drop optional copies one after the other, the least useful first, until the rest fits whole or none is left.

    All stages count, for without a copy another root plays its notes, perhaps further up, and must then be longer.
    """
    kept = {candidate.name: (*candidate.required, *candidate.optional) for candidate in problem.candidates}
    stages = [_Stage(kept, _parts(problem, kept), ())]
    while "drop-copy" in problem.allow and _over(stages[-1].parts, problem):
        droppable = _least_useful(problem, kept, stages[-1].parts)
        if droppable is None:
            break
        name, root = droppable
        kept = {**kept, name: tuple(copy for copy in kept[name] if copy != root)}
        stages.append(_Stage(kept, _parts(problem, kept), (*stages[-1].dropped, droppable)))
    return stages


def _shortest(parts: Sequence[Part], problem: Problem) -> list[Part]:
    """Return the parts as short as their holds let them be."""
    if "shorten" not in problem.allow:
        return list(parts)
    return [replace(part, frames=part.least_frames) for part in parts]


def _parts(problem: Problem, kept: Mapping[str, Sequence[int]]) -> list[Part]:
    """Lay out every sound and copy whole, each with the notes it plays and the length that those need."""
    parts = []
    for candidate in problem.candidates:
        roots = (0, *sorted(kept[candidate.name]))
        served = [serve(ask, roots, candidate.held_s, problem.reach) for ask in candidate.asks]
        for root in roots:
            own = tuple(one for one in served if one.root == root)
            parts.append(_whole(candidate, root, own, problem))
    return parts


def _whole(candidate: Candidate, root: int, serves: tuple[Served, ...], problem: Problem) -> Part:
    frames, longest = candidate.frames, problem.memory.longest_frames
    least = _least_frames(candidate, serves, problem.rate_hz)
    if longest is not None and "shorten" in problem.allow:
        frames = max(least, min(frames, longest))
    return Part(candidate.name, root, frames, candidate.frames, least, _lost_at(candidate, frames), serves)


def _least_frames(candidate: Candidate, serves: tuple[Served, ...], rate_hz: int) -> int:
    """Return the frames under which a hold would break; a sound that nothing holds keeps a tenth of a second."""
    if candidate.whole:
        return candidate.frames
    needed_s = max((one.ask.needs_s * 2.0 ** (one.setting / 12.0) for one in serves), default=0.0)
    frames = int(np.ceil(needed_s * rate_hz)) if needed_s > 0 else rate_hz // 10
    return min(candidate.frames, frames + candidate.fade_frames)


def _lost_at(candidate: Candidate, frames: int) -> float:
    if frames >= candidate.frames:
        return 0.0
    return float(np.interp(frames / candidate.block_frames, np.arange(len(candidate.lost)), candidate.lost))


def _over(parts: Sequence[Part], problem: Problem) -> bool:
    used = sum(problem.memory.cost(part.frames) for part in parts)
    longest = problem.memory.longest_frames
    too_long = longest is not None and any(part.frames > longest for part in parts)
    return used > problem.memory.limit or len(parts) > problem.memory.slots or too_long


def _least_useful(problem: Problem, kept: Mapping[str, Sequence[int]], parts: Sequence[Part]) -> tuple[str, int] | None:
    """Return the optional copy that plays the fewest notes, spared ones counting more; the later one on a tie."""
    optional = [
        (len(part.serves) * candidate.spare, -place, part.root, candidate.name)
        for place, candidate in enumerate(problem.candidates)
        for part in parts
        if part.name == candidate.name and part.root in candidate.optional and part.root in kept[candidate.name]
    ]
    if not optional:
        return None
    _, _, root, name = min(optional)
    return name, root


def _shortened(parts: Sequence[Part], problem: Problem) -> list[Part]:
    """Cut tails, the least heard energy for a unit of memory first, until the kit fits."""
    by_name = {candidate.name: candidate for candidate in problem.candidates}
    cuts = sorted(
        (slope, place, order, frames)
        for place, part in enumerate(parts)
        for order, (slope, frames) in enumerate(_hull(by_name[part.name], part))
    )
    lengths = [part.frames for part in parts]
    used = sum(problem.memory.cost(frames) for frames in lengths)
    for _, place, _, frames in cuts:
        if used <= problem.memory.limit:
            break
        before = problem.memory.cost(lengths[place])
        exact = problem.memory.frames_within(problem.memory.limit - (used - before))
        lengths[place] = max(frames, min(exact, lengths[place]))  # the last cut goes no further than it must
        used += problem.memory.cost(lengths[place]) - before
    lengths = [_filled(part, frames, problem) for part, frames in zip(parts, lengths, strict=True)]
    return [
        replace(part, frames=frames, lost=_lost_at(by_name[part.name], frames))
        for part, frames in zip(parts, lengths, strict=True)
    ]


def _filled(part: Part, frames: int, problem: Problem) -> int:
    """Return the longest that a part may be in the blocks of memory that it takes anyway."""
    return min(part.frames, problem.memory.frames_within(problem.memory.cost(frames)))


def _hull(candidate: Candidate, part: Part) -> list[tuple[float, int]]:
    """Return the cuts of a part along the lower convex hull of its loss: (loss per frame, length), longest first."""
    blocks = range(-(-part.least_frames // candidate.block_frames), part.frames // candidate.block_frames + 1)
    lengths = sorted(
        {part.least_frames, part.frames, *(block * candidate.block_frames for block in blocks)}, reverse=True
    )
    points = [(length, candidate.spare * _lost_at(candidate, length)) for length in lengths]
    hull: list[tuple[int, float]] = []
    for point in points:
        while len(hull) >= 2 and _slope(hull[-2], hull[-1]) >= _slope(hull[-1], point):
            hull.pop()
        hull.append(point)
    return [(_slope(one, other), other[0]) for one, other in pairwise(hull)]


def _slope(longer: tuple[int, float], shorter: tuple[int, float]) -> float:
    return (shorter[1] - longer[1]) / (longer[0] - shorter[0])


def _unserved(problem: Problem, kept: Mapping[str, Sequence[int]]) -> dict[str, tuple[Ask, ...]]:
    return {
        candidate.name: tuple(
            ask
            for ask in candidate.asks
            if serve(ask, (0, *kept[candidate.name]), candidate.held_s, problem.reach).root is None
        )
        for candidate in problem.candidates
    }
