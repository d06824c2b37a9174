"""What is made from what: the one question whether it goes round in a circle."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["cycle_in"]


def cycle_in(made_from: Mapping[str, str | None]) -> tuple[str, ...]:
    """Return a cycle in full, its first name again at its end, or an empty tuple.

    Parameters
    ----------
    made_from : mapping, name to the name it is made from, or None
    """
    cleared: set[str] = set()
    for start in made_from:
        path: list[str] = []
        name: str | None = start
        while name is not None and name not in cleared and name not in path:
            path.append(name)
            name = made_from.get(name)
        if name is not None and name in path:
            return (*path[path.index(name) :], name)
        cleared.update(path)
    return ()
