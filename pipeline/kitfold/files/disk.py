"""What the disk refuses, said in our words, and names for what is still being made."""

from __future__ import annotations

import errno
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from kitfold.errors import PackError

__all__ = ["GONE", "NEW", "OLD", "PART", "disk_errors", "fresh_name"]

NEW, OLD, GONE, PART = "new", "old", "gone", "part"
"""Endings of what is being made, set aside and deleted (folders), and of a file being written; beside their target."""

_FRESH = re.compile(rf"^\.(.+)\.[0-9a-f]{{8}}\.{NEW}$")
_HINT_SPACE = "free some space, or write elsewhere with --out"
_HINT_RIGHTS = "check the permissions of the folder, or write elsewhere with --out"
_REASONS = {
    errno.ENOSPC: ("the disk is full", _HINT_SPACE),
    errno.EDQUOT: ("your share of the disk is used up", _HINT_SPACE),
    errno.EFBIG: ("the file is larger than this disk or account allows", _HINT_SPACE),
    errno.EACCES: ("permission denied", _HINT_RIGHTS),
    errno.EPERM: ("permission denied", _HINT_RIGHTS),
    errno.EROFS: ("the disk is read-only", _HINT_RIGHTS),
    errno.ENOTDIR: ("a part of its path is a file, not a folder", "choose another place with --out"),
    errno.EEXIST: ("a part of its path is a file, not a folder", "choose another place with --out"),
    errno.EISDIR: ("a folder has that name", "move the folder away, or write elsewhere with --out"),
    errno.ENAMETOOLONG: ("its path is too long", "choose a shorter name or folder"),
}


@contextmanager
def disk_errors(path: Path) -> Iterator[None]:
    """Turn what the disk refuses within the block into a PackError about a path."""
    try:
        yield
    except OSError as error:
        reason, hint = _REASONS.get(error.errno or 0, (error.strerror or str(error), ""))
        raise PackError(f"cannot be written: {reason}", where=str(_in_place(path)), hint=hint) from error


def _in_place(path: Path) -> Path:
    """Return the path that a file of a fresh folder will have once the folder is swapped in: the one the user knows."""
    return Path(*(_FRESH.sub(r"\1", part) for part in path.parts))


def fresh_name(target: Path, ending: str) -> Path:
    """Make up a hidden name beside a target, that nothing has yet: ``.NAME.1f2e3d4c.ENDING``."""
    return target.with_name(f".{target.name}.{secrets.token_hex(4)}.{ending}")
