"""Write a pack: a new one, or the same one again; a published version never changes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from kitfold.errors import PackError
from kitfold.pack.publish.archive import same_archive, write_archive
from kitfold.pack.publish.contents import Pack
from kitfold.pack.publish.names import pack_path
from kitfold.plan.plan import Plan

__all__ = ["Published", "write_pack"]


@dataclass(frozen=True)
class Published:
    """A pack on disk.

    Parameters
    ----------
    path : Path, the zip
    size_bytes : int
    unchanged : bool, True where exactly these bytes were there already
    """

    path: Path
    size_bytes: int
    unchanged: bool


def write_pack(plan: Plan, pack: Pack, out: Path) -> Published:
    """Write a pack as one zip, whole or not at all.

    Raises
    ------
    PackError : where this version is published already with other bytes; where the disk is full, or refuses
    """
    path = pack_path(out, plan)
    there = path.exists()
    if there and not same_archive(path, pack.names, pack.read):
        what = f"is published already, and this kit would give other bytes under the same version {plan.kit.version}"
        hint = f"raise [kit] version in {plan.path}: nobody shall have two packs of one name; or take another --out"
        raise PackError(what, where=str(path), hint=hint)
    if not there:
        write_archive(path, pack.names, pack.read)
    return Published(path, path.stat().st_size, there)
