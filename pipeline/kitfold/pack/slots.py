"""Which slot holds what, and what a manifest says of it: its name, its history, the checks about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import takewhile
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # so that a table of names loads nothing that works on sound
    from kitfold.pack.problem import Part

__all__ = ["checks_about", "checks_by_name", "place", "shared_steps", "stored_name"]


def place(parts: Sequence[Part], fixed: Mapping[str, int]) -> tuple[int, ...]:
    """Give every part a slot: fixed ones first, the rest from the lowest free one, copies behind their sound.

    Parameters
    ----------
    parts : sequence of Part, in the kit's order
    fixed : mapping, sound to its fixed slot; its copies are free

    Returns
    -------
    tuple of int, slots from 1, one a part
    """
    taken = set(fixed.values())
    free = (slot for slot in range(1, len(parts) + len(taken) + 1) if slot not in taken)
    return tuple(fixed[part.name] if part.root == 0 and part.name in fixed else next(free) for part in parts)


def stored_name(name: str, root: int) -> str:
    """Return what a slot's file is called: a copy says how far it was moved, in plain letters."""
    if root == 0:
        return name
    return f"{name}_{'up' if root > 0 else 'down'}{abs(root)}"


def shared_steps(steps: Sequence[Mapping[str, Any]], others: Sequence[Mapping[str, Any]]) -> int:
    """Count the steps that two sounds have in common from the beginning: one is made from the other's."""
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(steps, others, strict=False)))


def checks_by_name(checks: Sequence[Mapping[str, Any]]) -> dict[str, list[int]]:
    """Return the places of checks by what they are about, a sound or a slot: see `checks_about`."""
    found: dict[str, list[int]] = {}
    for place, check in enumerate(checks):
        for name in check["about"]:
            found.setdefault(name, []).append(place)
    return found


def checks_about(slot: Mapping[str, Any], named: Mapping[str, Sequence[int]]) -> list[int]:
    """Return the places of the checks about a slot, or the sound in it, in their order.

    Parameters
    ----------
    slot : mapping as in manifest.json
    named : mapping, as `checks_by_name` makes it, once for all slots
    """
    names = (slot["sound"], stored_name(slot["sound"], slot["copy"] or 0))
    return sorted({place for name in names for place in named.get(name, ())})
