"""What packing makes of a sound, remembered from build to build: kits for many devices, and one sound that changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from kitfold.files import Store
from kitfold.render.keys import code_digest
from kitfold.render.memo import remembered

__all__ = ["made_once"]

Result = TypeVar("Result")


def made_once(
    store: Store | None,
    name: str,
    of: str,
    parts: Sequence[Any],
    make: Callable[[], Result],
    kinds: Sequence[type] = (),
) -> Result:
    """Return what `make` gives of a sound, from the store where the same was made before by the same code.

    Parameters
    ----------
    store : Store or None, None: it is made
    name : str, what is made; two functions need two names
    of : str, the key of the sound; empty, where nobody knows what it was made from: it is made
    parts : JSON values, everything else that the result hangs on
    make : a pure function of the sound and `parts`
    kinds : dataclasses that may stand in the result
    """
    return remembered(store if of else None, name, [of, *parts, code_digest("pack")], make, kinds)
