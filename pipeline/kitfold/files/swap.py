"""Swap a folder in: build beside the old one, and leave the old or the new one whole, whenever the power goes.

No system replaces a folder that is not empty in one move, so the old one is moved aside, the new one in, and the old
one deleted. All are named after the target and one token, hidden beside it, and a lock says whether their maker lives:

    .NAME.TOKEN.new    being built; whole from the moment that a .old with its token exists
    .NAME.TOKEN.old    the earlier build, whole, moved aside
    .NAME.TOKEN.gone   the earlier build, being deleted
    .NAME.TOKEN.part   a file being written (see `write_bytes`)
    .NAME.lock         held by the process that builds

`recover` puts right what a killed process left: with a .old and no target, the swap is finished, or, without a .new,
undone; everything else of that name is removed.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from kitfold.errors import PackError
from kitfold.files.disk import GONE, NEW, OLD, disk_errors, fresh_name
from kitfold.files.lock import held, lock_path, refuse_busy

__all__ = ["fresh_folder", "recover"]

_TRIES, _WAIT_S = 5, 0.1  # Windows: virus scanners hold new files open for a moment
_SYNCING = 8  # files brought to the disk at once


@contextmanager
def fresh_folder(target: Path, marker: str | None = "manifest.json") -> Iterator[Path]:
    """Give an empty folder to build in, and put it in the target's place when the block ends well.

    Parameters
    ----------
    target : Path, where the build shall be; missing parents are made
    marker : str or None, a file that every build of ours has: a folder with files but without it is not replaced

    Yields
    ------
    Path of the new folder, beside the target, on the same disk

    Raises
    ------
    PackError : where the disk refuses, another process builds the same target, or the target is not ours to replace;
        on any error in the block, or here, the earlier build stays as it was, and the new one is deleted
    """
    target = Path(os.path.realpath(target))  # through links, so that the swap happens on the disk that holds the build
    with _parents(target), held(target) as mine:
        refuse_busy(target, mine)
        _recover(target)
        _refuse_foreign(target, marker)
        new = fresh_name(target, NEW)
        try:
            with disk_errors(target):
                new.mkdir()
            yield new
            with disk_errors(target):
                _bring_to_disk(new)
                _swap(new, target)
        except BaseException:
            shutil.rmtree(new, ignore_errors=True)
            raise


def recover(target: Path) -> str | None:
    """Put right what a killed build left beside its target: call it before anything else that writes there.

    Parameters
    ----------
    target : Path, a build folder, or a file that `write_bytes` writes

    Returns
    -------
    str or None : a sentence for the user, where there was something to put right; a living process is left alone

    Raises
    ------
    PackError : where the disk refuses
    """
    target = Path(os.path.realpath(target))
    if not any(_leftovers(target)) and not lock_path(target).exists():
        return None
    with held(target) as mine:
        return _recover(target) if mine else None


@contextmanager
def _parents(target: Path) -> Iterator[None]:
    """Make the folders above a target; on an error, remove those again that were made and are empty."""
    missing = [parent for parent in target.parents if not parent.exists()]
    try:
        with disk_errors(target):
            target.parent.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        for parent in missing:
            with suppress(OSError):
                parent.rmdir()
        raise


def _leftovers(target: Path) -> list[tuple[str, str, Path]]:
    """List (token, ending, path) of everything that a build of this target made up a name for."""
    pattern = re.compile(rf"\.{re.escape(target.name)}\.([0-9a-f]{{8}})\.(new|old|gone|part)")
    try:
        names = sorted(os.listdir(target.parent))
    except OSError:
        return []
    matches = [match for name in names if (match := pattern.fullmatch(name))]
    return [(match[1], match[2], target.with_name(match[0])) for match in matches]


def _recover(target: Path) -> str | None:
    found = _leftovers(target)
    said = f"{target}: removed what an interrupted build had left behind; nothing else was touched" if found else None
    with disk_errors(target):
        for token, ending, path in found:
            if ending == OLD and not os.path.lexists(target):
                said = _finish(path, target.with_name(f".{target.name}.{token}.{NEW}"), target)
        for _, ending, path in _leftovers(target):
            _delete(path, target, whole=ending == OLD)
    return said


def _finish(old: Path, new: Path, target: Path) -> str:
    if new.is_dir():
        os.rename(new, target)
        return f"{target}: the last build was interrupted while it was put in place; it was whole, and is in place now"
    os.rename(old, target)
    return f"{target}: a build was interrupted; the earlier one was put back"


def _refuse_foreign(target: Path, marker: str | None) -> None:
    if not os.path.lexists(target):
        return
    if not target.is_dir():
        raise PackError(
            "is a file, not a folder", where=str(target), hint="move it away, or build elsewhere with --out"
        )
    if marker and any(target.iterdir()) and not (target / marker).exists():
        what = f"holds files that are not a build of kitfold's (there is no {marker}), and would be replaced"
        raise PackError(what, where=str(target), hint="move them away, or build elsewhere with --out")


def _bring_to_disk(folder: Path) -> None:
    """Make sure that every file is on the disk before a name points to it: a power cut must not leave empty files."""
    from concurrent.futures import ThreadPoolExecutor

    found = [(Path(place), names) for place, _, names in os.walk(folder)]
    with ThreadPoolExecutor(_SYNCING) as pool:  # a disk brings many files home in one go, if it is asked at once
        for _ in pool.map(_sync_file, (place / name for place, names in found for name in names)):
            pass
    for place, _ in found:
        _sync_folder(place)


def _sync_file(path: Path) -> None:
    with path.open("rb+" if os.name == "nt" else "rb") as file:  # Windows flushes writers only
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Bring a folder's names to the disk where the system can: Windows cannot, nor can some network disks."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _swap(new: Path, target: Path) -> None:
    old = new.with_suffix(f".{OLD}")
    try:
        if target.exists():
            _rename(target, old)
        _rename(new, target)
    except BaseException:
        if old.exists() and not target.exists():
            os.rename(old, target)
        raise
    _sync_folder(target.parent)
    if old.exists():
        _delete(old, target, whole=True)


def _rename(source: Path, goal: Path) -> None:
    for attempt in range(_TRIES):
        try:
            os.rename(source, goal)
            return
        except PermissionError:
            if os.name != "nt" or attempt == _TRIES - 1:
                raise
            time.sleep(_WAIT_S)


def _delete(path: Path, target: Path, whole: bool) -> None:
    """Delete a leftover; a whole build is renamed first, so that half of one is never taken for it.

    What cannot be deleted now (a file in use) is tried again by the next `recover`: the build itself is in place.
    """
    with suppress(OSError):
        if whole:
            gone = fresh_name(target, GONE)
            os.rename(path, gone)
            path = gone
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()
