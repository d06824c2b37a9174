"""Has a file changed? Its stamp says so without reading it; where the stamp may lie, its hash does."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Seen", "all_still", "files_below", "saw", "still"]

_SURE_NS = 2_000_000_000
"""A file changed less than this before it was looked at may change again under the same stamp: FAT counts in 2 s."""


@dataclass(frozen=True)
class Seen:
    """A file as it was.

    Parameters
    ----------
    sha256 : str, 64 hex digits; empty where there was none that could be read
    stamp : tuple of int: bytes, time of change in ns, of its entry in ns, its number on the disk
    sure : bool, whether the same stamp means the same file
    """

    sha256: str
    stamp: tuple[int, ...] = ()
    sure: bool = False


def saw(path: Path, sha256: str | None = None) -> Seen:
    """Look at a file; its hash is made where it is not known. What is none, or cannot be read, is seen as nothing."""
    now_ns = time.time_ns()
    try:
        stamp = _stamp(path)
        return Seen(sha256 or _digest(path), stamp, now_ns - max(stamp[1:3]) > _SURE_NS)
    except (OSError, ValueError):  # ValueError: a name that no file can have
        return Seen("")


def still(path: Path, seen: Seen) -> Seen | None:
    """Return what was seen, with today's stamp, where the file is as it was; None where it is not."""
    with suppress(OSError):
        if seen.sure and _stamp(path) == seen.stamp:
            return seen
    now = saw(path)
    return now if now.sha256 == seen.sha256 else None


def files_below(folder: Path) -> list[str]:
    """List every file below a folder, relative to it and with slashes, in order; what is no folder has none."""
    found = []
    for place, _, names in os.walk(folder):
        beside = Path(place).relative_to(folder)
        found += [(beside / name).as_posix() for name in names]
    return sorted(found)


def all_still(folder: Path, seen: Mapping[str, Seen]) -> dict[str, Seen] | None:
    """Return what was seen of files, with today's stamps, where every one is as it was; else None."""
    found: dict[str, Seen] = {}
    for name, one in seen.items():
        now = still(folder / name, one)
        if now is None:
            return None
        found[name] = now
    return found


def _stamp(path: Path) -> tuple[int, ...]:
    found = os.stat(path)
    return (found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
