"""Which slot holds what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # so that a table of names loads nothing that works on sound
    from kitfold.pack.problem import Part

__all__ = ["place", "stored_name"]


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
