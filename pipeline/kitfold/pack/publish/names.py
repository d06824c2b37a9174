"""What the files of a pack are called: names that say what is inside and work on every system."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path, PureWindowsPath

from kitfold.errors import Mistake, PackError, PlanError
from kitfold.files import file_name_problem
from kitfold.plan.plan import Plan
from kitfold.plan.toml import shown_path

__all__ = [
    "device_folder",
    "full_file",
    "pack_path",
    "preview_file",
    "refuse_absolute",
    "refuse_bad_names",
    "top_folder",
]


def top_folder(plan: Plan) -> str:
    """Return the one folder that a pack unpacks into."""
    return f"{plan.kit.name}-{plan.kit.version}"


def pack_path(out: Path, plan: Plan) -> Path:
    """Return where a kit's pack goes."""
    return out / f"{top_folder(plan)}.zip"


def full_file(plan: Plan, name: str, note: str | None) -> str:
    """Name a sound of the full edition: its root and the kit's tempo stand in it, as far as there are any.

    Parameters
    ----------
    plan : Plan
    name : str, the sound
    note : str or None, as the kit names notes; a sharp is written s, which every file system can hold
    """
    tempo = [f"{plan.kit.tempo:g}bpm"] if "tempo" in plan.kit.model_fields_set else []
    return f"full/{'_'.join([name, (note or 'none').replace('#', 's'), *tempo])}.wav"


def preview_file(name: str) -> str:
    """Name the preview of a sound, or of the whole kit."""
    return f"preview/{name}.mp3"


def device_folder(device: str) -> str:
    """Name the folder of a device edition."""
    return f"device/{device}"


def refuse_absolute(plan: Plan) -> None:
    """Refuse a kit that says where on this machine its files are: the kit is published as it is.

    Raises
    ------
    PlanError : with every absolute path
    """
    named = [(f"sound[{one.place}] ({one.name}).source", one.source_text) for one in plan.sounds]
    named += [(f"sound[{one.place}] ({one.name}).recipe", one.recipe or "") for one in plan.sounds]
    named += [("kit.device", device) for device in plan.kit.device]
    mistakes = [
        Mistake(
            f"{shown_path(plan.path)}: {where}",
            f"is a path of this machine, and would be published with the kit (got {text!r})",
            "put the file beside the kit, and name it from there",
        )
        for where, text in named
        if text.startswith("/") or PureWindowsPath(text).anchor
    ]
    if mistakes:
        raise PlanError(mistakes)


def refuse_bad_names(names: Iterable[str], top: str) -> None:
    """Refuse names that some file system could not hold, and two that are one where capitals don't count.

    Raises
    ------
    PackError : saying which and why
    """
    listed = [f"{top}/{name}" for name in names]
    for name in listed:
        for part in name.split("/"):
            if problem := file_name_problem(part):
                raise PackError(f"cannot be unpacked everywhere: {part!r} {problem}", where=name)
    twice = [name for name, count in Counter(name.lower() for name in listed).items() if count > 1]
    if twice:
        raise PackError("would be two files of one name", where=twice[0], hint="rename a sound, a device or a recipe")
