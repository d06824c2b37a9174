"""What the author wrote, for reading: the kit as it was, and every recipe and device that it used."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from kitfold.errors import PackError
from kitfold.plan.plan import Plan
from kitfold.plan.presets import Kind, preset_path
from kitfold.plan.toml import shown_path

__all__ = ["original_files"]


def original_files(plan: Plan, devices: Sequence[str]) -> dict[str, bytes]:
    """Return the author's files by their name in the pack.

    Parameters
    ----------
    plan : Plan
    devices : the devices as the kit, or the command line, names them

    Raises
    ------
    PackError : where one can no longer be read
    """
    recipes = [sound.recipe for sound in plan.sounds if sound.recipe is not None]
    return {
        "original/kit.toml": _read(plan.path),
        **_presets("recipes", recipes, plan),
        **_presets("devices", devices, plan),
    }


def _presets(kind: Kind, names: Sequence[str], plan: Plan) -> dict[str, bytes]:
    """Return files by name; two different ones of one name are told apart by a number."""
    found: dict[str, bytes] = {}
    for path in dict.fromkeys(preset_path(kind, name, plan.path.parent) for name in names):
        data, name, number = _read(path), f"original/{kind}/{path.name}", 2
        while found.get(name, data) != data:
            name, number = f"original/{kind}/{path.stem}-{number}.toml", number + 1
        found[name] = data
    return found


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        what = f"cannot be read any more: {error.strerror or error}"
        raise PackError(what, where=shown_path(path), hint="publish again when it is back") from error
