"""A stranger's JSON into our models: strict where a figure counts, deaf to what we do not know, never a crash."""

from __future__ import annotations

import json
import math
from typing import Any, NoReturn, TypeVar

from pydantic import BaseModel, ValidationError

from kitfold.files.tree import Tree
from kitfold.pack.verify.difference import Difference

__all__ = ["MOST_TEXT_BYTES", "json_table", "model_of", "small_file"]

AnyModel = TypeVar("AnyModel", bound=BaseModel)

MOST_TEXT_BYTES = 1 << 24
"""What a manifest, a list of sums or a kit may take to be read: a thousand times what a large kit needs."""
_MOST_VALUES = 200_000  # of 800 slots; a mistake in each value takes a kilobyte
_MOST_MISTAKES = 50


def small_file(tree: Tree, name: str, found: list[Difference]) -> bytes | None:
    """Return the bytes of a text file; None, and why in `found`, where it is missing or too large to be one."""
    size = tree.sizes.get(name)
    if size is None:
        found.append(Difference(name, "file", "there", "missing"))
        return None
    if size > MOST_TEXT_BYTES:
        found.append(Difference(name, "size", f"at most {MOST_TEXT_BYTES} bytes", f"{size} bytes"))
        return None
    data = b"".join(tree.chunks(name))
    return data[:MOST_TEXT_BYTES]


def json_table(data: bytes, name: str, found: list[Difference]) -> dict[str, Any] | None:
    """Return a JSON object; None, and why in `found`, for what is none: no UTF-8, a key twice, NaN, too deep."""
    try:
        value = json.loads(
            data.decode("utf-8"),
            parse_constant=_refuse,
            parse_float=_finite,
            parse_int=_countable,
            object_pairs_hook=_without_twins,
        )
    except (ValueError, RecursionError) as error:
        what = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        found.append(Difference(name, "JSON", "an object", what))
        return None
    if not isinstance(value, dict):
        found.append(Difference(name, "JSON", "an object", type(value).__name__))
        return None
    if _too_many(value):
        found.append(Difference(name, "JSON", f"at most {_MOST_VALUES} values", "more"))
        return None
    return value


def model_of(model: type[AnyModel], table: dict[str, Any], name: str, found: list[Difference]) -> AnyModel | None:
    """Return a table as a model; None, and every mistake in `found`, where it breaks the schema."""
    try:
        return model.model_validate(table, strict=True)
    except ValidationError as error:
        mistakes = error.errors(include_url=False, include_context=False)[:_MOST_MISTAKES]
        found += [Difference(name, _place(one["loc"]), one["msg"], _short(one["input"])) for one in mistakes]
    except RecursionError:
        found.append(Difference(name, "JSON", "a manifest", "nested too deeply"))
    return None


def _too_many(value: object) -> bool:
    """Say whether JSON holds more values than any manifest does: a mistake in each would fill the memory."""
    waiting, count = [value], 0
    while waiting:
        one = waiting.pop()
        inner = one.values() if isinstance(one, dict) else one if isinstance(one, list) else ()
        count += len(inner)
        if count > _MOST_VALUES:
            return True
        waiting += inner
    return False


def _place(keys: tuple[str | int, ...]) -> str:
    """Name a place in a manifest: ``slots[2].root.hz``, counted from 1 as people do."""
    parts = [f"[{key + 1}]" if isinstance(key, int) else f".{key}" for key in keys]
    return "".join(parts).lstrip(".") or "manifest"


def _short(value: object) -> str:
    return f"{type(value).__name__} of {len(value)}" if isinstance(value, dict | list) else repr(value)


def _refuse(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is no JSON")


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError(f"{digits[:20]} is too large a number")
    return value


def _countable(digits: str) -> int:
    """Read a whole number that a float holds exactly: no count, size or frequency of ours comes near the limit."""
    if len(digits) > 16 or abs(int(digits)) > 1 << 53:
        raise ValueError(f"{digits[:20]} is too large a number")
    return int(digits)


def _without_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) < len(pairs):
        raise ValueError("a key is there twice")
    return table
