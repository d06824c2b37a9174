"""What lies in a build folder and is not of the build: a user's own files, which stay when the build is replaced."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from kitfold.errors import Mistake, PackError
from kitfold.files.disk import disk_errors
from kitfold.files.stamps import files_below

__all__ = ["bring_along", "own_files", "strangers"]

_DEBRIS = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""What file managers leave in a folder that was looked at."""


def own_files(manifest: Mapping[str, Any]) -> set[str]:
    """Return the names of all files of a build.

    Raises
    ------
    KeyError, TypeError : for what is no manifest
    """
    return {"manifest.json", *(one["file"] for one in (*manifest["slots"], *manifest["files"]))}


def strangers(folder: Path) -> list[str]:
    """List the files of an earlier build's folder that its manifest does not name, relative to it and with slashes.

    Parameters
    ----------
    folder : Path; where there is no build, or its manifest cannot be read, nothing can be told apart: an empty list
    """
    try:
        own = own_files(json.loads((folder / "manifest.json").read_bytes()))
    except (OSError, ValueError, KeyError, TypeError):
        return []
    return [name for name in files_below(folder) if name not in own and name.rpartition("/")[2] not in _DEBRIS]


def bring_along(old: Path, new: Path) -> tuple[str, ...]:
    """Copy what is a user's own from an earlier build into the one that will replace it, and return the names.

    Raises
    ------
    PackError : where the new build has files of these names, all of them in one, or the disk refuses
    """
    names = strangers(old)
    what = "is not of the earlier build, and the new one has a file of that name"
    if taken := [Mistake(str(old / name), what, "move it away") for name in names if (new / name).exists()]:
        raise PackError(taken)
    for name in names:
        goal = new / name
        with disk_errors(goal):
            goal.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(old / name, goal, follow_symlinks=False)
    return tuple(names)
