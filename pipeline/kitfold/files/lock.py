"""Locks that end with the process that holds them, on every system, however it dies."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from kitfold.errors import PackError
from kitfold.files.disk import disk_errors

__all__ = ["held", "lock_path", "refuse_busy"]


def lock_path(target: Path) -> Path:
    """Name the lock file of a target: hidden, beside it."""
    return target.with_name(f".{target.name}.lock")


@contextmanager
def held(target: Path) -> Iterator[bool]:
    """Be the only one who writes a target, for the length of the block.

    Yields
    ------
    bool, False where a living process, or another block of this one, holds it already. On a file system without locks
    it is always True: there, two processes that write one target at once are on their own.

    Raises
    ------
    PackError : where the disk refuses
    """
    path = lock_path(target)
    with disk_errors(target):
        handle = _acquire(path)
    try:
        yield handle is not None
    finally:
        if handle is not None:
            _release(path, handle)


def refuse_busy(target: Path, mine: bool) -> None:
    """Refuse to write what another kitfold is writing.

    Raises
    ------
    PackError : where `mine` is False
    """
    if not mine:
        what = "is being written by another kitfold at this moment"
        raise PackError(what, where=str(target), hint="wait for it to end, or write elsewhere with --out")


def _acquire(path: Path) -> int | None:
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        if not _try_lock(handle):
            os.close(handle)
            return None
        if _is_still_there(path, handle):
            return handle
        os.close(handle)  # its last holder removed the file between our opening and locking it: try the next one


def _is_still_there(path: Path, handle: int) -> bool:
    try:
        return os.path.samestat(os.stat(path), os.fstat(handle))
    except FileNotFoundError:
        return False


def _try_lock(handle: int) -> bool:
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True


def _release(path: Path, handle: int) -> None:
    with suppress(OSError):  # Windows refuses while it is open
        path.unlink()
    os.close(handle)
    if sys.platform == "win32":
        with suppress(OSError):  # or while another process has opened it in between
            path.unlink()
