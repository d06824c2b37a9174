"""A recipe's list of steps, with a sound's own settings put over it, into settings that are complete."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitfold.errors import Mistake
from kitfold.plan.kit import SoundEntry
from kitfold.plan.mistakes import known_keys, nearest, shown, unknown_key
from kitfold.plan.settings import SETTINGS
from kitfold.plan.step_base import Context, StepSettings
from kitfold.plan.toml import model_from

__all__ = ["PlannedStep", "planned_steps"]


@dataclass(frozen=True)
class PlannedStep:
    """A step with everything that it needs.

    Parameters
    ----------
    step : str, the step's name
    label : str, what overrides call it: `as`, else its name
    settings : StepSettings, resolved
    needs : frozenset of str, which of ``key`` and ``tempo`` the kit must say for it
    """

    step: str
    label: str
    settings: StepSettings
    needs: frozenset[str] = frozenset()


def planned_steps(
    steps: Sequence[Mapping[str, Any]],
    overrides: Mapping[str, Any],
    context: Context,
    where: tuple[str, str],
    mistakes: list[Mistake],
) -> tuple[PlannedStep, ...]:
    """Put overrides over a list of steps and validate the result.

    Parameters
    ----------
    steps : list of tables, each with `step`, perhaps `as`, and settings
    overrides : table of tables, by step or by `as`
    context : Context, what defaults draw on
    where : two places to name in messages: of the list of steps, and of the sound that overrides
    mistakes : list that grows by everything that is wrong
    """
    in_list, in_sound = where
    tables = [dict(table) for table in steps]
    for key, values in overrides.items():
        _override(tables, key, values, in_sound, mistakes)
    planned = []
    for n, table in enumerate(tables, 1):
        # a mistake stands where the user wrote it: in the sound's own key, or in the list of steps
        own = any(table.get(key) in tuple(overrides) for key in ("as", "step"))
        place = f"{in_sound}.{_label(table)}" if own else f"{in_list}[{n}]"
        planned.append(_planned(table, place, context, mistakes))
    return tuple(step for step in planned if step is not None)


def _label(table: Mapping[str, Any]) -> str:
    label = table.get("as", table.get("step"))
    return label if isinstance(label, str) else ""


def _override(tables: list[dict[str, Any]], key: str, values: Any, where: str, mistakes: list[Mistake]) -> None:
    """Put one dotted key of a sound over the one step that it means."""
    meant = [table for table in tables if table.get("as") == key] or [t for t in tables if t.get("step") == key]
    place = f"{where}.{key}"
    if len(meant) == 1 and isinstance(values, Mapping):
        meant[0].update(values)
    elif len(meant) == 1:
        example = next(iter(SETTINGS[key].model_fields), "key") if key in SETTINGS else "key"
        mistakes.append(
            Mistake(place, f"must be a table of settings (got {shown(values)})", f"write {key}.{example} = ...")
        )
    elif len(meant) > 1:
        names = ", ".join(_label(table) for table in meant)
        mistakes.append(
            Mistake(place, f"could mean {len(meant)} steps of the recipe", f"name one by its `as`: {names}")
        )
    elif key in SETTINGS:
        labels = ", ".join(_label(table) for table in tables) or "none"
        mistakes.append(
            Mistake(place, f"overrides a step that the recipe does not have; it has {labels}", "take another recipe")
        )
    else:
        mistakes.append(unknown_key(place, key, (*known_keys(SoundEntry), *(_label(table) for table in tables))))


def _planned(table: dict[str, Any], where: str, context: Context, mistakes: list[Mistake]) -> PlannedStep | None:
    label = _label(table)
    name = table.get("step")
    if not isinstance(name, str) or name not in SETTINGS:
        close = nearest(name, SETTINGS) if isinstance(name, str) else ""
        hint = f"did you mean {close!r}?" if close else "`kitfold steps` lists them"
        found = "is missing" if name is None else f"must be one of {', '.join(SETTINGS)} (got {shown(name)})"
        mistakes.append(Mistake(f"{where}.step", found, hint))
        return None
    if not isinstance(table.get("as", ""), str):
        mistakes.append(Mistake(f"{where}.as", f"must be text in quotes (got {shown(table['as'])})"))
        return None
    given = {key: value for key, value in table.items() if key not in ("step", "as")}
    settings = model_from(SETTINGS[name], given, where, mistakes)
    try:
        return PlannedStep(name, label, settings.resolved(context), settings.needs) if settings is not None else None
    except ValueError as error:  # what only the kit's key, tempo or tuning shows
        mistakes.append(Mistake(where, str(error)))
        return None
