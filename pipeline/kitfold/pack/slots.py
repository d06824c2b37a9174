"""Which slot holds what, and how its history reads beside another's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import takewhile
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # so that a table of names loads nothing that works on sound
    from kitfold.pack.problem import Part

__all__ = ["place", "shared_steps", "stored_name"]


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
