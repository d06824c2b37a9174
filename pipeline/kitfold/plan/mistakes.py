"""From what a model refuses to what a user reads: where, what was found, what is allowed, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from pydantic import BaseModel, ValidationError

from kitfold.errors import Mistake

__all__ = ["known_keys", "mistakes_of", "nearest", "shown", "unknown_key"]

_TYPES = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "tuple_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "finite_number": "a finite number",
}
_LIMITS = {
    "greater_than": ("gt", "above"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "below"),
    "less_than_equal": ("le", "at most"),
}


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the known word nearest to a mistyped one, or nothing."""
    close = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return close[0] if close else ""


def known_keys(model: type[BaseModel]) -> tuple[str, ...]:
    """Return the keys of a model as a user writes them."""
    return tuple(field.alias or name for name, field in model.model_fields.items())


def unknown_key(where: str, key: str, known: Sequence[str]) -> Mistake:
    """Word an unknown key: the nearest known one, or all of them where none is near."""
    close = nearest(key, known)
    return Mistake(
        where,
        f"is an unknown key; known here: {', '.join(known) or 'none'}",
        f"did you mean {close!r}?" if close else "remove it, or see `kitfold steps` and the README",
    )


def shown(value: object) -> str:
    """Write a value that was found as a message shows it: short."""
    text = repr(list(value) if isinstance(value, tuple) else value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def mistakes_of(error: ValidationError, where: str, given: Any, model: type[BaseModel]) -> list[Mistake]:
    """Turn everything that a model refused into mistakes, one a key.

    Parameters
    ----------
    error : ValidationError
    where : str, put in front of each key, for instance ``"kit.toml: sound[2]"``
    given : the table that was validated
    model : the model that refused it
    """
    merged: dict[str, Mistake] = {}
    for detail in error.errors(include_url=False):
        path = _path(detail["loc"], given)
        place = _joined(where, path)
        if detail["type"] == "extra_forbidden":
            merged.setdefault(place, unknown_key(place, path[-1], _keys_at(model, path[:-1])))
        elif place in merged and merged[place].what.startswith("must be") and detail["type"] in _TYPES:
            merged[place] = Mistake(place, _either(merged[place].what, _TYPES[detail["type"]]))
        else:
            merged.setdefault(place, Mistake(place, _wording(detail)))
    return list(merged.values())


def _wording(detail: Mapping[str, Any]) -> str:
    kind, context, found = detail["type"], detail.get("ctx", {}), shown(detail.get("input"))
    if kind == "missing":
        return "is missing"
    if kind == "value_error":
        return str(context["error"])
    if kind in _LIMITS:
        key, word = _LIMITS[kind]
        return f"must be {word} {context[key]:g} (got {found})"
    if kind in _TYPES:
        return f"must be {_TYPES[kind]} (got {found})"
    if kind == "literal_error":
        return f"must be {context['expected']} (got {found})"
    if kind == "string_pattern_mismatch":
        return f"must match {_pattern_words(context['pattern'])} (got {found})"
    return f"is not allowed: {detail['msg'].lower()} (got {found})"


def _pattern_words(pattern: str) -> str:
    if pattern.startswith("^[a-z0-9-]{1,"):
        return f"a-z 0-9 -, 1 to {pattern.rstrip('}$').rpartition(',')[2]} characters"
    if pattern.startswith(r"^[0-9]+\."):
        return "a version like 1.0.0"
    return pattern


def _either(what: str, other: str) -> str:
    head, _, found = what.partition(" (got")
    return what if other in head else f"{head} or {other} (got{found}"


def _path(loc: tuple[int | str, ...], given: Any) -> list[str]:
    """Keep the part of pydantic's location that stands in the file (it adds names of types to it)."""
    path: list[str] = []
    for part in loc:
        if isinstance(given, Mapping):
            path.append(str(part))
            given = given.get(part)
        elif isinstance(given, Sequence) and not isinstance(given, str) and isinstance(part, int):
            path.append(f"[{part + 1}]")
            given = given[part] if part < len(given) else None
        else:
            break
    return path


def _joined(where: str, path: list[str]) -> str:
    text = where
    for part in path:
        glue = "" if part.startswith("[") else (" " if text.endswith(":") else "." if text else "")
        text += glue + part
    return text


def _keys_at(model: type[BaseModel], path: list[str]) -> tuple[str, ...]:
    """Find the model that a path leads to, as far as models are nested, and return its keys."""
    for part in path:
        field = next((f for n, f in model.model_fields.items() if part in (n, f.alias)), None)
        inner = _model_inside(field.annotation) if field else None
        model = inner or model
    return known_keys(model)


def _model_inside(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        if found := _model_inside(argument):
            return found
    return None
