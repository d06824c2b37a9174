"""Make the kit fit: the best kit that fits, provably, among every way of storing it that is enumerated.

One pure function, `fit`, from a problem to a solution. Each sound has options: which optional copies are kept, at what
rate and how far up each part is stored, looped or not, how long. Each option has its exact memory and the audible error
that it costs (`measure.audible`), and `choose` takes the one of each that together cost least, exactly: the allocation
of Shoham and Gersho ("Efficient bit allocation for an arbitrary set of quantizers", IEEE Trans. ASSP 36(9), 1988). No
hold that the song needs is ever cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from kitfold.errors import FitError
from kitfold.pack.asks import Ask
from kitfold.pack.choose import Option, choose
from kitfold.pack.holds import serve
from kitfold.pack.options import Choices, choices_of
from kitfold.pack.problem import Candidate, Fitted, Part, Problem
from kitfold.pack.remedies import no_fit

__all__ = ["fit"]


def fit(problem: Problem) -> Fitted:
    """Choose what is stored, how and how long, so that it fits and costs least.

    Raises
    ------
    FitError : where it cannot fit: what is over, by how much, and the cheapest remedies in figures
    """
    choices = [choices_of(candidate, problem) for candidate in problem.candidates]
    solved = _solved(choices, problem)
    if solved is None:
        raise FitError(no_fit(problem, _smallest(choices, problem), _Tried().fits))
    by_name = {candidate.name: candidate for candidate in problem.candidates}
    parts = tuple(_explained(part, by_name[part.name]) for part in solved.stored)
    return replace(solved, stored=parts, more=_more(choices, problem, solved.cost))


def _solved(choices: Sequence[Choices], problem: Problem) -> Fitted | None:
    """Take the best option of every sound, and fill what is left of the memory; None where nothing fits."""
    places = _chosen(choices, problem)
    if places is None:
        return None
    picked = list(zip(problem.candidates, choices, places, strict=True))
    parts = _spend([part for _, choice, place in picked for part in choice.parts(place)], problem)
    dropped = tuple((one.name, *gone) for one, choice, place in picked for gone in choice.dropped(place))
    return Fitted(tuple(parts), _unserved(problem, parts), dropped, _cost(parts, dropped, problem))


def _chosen(choices: Sequence[Choices], problem: Problem) -> tuple[int, ...] | None:
    if not all(choice.options for choice in choices):
        return None
    return choose([choice.options for choice in choices], problem.memory.limit, problem.memory.slots)


def _more(choices: Sequence[Choices], problem: Problem, cost: float) -> tuple[int, float] | None:
    """Solve again with a second, or a kilobyte and a block, more memory: what would that buy?"""
    memory = problem.memory
    units = problem.rate_hz * memory.per_frame if memory.unit == "frames" else max(1000, memory.block)
    larger = _solved(choices, replace(problem, memory=replace(memory, limit=memory.limit + units)))
    if larger is None or larger.cost >= cost * (1 - 1e-6):
        return None
    return units, larger.cost


def _smallest(choices: Sequence[Choices], problem: Problem) -> list[Part]:
    """Return the parts of a kit that doesn't fit, as small as they may be: the least memory that the slots let it take.

    Where even the slots are too few: with as few of them as may be. A sound for which no slot is long enough is taken
    whatever a slot may hold.
    """
    loose = replace(problem, memory=replace(problem.memory, longest_s=None))
    kit = [
        choice if choice.options else choices_of(candidate, loose)
        for candidate, choice in zip(problem.candidates, choices, strict=True)
    ]
    sizes = [[Option(one.units, one.slots, float(one.units)) for one in choice.options] for choice in kit]
    places = choose(sizes, sum(max(one.units for one in own) for own in sizes), problem.memory.slots)
    if places is None:
        places = tuple(min(range(len(own)), key=lambda n: (own[n].slots, own[n].units)) for own in sizes)
    return [part for choice, place in zip(kit, places, strict=True) for part in choice.parts(place)]


class _Tried:
    """Says whether problems have a solution; what one sound may be is worked out once for all that have it."""

    def __init__(self) -> None:
        self._known: dict[tuple[Candidate, Problem], tuple[Option, ...]] = {}

    def fits(self, problem: Problem) -> bool:
        """Say whether there is a solution: whether the smallest fits."""
        options = [self._options(candidate, replace(problem, candidates=())) for candidate in problem.candidates]
        return all(options) and choose(options, problem.memory.limit, problem.memory.slots) is not None

    def _options(self, candidate: Candidate, rules: Problem) -> tuple[Option, ...]:
        """Return the options of a sound, free of cost: which of them is best doesn't matter here."""
        key = candidate, rules
        if key not in self._known:
            options = choices_of(candidate, rules).options
            self._known[key] = tuple(Option(one.units, one.slots, 0.0) for one in options)
        return self._known[key]


def _explained(part: Part, candidate: Candidate) -> Part:
    """Say what each change adds to a part's audible error: rate, pitch, loop, cut, in this order."""
    variant, plain = part.variant, candidate.variants[0]

    def whole_share(rate_hz: int, up_semitones: int) -> float:
        same = next(v for v in candidate.variants if (v.rate_hz, v.up_semitones) == (rate_hz, up_semitones))
        return float(same.shares[-1])

    steps = [
        ("lower-rate", variant.rate_hz < plain.rate_hz, whole_share(variant.rate_hz, 0)),
        ("repitch", variant.up_semitones != 0, whole_share(variant.rate_hz, variant.up_semitones)),
        ("loop", variant.loop and not candidate.looped, float(variant.shares[-1])),
        ("shorten", part.frames < variant.frames, part.share),
    ]
    costs, before = [], float(plain.shares[-1])
    for what, done, share in steps:
        if done:
            costs.append((what, max(0.0, share - before)))
            before = share
    return replace(part, costs=tuple(costs))


def _spend(parts: Sequence[Part], problem: Problem) -> list[Part]:
    """Give what is left of the memory to the cut tail that gains most by it, to the very frame; then to the next."""
    if "shorten" not in problem.allow:
        return list(parts)
    spare = {candidate.name: candidate.spare for candidate in problem.candidates}
    parts = list(parts)
    while True:
        left = problem.memory.limit - sum(problem.memory.cost(part.frames) for part in parts)
        longer = {n: replace(part, frames=_longer(part, left, problem)) for n, part in enumerate(parts)}
        can = [n for n, part in longer.items() if part.frames > parts[n].frames]
        if not can:
            return parts
        best = max(can, key=lambda n: (spare[parts[n].name] * (parts[n].share - longer[n].share), -n))
        parts[best] = longer[best]


def _longer(part: Part, left: int, problem: Problem) -> int:
    """Return the longest that a part may be made with the units that are left."""
    frames = min(part.variant.frames, problem.memory.frames_within(problem.memory.cost(part.frames) + left))
    if problem.memory.longest_s is not None:
        frames = min(frames, int(problem.memory.longest_s * part.variant.rate_hz))
    return max(part.frames, frames)


def _unserved(problem: Problem, parts: Sequence[Part]) -> dict[str, tuple[Ask, ...]]:
    roots: dict[str, list[int]] = {candidate.name: [] for candidate in problem.candidates}
    for part in parts:
        roots[part.name].append(part.root)
    return {
        candidate.name: tuple(
            ask
            for ask in candidate.asks
            if serve(ask, roots[candidate.name], candidate.lasts_s, problem.reach).root is None
        )
        for candidate in problem.candidates
    }


def _cost(parts: Sequence[Part], dropped: Sequence[tuple[str, int, float]], problem: Problem) -> float:
    spare = {candidate.name: candidate.spare for candidate in problem.candidates}
    return sum(spare[part.name] * part.share for part in parts) + sum(spare[name] * share for name, _, share in dropped)
