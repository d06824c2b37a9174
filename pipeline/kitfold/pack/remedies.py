"""When a kit cannot fit: what is over, by how much, and what would make it fit, each in figures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from kitfold.errors import Mistake
from kitfold.pack.memory import Memory
from kitfold.pack.problem import Part, Problem
from kitfold.units import semitones_to_ratio

__all__ = ["amount", "no_fit"]

_SHOWN = 5


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


def no_fit(problem: Problem, parts: Sequence[Part]) -> list[Mistake]:
    """Say why a kit does not fit, and the cheapest ways out.

    Parameters
    ----------
    problem : Problem
    parts : what would be stored after every cut that is allowed
    """
    memory, where = problem.memory, f"the kit does not fit {problem.device}:"
    mistakes = []
    units = sum(memory.cost(part.frames) for part in parts) - memory.limit
    slots = len(parts) - memory.slots
    remedies = sorted(_remedies(problem, parts, units, slots), key=lambda remedy: remedy.order)
    hint = "; or ".join(f"{r.text}{', which is enough' if r.enough else ''}" for r in remedies[:_SHOWN])
    if units > 0:
        mistakes.append(Mistake(where, _memory_over(problem, parts, units), hint))
    if slots > 0:
        what = f"{len(parts)} slots are needed and {memory.slots} are there: {slots} over"
        mistakes.append(Mistake(where, what, hint if units <= 0 else ""))
    mistakes += [_too_long(part, problem) for part in parts if part.frames > (memory.longest_frames or part.frames)]
    return mistakes


def _memory_over(problem: Problem, parts: Sequence[Part], over: int) -> str:
    memory, rate_hz = problem.memory, problem.rate_hz
    needed = amount(memory.limit + over, memory, rate_hz)
    cut = "after every cut that the song allows" if "shorten" in problem.allow else "and nothing may be cut"
    has = amount(memory.limit, memory, rate_hz)
    return f"it needs {needed} {cut}, and has {has}: {amount(over, memory, rate_hz)} over"


def _too_long(part: Part, problem: Problem) -> Mistake:
    longest_s = (problem.memory.longest_frames or 0) / problem.rate_hz
    return Mistake(
        f"the kit does not fit {problem.device}:",
        f"{part.name} must last {part.frames / problem.rate_hz:.2f} s for its holds, a slot at most {longest_s:.2f} s",
        "shorten that chord, or allow `shorten` in fit.allow",
    )


def _remedies(problem: Problem, parts: Sequence[Part], units: int, slots: int) -> list[_Remedy]:
    found = _leave_outs(problem, parts, units, slots)
    if units > 0 and slots <= 0:
        found += _faster(problem, parts, units)
        if "shorten" not in problem.allow:
            freed = sum(problem.memory.cost(p.frames) - problem.memory.cost(p.least_frames) for p in parts)
            text = f"allow `shorten` in fit.allow (frees up to {amount(freed, problem.memory, problem.rate_hz)})"
            found.append(_Remedy(text, freed, 0, freed >= units))
    return found


def _leave_outs(problem: Problem, parts: Sequence[Part], units: int, slots: int) -> list[_Remedy]:
    """Price leaving out each sound, and each sound's copies."""
    sounds: dict[str, list[int]] = defaultdict(list)
    copies: dict[str, list[int]] = defaultdict(list)
    for part in parts:
        cost = problem.memory.cost(part.frames)
        sounds[part.name].append(cost)
        if part.root != 0:
            copies[part.name].append(cost)
    groups = [(f"leave out {name}", costs) for name, costs in sounds.items()]
    groups += [(f'set copies = "none" for {name}', costs) for name, costs in copies.items()]
    return [
        _Remedy(_freeing(text, costs, problem), sum(costs), len(costs), sum(costs) >= units and len(costs) >= slots)
        for text, costs in groups
    ]


def _freeing(text: str, costs: Sequence[int], problem: Problem) -> str:
    count = f"{len(costs)} slot{'s' if len(costs) > 1 else ''}"
    return f"{text} (frees {amount(sum(costs), problem.memory, problem.rate_hz)}, {count})"


def _faster(problem: Problem, parts: Sequence[Part], units: int) -> list[_Remedy]:
    """Find the slowest tempo at which the same holds would fit, by halving."""
    if not any(served.ask.needs_s > 0 for part in parts for served in part.serves):
        return []
    low, high = 1.0, 4.0
    if _units_at(problem, parts, high) > problem.memory.limit:
        return []
    for _ in range(20):
        middle = (low + high) / 2
        low, high = (low, middle) if _units_at(problem, parts, middle) <= problem.memory.limit else (middle, high)
    tempo = problem.tempo_slowest * high
    text = f"play it no slower than {tempo:.1f} beats a minute (tempo_slowest is {problem.tempo_slowest:g})"
    return [_Remedy(text, units, 0, True)]


def _units_at(problem: Problem, parts: Sequence[Part], faster: float) -> int:
    """Count the memory that the holds need when everything is played `faster` times as fast."""
    fades = {candidate.name: candidate for candidate in problem.candidates}
    total = 0
    for part in parts:
        needed_s = max((s.ask.needs_s * semitones_to_ratio(s.setting) for s in part.serves), default=0.0)
        frames = part.frames
        if needed_s > 0 and not fades[part.name].whole:
            frames = min(frames, int(needed_s / faster * problem.rate_hz) + fades[part.name].fade_frames + 1)
        total += problem.memory.cost(frames)
    return total
