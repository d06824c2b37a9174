"""When a kit cannot fit: what is over, by how much, and what would make it fit, each in figures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil

from kitfold.errors import Mistake
from kitfold.pack.claim import joined
from kitfold.pack.holds import copies_for
from kitfold.pack.memory import Memory
from kitfold.pack.problem import Candidate, Part, Problem

__all__ = ["amount", "faster", "no_fit", "without", "without_copies"]

_SHOWN = 5
_FASTEST = 4.0  # times the slowest tempo: beyond that it is another song
Fits = Callable[[Problem], bool]


@dataclass(frozen=True)
class _Remedy:
    """One sacrifice: what it frees, and whether it is enough alone."""

    text: str
    units: int
    slots: int
    enough: bool

    @property
    def order(self) -> tuple[bool, int, int, str]:
        """Sort those that are enough first, the smallest first; then the others, the largest first."""
        return (not self.enough, self.units if self.enough else -self.units, self.slots, self.text)


def amount(units: int, memory: Memory, rate_hz: int) -> str:
    """Write an amount of memory with its unit: seconds beside frames, kB beside bytes."""
    if memory.unit == "bytes":
        return f"{units / 1000:,.1f} kB ({units:,} bytes)"
    return f"{units / rate_hz:.2f} s ({units:,} frames)"


def no_fit(problem: Problem, parts: Sequence[Part], fits: Fits) -> list[Mistake]:
    """Say why a kit does not fit, and the cheapest ways out.

    Parameters
    ----------
    problem : Problem
    parts : what would be stored after every cut that is allowed
    fits : says whether a problem has a solution: what is called enough was tried
    """
    memory, where = problem.memory, f"the kit does not fit {problem.device}:"
    mistakes = []
    units = sum(memory.cost(part.frames) for part in parts) - memory.limit
    slots = len(parts) - memory.slots
    remedies = sorted(_remedies(problem, parts, fits), key=lambda remedy: remedy.order)
    hint = "; or ".join(f"{r.text}{', which is enough' if r.enough else ''}" for r in remedies[:_SHOWN])
    if remedies and not remedies[0].enough:
        hint += _together(problem, fits)
    if units > 0:
        mistakes.append(Mistake(where, _memory_over(problem, units), hint))
    if slots > 0:
        there = f"{memory.slots} {'is' if memory.slots == 1 else 'are'} there"
        fewer = f"leave out {slots} sound{'s or copies' if slots > 1 else ' or copy'}"
        what = f"{len(parts)} slots are needed and {there}: {slots} over"
        mistakes.append(Mistake(where, what, hint if units <= 0 else fewer))
    return mistakes + [_too_long(part, problem) for part in parts if part.frames > _longest(problem, part)]


def _together(problem: Problem, fits: Fits) -> str:
    """Name the sounds that must all go, the largest first, until the rest fits; or say that no rest does."""
    left, gone = problem, []
    largest = sorted(problem.candidates, key=lambda one: (-one.variants[0].frames, one.name))
    for candidate in largest[:-1]:
        if candidate not in left.candidates:  # it went with what it is made from
            continue
        gone.append(_leaving_out(left, candidate.name))
        left = without(left, candidate.name)
        if fits(left):
            return f"; none of these is enough alone; together: {' and '.join(gone)}"
    alone = f", nor is leaving out all but {largest[-1].name}" if gone else ""
    return f"; none of these is enough alone{alone}"


def without(problem: Problem, name: str) -> Problem:
    """Return the problem without a sound, its copies, and what is made from it."""
    gone = _with_made_from(problem, name)
    return replace(problem, candidates=tuple(one for one in problem.candidates if one.name not in gone))


def _with_made_from(problem: Problem, name: str) -> list[str]:
    """Return a sound and all that is made from it, in any number of steps."""
    gone = [name]
    for parent in gone:  # which grows meanwhile
        gone += [one.name for one in problem.candidates if one.made_from == parent]
    return gone


def _leaving_out(problem: Problem, name: str) -> str:
    others = _with_made_from(problem, name)[1:]
    return f"leave out {name}" + (f" with {joined(others)}, made from it" if others else "")


def without_copies(problem: Problem, name: str) -> Problem:
    """Return the problem as ``copies = "none"`` would make it for a sound."""
    return replace(
        problem,
        candidates=tuple(
            replace(one, required=(), optional=(), wish="none") if one.name == name else one
            for one in problem.candidates
        ),
    )


def faster(problem: Problem, tempo: float) -> Problem:
    """Return the problem with its holds counted at another slowest tempo; copies that are not needed there go."""
    times = tempo / problem.tempo_slowest
    changed = tuple(_faster(candidate, times, problem) for candidate in problem.candidates)
    return replace(problem, candidates=changed, tempo_slowest=tempo)


def _faster(candidate: Candidate, times: float, problem: Problem) -> Candidate:
    asks = tuple(replace(ask, needs_s=ask.needs_s / times) for ask in candidate.asks)

    def lasts_s(root: int) -> float:
        # a copy that was not made yet will most likely loop as the sound itself does
        return candidate.lasts_s(root if root in candidate.loops else 0)

    required, optional = copies_for(asks, candidate.wish, lasts_s, problem.reach)
    return replace(candidate, asks=asks, required=required, optional=optional)


def _memory_over(problem: Problem, over: int) -> str:
    memory, rate_hz = problem.memory, problem.rate_hz
    needed = amount(memory.limit + over, memory, rate_hz)
    cut = "after every cut that the song allows" if "shorten" in problem.allow else "and nothing may be cut"
    has = amount(memory.limit, memory, rate_hz)
    return f"it needs {needed} {cut}, and has {has}: {amount(over, memory, rate_hz)} over"


def _longest(problem: Problem, part: Part) -> int:
    longest_s = problem.memory.longest_s
    return part.frames if longest_s is None else int(longest_s * part.variant.rate_hz)


def _too_long(part: Part, problem: Problem) -> Mistake:
    whole = next(one for one in problem.candidates if one.name == part.name).whole
    rate_hz = part.variant.rate_hz
    length_s, longest_s = part.frames / rate_hz, _longest(problem, part) / rate_hz
    long = f"{length_s:.2f} s long"
    if whole:
        why, hint = (
            f"is {long} and cannot be cut, for its peak stands at its end",
            "make it shorter: fewer beats, or length_s",
        )
    elif "shorten" in problem.allow:
        why, hint = f"must be {long} for its longest hold", "shorten that chord, or play it faster"
    else:
        why, hint = f"is {long} and its tail may not be cut", "allow `shorten` in fit.allow"
    what = f"{part.name} {why}, and a slot holds {longest_s:.2f} s"
    return Mistake(f"the kit does not fit {problem.device}:", what, hint)


def _remedies(problem: Problem, parts: Sequence[Part], fits: Fits) -> Iterator[_Remedy]:
    """Price leaving out each sound, each sound's copies, allowing more, and playing faster."""
    for candidate in problem.candidates:
        costs = [problem.memory.cost(part.frames) for part in parts if part.name == candidate.name]
        if (rest := without(problem, candidate.name)).candidates:
            gone = _with_made_from(problem, candidate.name)
            freed = [problem.memory.cost(part.frames) for part in parts if part.name in gone]
            yield _freeing(_leaving_out(problem, candidate.name), freed, problem, fits(rest))
        if copies := costs[1:]:  # the sound itself comes first
            enough = fits(without_copies(problem, candidate.name))
            yield _freeing(f'set copies = "none" for {candidate.name}', copies, problem, enough)
    for wish in ("shorten", "loop", "repitch", "lower-rate", "drop-copy"):
        if wish not in problem.allow and fits(problem.allowing(wish)):
            yield _Remedy(f"allow `{wish}` in fit.allow", 0, 0, True)
    if (tempo := _slowest_that_fits(problem, fits)) is not None:
        text = f"play it no slower than {tempo:.1f} beats a minute (tempo_slowest is {problem.tempo_slowest:g})"
        yield _Remedy(text, 0, 0, True)


def _freeing(text: str, costs: Sequence[int], problem: Problem, enough: bool) -> _Remedy:
    count = f"{len(costs)} slot{'s' if len(costs) > 1 else ''}"
    freed = amount(sum(costs), problem.memory, problem.rate_hz)
    return _Remedy(f"{text} (frees up to {freed}, {count})", sum(costs), len(costs), enough)


def _slowest_that_fits(problem: Problem, fits: Fits) -> float | None:
    """Find the slowest tempo, in tenths of a beat a minute, at which the same song would fit, by halving."""
    if not any(ask.needs_s > 0 for candidate in problem.candidates for ask in candidate.asks):
        return None
    low, high = ceil(problem.tempo_slowest * 10), ceil(problem.tempo_slowest * 10 * _FASTEST)
    if not fits(faster(problem, high / 10)):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fits(faster(problem, middle / 10)) else (middle, high)
    return high / 10
