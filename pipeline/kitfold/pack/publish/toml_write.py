"""Write TOML: tables of strings, numbers, booleans and lists, which is all that kits and devices are made of."""

from __future__ import annotations

import json
from collections.abc import Mapping

__all__ = ["toml_document", "toml_value"]


def toml_value(value: object) -> str:
    """Write a value as it stands behind an equals sign; floats so that they come back bit for bit.

    JSON's strings are TOML's basic strings, apart from the delete character, which TOML wants escaped (TOML 1.0.0,
    "String").

    Raises
    ------
    TypeError : for what no kit holds
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(key)} = {toml_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml_value, value)) + "]"
    raise TypeError(f"no kit holds a {type(value).__name__}")


def toml_document(blocks: list[tuple[str, Mapping[str, object]]]) -> str:
    """Write tables one after the other.

    Parameters
    ----------
    blocks : (heading, table), the heading with its brackets, empty for what stands above all tables; a value of None
        is left out
    """
    written = []
    for heading, table in blocks:
        kept = {key: value for key, value in table.items() if value is not None}
        width = max((len(_key(key)) for key in kept), default=0)
        lines = [heading] * bool(heading) + [f"{_key(key):<{width}} = {toml_value(item)}" for key, item in kept.items()]
        written.append("\n".join(lines))
    return "\n\n".join(written) + "\n"


def _key(key: str) -> str:
    return key if key and all(c.isascii() and (c.isalnum() or c in "-_") for c in key) else toml_value(key)
