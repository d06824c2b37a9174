"""Where devices and recipes are found: the presets that ship with the package, and files beside the kit."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, TypeVar

from kitfold.errors import Mistake, PlanError
from kitfold.plan.device import Device
from kitfold.plan.kit import Recipe
from kitfold.plan.mistakes import nearest
from kitfold.plan.model import Model
from kitfold.plan.toml import model_from, read_toml, shown_path

__all__ = ["Kind", "load_device", "load_recipe", "preset_names", "preset_path"]

Kind = Literal["devices", "recipes"]
AnyModel = TypeVar("AnyModel", bound=Model)


def _presets() -> Path:
    """Return the folder of presets: inside an installed package, or at the top of a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "presets"
    return inside if inside.is_dir() else package.parents[1] / "presets"


def preset_names(kind: Kind) -> tuple[str, ...]:
    """List the presets that ship with kitfold, by name."""
    return tuple(sorted(path.stem for path in (_presets() / kind).glob("*.toml")))


def preset_path(kind: Kind, name: str, beside: Path | None = None) -> Path:
    """Find a preset: a file beside the kit wins over one that ships.

    Parameters
    ----------
    kind : ``"devices"`` or ``"recipes"``
    name : str, a preset's name, or a file beside the kit with or without ``.toml``
    beside : Path, the kit's folder

    Raises
    ------
    PlanError : where there is none; names those there are
    """
    bare = name.removesuffix(".toml")
    if beside is not None:
        own = beside / f"{bare}.toml"
        if _is_file(own):
            return own
    shipped = _presets() / kind / f"{bare}.toml"
    if bare == Path(bare).name and _is_file(shipped):
        return shipped
    names = preset_names(kind)
    close = nearest(bare, names)
    raise PlanError(
        f"names no known {kind[:-1]} (got {name!r}); known: {', '.join(names)}, or a file beside the kit",
        hint=f"did you mean {close!r}?" if close else f"`kitfold {kind}` lists them",
    )


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name that no file can have, for instance one that is too long
        return False


def load_device(name: str, beside: Path | None = None) -> Device:
    """Load a device by name, or from a file beside the kit.

    Raises
    ------
    PlanError : where there is none, or its file has mistakes
    """
    return _loaded(Device, preset_path("devices", name, beside))


def load_recipe(name: str, beside: Path | None = None) -> Recipe:
    """Load a recipe by name, or from a file beside the kit.

    Raises
    ------
    PlanError : where there is none, its file has mistakes, or it calls itself other than its file
    """
    path = preset_path("recipes", name, beside)
    recipe = _loaded(Recipe, path)
    if recipe.name not in (None, path.stem):
        what = f"must be {path.stem!r}, like its file (got {recipe.name!r})"
        raise PlanError(what, where=f"{shown_path(path)}: name", hint="leave it out, or rename one")
    return recipe


def _loaded(model: type[AnyModel], path: Path) -> AnyModel:
    mistakes: list[Mistake] = []
    loaded = model_from(model, read_toml(path), f"{shown_path(path)}:", mistakes)
    if loaded is None:
        raise PlanError(mistakes)
    return loaded
