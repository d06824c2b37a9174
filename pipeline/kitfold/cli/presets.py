"""`kitfold devices`, `recipes` and `steps`: what is available."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options
from kitfold.errors import KitfoldError, PlanError

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["devices", "recipes", "steps"]


@click.command()
@click.argument("name", required=False)
@common_options
def devices(name: str | None, voice: Voice) -> int:
    """List the devices that ship, or show one whole."""
    from kitfold.plan.presets import load_device, preset_names

    with _about(name):
        found = [load_device(one) for one in ([name] if name else preset_names("devices"))]
    tables = [device.model_dump(mode="json", exclude_none=True) for device in found]
    _present(voice, tables, whole=name is not None)
    return 0


@click.command()
@click.argument("name", required=False)
@common_options
def recipes(name: str | None, voice: Voice) -> int:
    """List the recipes that ship, or show one whole."""
    from kitfold.plan.presets import load_recipe, preset_names

    names = [name] if name else list(preset_names("recipes"))
    with _about(name):
        tables = [{**load_recipe(one).model_dump(mode="json"), "name": one} for one in names]
    _present(voice, tables, whole=name is not None)
    return 0


@click.command()
@click.argument("name", required=False)
@common_options
def steps(name: str | None, voice: Voice) -> int:
    """List the steps, or show one with its settings, their ranges and defaults."""
    from kitfold.plan.effects import EFFECTS
    from kitfold.plan.mistakes import nearest
    from kitfold.plan.settings import SETTINGS

    if name is not None and name not in SETTINGS:
        close = nearest(name, SETTINGS)
        raise PlanError(
            f"is no step; there are {', '.join(SETTINGS)}",
            where=repr(name),
            hint=f"did you mean {close!r}?" if close else "",
        )
    models = [SETTINGS[name]] if name else list(SETTINGS.values())
    tables = [
        {
            "name": model.step,
            "about": model.does,
            "settings": {key: _setting(field) for key, field in model.model_fields.items()},
        }
        for model in models
    ]
    if name == "effect":
        tables[0]["effects"] = {one: {key: list(limits) for key, limits in effect.ranges.items()}
                                for one, effect in EFFECTS.items()}  # fmt: skip
    _present(voice, tables, whole=name is not None)
    return 0


@contextmanager
def _about(name: str | None) -> Iterator[None]:
    """Put the name that was asked for in front of what is wrong with it."""
    try:
        yield
    except KitfoldError as error:
        raise (error.about(repr(name)) if name else error) from None


def _setting(field: Any) -> dict[str, Any]:
    """Describe one setting from its model: what it is, its default, its limits."""
    words = {"gt": "above", "ge": "from", "lt": "below", "le": "to"}
    limits = [
        f"{word} {getattr(part, key):g}"
        for part in _metadata(field)
        for key, word in words.items()
        if hasattr(part, key)
    ]
    default = "needed" if field.is_required() else field.get_default()
    return {
        "is": field.description or "",
        "default": list(default) if isinstance(default, tuple) else default,
        "range": " ".join(limits),
    }


def _metadata(field: Any) -> list[Any]:
    """Collect a field's limits, those inside optional and list types included."""
    found = list(field.metadata)
    waiting = [field.annotation]
    while waiting:
        kind = waiting.pop()
        found += [part for data in getattr(kind, "__metadata__", ()) for part in getattr(data, "metadata", [data])]
        waiting += getattr(kind, "__args__", ())
    return found


def _present(voice: Voice, tables: Sequence[dict[str, Any]], whole: bool) -> None:
    from rich.text import Text

    from kitfold.cli.show import plain_table

    voice.result(tables[0] if whole else list(tables))
    if not whole:
        table = plain_table("name", "about")
        for one in tables:
            table.add_row(one["name"], one["about"])
        voice.show(table)
        return
    (one,) = tables
    if "settings" in one:
        table = plain_table("setting", "is", "default", "range")
        for key, setting in one["settings"].items():
            table.add_row(key, setting["is"], _written(setting["default"]), setting["range"])
        more = [_effects(one["effects"])] if "effects" in one else []
        voice.show(Text(f"{one['name']}: {one['about']}"), table, *more)
        return
    voice.text(_as_file(one))


def _as_file(table: dict[str, Any]) -> str:
    """Write a device or a recipe as a file to copy; a recipe is called what its file is, whatever that will be."""
    lines = []
    for key, value in table.items():
        if key == "steps":
            lines += ["steps = [", *(f"  {_written(step)}," for step in value), "]"]
        elif not (key == "name" and "steps" in table):
            lines.append(f"{key} = {_written(value)}")
    return "\n".join(lines)


def _effects(effects: dict[str, dict[str, list[float]]]) -> Table:
    from kitfold.cli.show import plain_table

    table = plain_table("effect", "its settings")
    for name, ranges in effects.items():
        table.add_row(name, "\n".join(f"{key} {low:g} to {high:g}" for key, (low, high) in ranges.items()))
    return table


def _written(value: Any) -> str:
    """Write a value as TOML would have it."""
    from kitfold.starter.write import toml_text

    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_written(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_written(item) for item in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)
