"""TOML files into models: one way to read them, one way to complain."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from kitfold.errors import Mistake, PlanError
from kitfold.plan.mistakes import mistakes_of
from kitfold.plan.model import Model
from kitfold.plan.toml_hints import hint_for_toml, is_sound_file

__all__ = ["model_from", "read_toml", "shown_path"]

AnyModel = TypeVar("AnyModel", bound=Model)
_LARGEST_BYTES = 4_000_000


def shown_path(path: Path) -> str:
    """Return a path as a message shows it: as the user gave it."""
    return str(path)


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file; lists come back as tuples, so that strict models take them.

    Raises
    ------
    PlanError : where the file is missing, unreadable, no UTF-8, too large or no TOML
    """
    where = shown_path(path)
    frozen: dict[str, Any]
    text = ""
    try:
        _refuse_sound(path, where)
        if path.stat().st_size > _LARGEST_BYTES:
            raise PlanError(f"is larger than {_LARGEST_BYTES} bytes; is it a kit?", where=where)
        text = path.read_text(encoding="utf-8-sig")  # some editors put a mark in front
        frozen = _frozen(tomllib.loads(text), f"{where}: ")
    except FileNotFoundError:
        raise PlanError("does not exist", where=where, hint="`kitfold init FOLDER` writes a starter kit.toml") from None
    except IsADirectoryError:
        raise PlanError("is a folder, not a file", where=where, hint="name the kit.toml inside it") from None
    except (OSError, ValueError) as error:
        raise PlanError(_why_unreadable(error), where=where, hint=_way_out(error, text)) from None
    except RecursionError:
        raise PlanError("is nested too deeply to read", where=where) from None
    return frozen


def model_from(model: type[AnyModel], given: object, where: str, mistakes: list[Mistake]) -> AnyModel | None:
    """Return the model of a table, or None and what is wrong with it in `mistakes`."""
    try:
        return model.model_validate(given)
    except ValidationError as error:
        mistakes.extend(mistakes_of(error, where, given, model))
        return None


def _refuse_sound(path: Path, where: str) -> None:
    with path.open("rb") as file:
        if is_sound_file(file.read(4)):
            hint = "`kitfold init FOLDER` writes a kit.toml for a folder of sounds"
            raise PlanError("is a sound file, not a kit", where=where, hint=hint)


def _way_out(error: Exception, text: str) -> str:
    if isinstance(error, UnicodeDecodeError):
        return "save it as UTF-8: most editors have that under Save As, or Encoding"
    return hint_for_toml(str(error), text)


def _why_unreadable(error: Exception) -> str:
    if isinstance(error, tomllib.TOMLDecodeError):
        return f"is not valid TOML: {error}"
    if isinstance(error, UnicodeDecodeError):
        return f"is not UTF-8 text (byte {error.start})"
    if isinstance(error, PermissionError):
        return "is a folder, or may not be read"
    if isinstance(error, ValueError):
        return "has a number of too many digits"  # what Python's own limit refuses to read
    return f"cannot be read ({error.__class__.__name__}: {error})"


def _frozen(value: Any, where: str) -> Any:
    """Return a value with tuples for lists; TOML 1.0 has integers of 64 bits and no longer ones."""
    if isinstance(value, list):
        return tuple(_frozen(item, f"{where}[{place}]") for place, item in enumerate(value, 1))
    if isinstance(value, dict):
        glue = "" if where.endswith(" ") else "."
        return {key: _frozen(item, f"{where}{glue}{key}") for key, item in value.items()}
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise PlanError("is an integer of more than 64 bits, which TOML does not allow", where=where)
    return value
