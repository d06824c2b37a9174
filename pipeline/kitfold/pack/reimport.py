"""A published pack back into a kit: unpacked safely, whole or not at all, ready to build the device edition again."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from kitfold.errors import KitfoldError, Mistake, PackError
from kitfold.files import fresh_folder
from kitfold.files.disk import disk_errors
from kitfold.pack.entry_parts import made_with
from kitfold.pack.publish.manifest import PackManifest
from kitfold.pack.verify.contents import Contents, opened
from kitfold.pack.verify.listing import MANIFEST, SUMS
from kitfold.plan.load import load_plan, sources_written

__all__ = ["OtherVersion", "Unpacked", "other_versions", "unpack_pack"]

_KIT = "kit.toml"
_MOST_NAMED = 10


@dataclass(frozen=True)
class OtherVersion:
    """A part of kitfold that is not the one that made the pack.

    Parameters
    ----------
    part : str, as the manifest names it
    made_with, here : str, versions
    """

    part: str
    made_with: str
    here: str


@dataclass(frozen=True)
class Unpacked:
    """A pack on disk.

    Parameters
    ----------
    folder : Path
    kit : Path, its kit.toml
    files : int
    manifest : PackManifest
    others : tuple of OtherVersion: where there are none, the device edition comes out bit for bit
    """

    folder: Path
    kit: Path
    files: int
    manifest: PackManifest
    others: tuple[OtherVersion, ...]


def unpack_pack(path: Path, out: Path) -> Unpacked:
    """Unpack a pack into a new folder, after every check that needs no listening.

    Parameters
    ----------
    path : Path, the zip
    out : Path, the folder that the pack's own folder NAME-VERSION goes into

    Raises
    ------
    PackError : for what is no pack, or differs from its manifest; where the folder is there, or the disk refuses
    PlanError : where its kit cannot be used
    """
    with opened(path) as contents:
        manifest = _checked(path, contents)
        target = out / contents.top
        if os.path.lexists(target):
            what = "is there already, and is kept"
            raise PackError(what, where=str(target), hint="move it away, or unpack elsewhere with --out")
        names = [entry.file for entry in manifest.files] + [MANIFEST, SUMS]
        with fresh_folder(target, marker=None) as new:
            for name in names:
                _write(contents, name, new / name)
            _refuse_kit(new, target, contents.tree.sizes)
    return Unpacked(target, target / _KIT, len(names), manifest, other_versions(manifest.made_with))


def other_versions(then: Mapping[str, str]) -> tuple[OtherVersion, ...]:
    """Say which parts are not those that a manifest names."""
    here = made_with()
    return tuple(
        OtherVersion(part, then.get(part, "not named"), here.get(part, "not used"))
        for part in sorted({*then, *here})
        if then.get(part) != here.get(part)
    )


def _checked(path: Path, contents: Contents) -> PackManifest:
    """Return the manifest of a pack with which nothing is wrong."""
    if contents.found:
        some = contents.found[:_MOST_NAMED]
        more = len(contents.found) - len(some)
        said = [Mistake(f"{path}:", str(one)) for one in some]
        last = "nothing was unpacked; download it again, or see `kitfold verify`"
        raise PackError([*said, Mistake(f"{path}", f"is not what it says{f', and {more} more' if more else ''}", last)])
    if contents.kind != "zip" or contents.pack is None:
        raise PackError("is no zip of a pack", where=str(path), hint="name a zip that `kitfold publish` wrote")
    return contents.pack


def _write(contents: Contents, name: str, path: Path) -> None:
    """Write one file, and make sure that it holds what was checked: the zip may have changed in between."""
    sha256 = hashlib.sha256()
    with disk_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            for data in contents.tree.chunks(name):
                sha256.update(data)
                file.write(data)
    if sha256.hexdigest() != contents.files[name].sha256:
        raise PackError("changed while it was read", where=contents.tree.where, hint="try again")


def _refuse_kit(new: Path, target: Path, files: Mapping[str, int]) -> None:
    """Refuse a kit that reads files other than the pack's own, or that does not load."""
    kit = new / _KIT
    foreign = [
        Mistake(where.replace(str(kit), str(target / _KIT)), f"names a file that is not in the pack ({source.name!r})")
        for where, source in sources_written(kit)
        if _within(source, new) not in files
    ]
    if foreign:
        raise PackError(foreign)
    try:
        plan = load_plan(kit)
    except KitfoldError as error:
        raise type(error)(
            Mistake(one.where.replace(str(new), str(target)), one.what, one.hint) for one in error.mistakes
        ) from None
    for name in (*plan.kit.device, *(sound.recipe or "" for sound in plan.sounds)):
        if name != Path(name).name and name:
            raise PackError(f"names a preset outside the pack ({name!r})", where=str(target / _KIT))


def _within(path: Path, folder: Path) -> str:
    """Return a path as the manifest writes it; one that leaves the folder, as nothing that the manifest has."""
    text = os.path.normpath(path)
    return Path(text).relative_to(folder).as_posix() if Path(text).is_relative_to(folder) else ""
