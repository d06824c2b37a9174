"""Remember results: what was made once from the same things is read, not made again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar, cast

from kitfold.files import Store
from kitfold.render.keys import key_of, sound_code
from kitfold.render.values import packed, unpacked

__all__ = ["kept", "known", "remembered"]

Result = TypeVar("Result")

_NOT_OURS = (ValueError, TypeError, KeyError, IndexError)


def remembered(
    store: Store | None,
    name: str,
    parts: Sequence[Any],
    make: Callable[[], Result],
    kinds: Sequence[type] = (),
) -> Result:
    """Return what `make` gives, from the store where the same was made before.

    What comes back is the same whether it was made or read: arrays C-contiguous and read-only, numbers Python's own.

    Parameters
    ----------
    store : Store or None, None: it is made
    name : str, what is made; two functions need two names
    parts : JSON values, everything that the result hangs on: keys of sounds, settings, `code_digest` of the code that
        makes it where that lies in `AFTER_SOUNDS` (all other code, and the libraries, are in every key)
    make : a pure function of `parts`
    kinds : dataclasses that may stand in the result, beside what `values.packed` lists

    Raises
    ------
    TypeError : where the result is made of something that cannot be kept
    """
    key = key_of("remembered", name, list(parts), sound_code())
    found = known(store, key, kinds)
    return cast(Result, kept(store, key, make(), kinds) if found is None else found)


def known(store: Store | None, key: str, kinds: Sequence[type] = ()) -> Any:
    """Return what is kept under a key, or None; what is no value of ours is deleted."""
    entry = store.get(key) if store is not None else None
    if store is None or entry is None:
        return None
    try:
        return unpacked(entry.value, entry.blocks, kinds)
    except _NOT_OURS:
        store.drop(key)
        return None


def kept(store: Store | None, key: str, value: Result, kinds: Sequence[type] = ()) -> Result:
    """Keep a value under a key, and return it as it will be read."""
    json, blocks = packed(value, kinds)
    if store is not None:
        blocks = list(store.put(key, json, blocks))
    return cast(Result, unpacked(json, blocks, kinds))
