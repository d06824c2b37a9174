"""Values as JSON and blocks of bytes, and back: what a result must be made of to be kept.

No pickle: reading a value can only make what is listed here, and the classes that the reader names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitfold.files.entry import Block
from kitfold.sound import Done, Sound

__all__ = ["packed", "unpacked"]

_TYPES = frozenset({"|b1", "|u1", "|i1", "<u2", "<i2", "<u4", "<i4", "<u8", "<i8", "<f4", "<f8"})
_TAG = "$"  # the key that tells a tagged value from a dict; a dict that has it is tagged itself
_SOUND = ("rate_hz", "root_hz", "whole", "history", "found", "said", "loop")


def packed(value: Any, kinds: Sequence[type] = ()) -> tuple[Any, list[Block]]:
    """Return a value as JSON and the blocks that it points to.

    Parameters
    ----------
    value : None, bool, int, float, str, bytes, a number or an array of numpy's, Sound, Done; tuples, lists and dicts
        (with str or int keys) of them
    kinds : dataclasses that may stand in it too

    Raises
    ------
    TypeError : for anything else
    """
    blocks: list[Block] = []
    return _down(value, blocks, {kind.__name__: kind for kind in (*kinds, Done)}), blocks


def unpacked(value: Any, blocks: Sequence[Block], kinds: Sequence[type] = ()) -> Any:
    """Return the value that was packed; its arrays share the blocks' memory, are read-only and C-contiguous.

    Raises
    ------
    ValueError, TypeError, KeyError, IndexError : for what `packed` never gave
    """
    return _up(value, blocks, {kind.__name__: kind for kind in (*kinds, Done)})


def _down(value: Any, blocks: list[Block], kinds: dict[str, type]) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    if isinstance(value, bytes):
        return {_TAG: "bytes", "block": _added(value, blocks)}
    if isinstance(value, np.ndarray):
        return _array_down(value, blocks)
    if isinstance(value, list):
        return [_down(one, blocks, kinds) for one in value]
    if isinstance(value, tuple):
        return {_TAG: "tuple", "of": [_down(one, blocks, kinds) for one in value]}
    if isinstance(value, dict):
        return _dict_down(value, blocks, kinds)
    return _object_down(value, blocks, kinds)


def _dict_down(value: dict[Any, Any], blocks: list[Block], kinds: dict[str, type]) -> Any:
    if all(isinstance(key, str) for key in value) and _TAG not in value:
        return {key: _down(one, blocks, kinds) for key, one in value.items()}
    pairs = [[_down(key, blocks, kinds), _down(one, blocks, kinds)] for key, one in value.items()]
    return {_TAG: "dict", "of": pairs}


def _object_down(value: Any, blocks: list[Block], kinds: dict[str, type]) -> Any:
    if isinstance(value, Sound):
        rest = {name: _down(getattr(value, name), blocks, kinds) for name in _SOUND}
        return {_TAG: "Sound", "samples": _array_down(value.samples, blocks), "rest": rest}
    if is_dataclass(value) and kinds.get(type(value).__name__) is type(value):
        return {
            _TAG: "kind",
            "name": type(value).__name__,
            "of": {one.name: _down(getattr(value, one.name), blocks, kinds) for one in fields(value)},
        }
    raise TypeError(f"a {type(value).__name__} cannot be kept")


def _array_down(array: NDArray[Any], blocks: list[Block]) -> Any:
    kept = np.ascontiguousarray(array).reshape(array.shape)  # a number stays without a dimension
    if kept.dtype.str not in _TYPES:
        raise TypeError(f"an array of {kept.dtype} cannot be kept")
    data = memoryview(kept.reshape(-1).view(np.uint8))  # type: ignore[arg-type]  # numpy's stubs before 3.12
    return {_TAG: "array", "type": kept.dtype.str, "shape": list(kept.shape), "block": _added(data, blocks)}


def _added(block: Block, blocks: list[Block]) -> int:
    blocks.append(block)
    return len(blocks) - 1


def _up(value: Any, blocks: Sequence[Block], kinds: dict[str, type]) -> Any:
    if isinstance(value, list):
        return [_up(one, blocks, kinds) for one in value]
    if not isinstance(value, dict):
        return value
    tag = value.get(_TAG)
    if tag is None:
        return {key: _up(one, blocks, kinds) for key, one in value.items()}
    if tag == "bytes":
        return bytes(blocks[value["block"]])
    if tag == "array":
        return _array_up(value, blocks)
    if tag == "tuple":
        return tuple(_up(one, blocks, kinds) for one in value["of"])
    if tag == "dict":
        return {_up(key, blocks, kinds): _up(one, blocks, kinds) for key, one in value["of"]}
    if tag == "Sound":
        rest = {name: _up(value["rest"][name], blocks, kinds) for name in _SOUND}
        return Sound(_array_up(value["samples"], blocks), **rest)
    return kinds[value["name"]](**{name: _up(one, blocks, kinds) for name, one in value["of"].items()})


def _array_up(value: Any, blocks: Sequence[Block]) -> NDArray[Any]:
    if value["type"] not in _TYPES:
        raise ValueError("no type of array that is kept")
    array = np.frombuffer(blocks[value["block"]], np.dtype(value["type"])).reshape(value["shape"])
    array.flags.writeable = False
    return array
