"""From what a model refuses to what a user reads: where, what was found, what is allowed, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from pydantic import BaseModel, ValidationError

from kitfold.errors import Mistake
from kitfold.plan.kit import FitWishes, KitHead, SectionEntry, SongEntry, SoundEntry
from kitfold.plan.model import NAME_PATTERN
from kitfold.plan.names import clean

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

_TABLES: dict[str, type[BaseModel]] = {
    "[kit]": KitHead,
    "[song]": SongEntry,
    "[[song.section]]": SectionEntry,
    "[[sound]]": SoundEntry,
    "[fit]": FitWishes,
}
_ITEMS = {"chords": "chord", "intervals": "interval", "gains_db": "gain", "steps": "step", "device": "device",
          "rate_hz": "rate", "to": "pitch class"}  # fmt: skip


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the known word nearest to a mistyped one, or nothing."""
    close = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return close[0] if close else ""


def known_keys(model: type[BaseModel]) -> tuple[str, ...]:
    """Return the keys of a model as a user writes them."""
    return tuple(field.alias or name for name, field in model.model_fields.items())


def unknown_key(where: str, key: str, known: Sequence[str]) -> Mistake:
    """Word an unknown key: where it belongs, the nearest known one, or all of them where none is near."""
    homes = [table for table, model in _TABLES.items() if key in known_keys(model) and key != "section"]
    if len(homes) == 1 and key not in known:
        hint = f"{key} belongs in {homes[0]}"
    else:
        close = nearest(key, known)
        hint = f"did you mean {close!r}?" if close else "remove it, or see `kitfold steps` and the README"
    return Mistake(where, f"is an unknown key; known here: {', '.join(known) or 'none'}", hint)


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
    kinds: dict[str, str] = {}  # what is wrong at each place so far
    for detail in error.errors(include_url=False):
        if _only_looks_short(detail):
            continue
        path = _path(detail["loc"], given)
        place = _joined(where, path)
        if detail["type"] == "extra_forbidden":
            merged.setdefault(place, unknown_key(place, path[-1], _keys_at(model, path[:-1])))
        elif place in merged and merged[place].what.startswith("must be") and detail["type"] in _TYPES:
            merged[place] = Mistake(place, _either(merged[place].what, _TYPES[detail["type"]]))
        elif place not in merged or (kinds[place] in _TYPES and detail["type"] not in _TYPES):
            # of two allowed kinds, the one that the value is of says more than the one that it is not
            merged[place] = Mistake(place, _wording(detail), _hint(detail, place))
        kinds.setdefault(place, detail["type"])
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
    if kind in ("too_short", "too_long"):
        return _length_words(kind, context, str(detail["loc"][-1] if detail["loc"] else ""), found)
    if kind == "string_pattern_mismatch":
        return f"must match {_pattern_words(context['pattern'])} (got {found})"
    return f"is not allowed: {detail['msg'].lower()} (got {found})"


def _only_looks_short(detail: Mapping[str, Any]) -> bool:
    """Say whether a list is long enough as it was written: values refused on their own are not counted by pydantic."""
    given, least = detail.get("input"), detail.get("ctx", {}).get("min_length", 0)
    return detail["type"] == "too_short" and isinstance(given, Sequence) and len(given) >= least > 0


def _length_words(kind: str, context: Mapping[str, Any], key: str, found: str) -> str:
    if kind == "too_long":
        return f"must have at most {context['max_length']} values (got {found})"
    least = context["min_length"]
    if least != 1:
        return f"must have at least {least} values (got {found})"
    return f"must have at least one {_ITEMS.get(key, 'value')} (got {found})"


def _hint(detail: Mapping[str, Any], place: str) -> str:
    """Say what to write instead, where what was found shows what was meant."""
    found, context = detail.get("input"), detail.get("ctx", {})
    if detail["type"] == "value_error":
        return getattr(context["error"], "hint", "")
    if detail["type"] == "string_pattern_mismatch" and context["pattern"] == NAME_PATTERN and isinstance(found, str):
        return f"write {clean(found)!r}" if clean(found) else ""
    if detail["type"] == "tuple_type" and isinstance(found, Mapping):
        return f"write [[{place.rpartition(': ')[2]}]], in double brackets"
    return ""


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
