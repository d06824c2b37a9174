"""A cache on the disk: results by the name of what they were made from, each one file that proves itself.

joblib.Memory and diskcache were weighed first: both keep values as pickles, which run code when a shared or planted
folder is read, and neither notices a flipped bit. Neither gives memory-mapped samples, a bound in bytes and writes that
survive kill -9 together (joblib bounds only when asked, diskcache maps nothing), so this store is our own.

An entry is a file ``ab/abcdef….entry`` (see `entry`); what is damaged is deleted and made again. Nothing here is
needed: whatever the disk refuses, work goes on without a cache, and says so once.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from threading import Lock
from typing import Any

from kitfold.errors import PackError, PlanError
from kitfold.files.disk import PART
from kitfold.files.entry import Block, DamagedError, Entry, head_of, read_entry, write_entry
from kitfold.files.lock import held

__all__ = ["LIMIT_BYTES", "Store", "open_store"]

LIMIT_BYTES = 4 * 1024**3
"""How large the cache may grow; KITFOLD_CACHE_LIMIT_BYTES says otherwise, 0 keeps nothing."""

_KEPT = 0.9  # of the limit, once something has to go: else every entry written would look through the folder again
_LEFTOVER_S = 3600.0  # a file being written for so long has lost its writer
_ENTRY = re.compile(r"[0-9a-f]{64}\.entry")
_POLL_S = 0.05
_TAG = "Signature: 8a477f597d28d172789f06886806bc55\n# kitfold's cache: made again when it is gone.\n"
"""CACHEDIR.TAG (Cache Directory Tagging Specification, B. Ford): backups that know it pass the folder over."""


class Store:
    """Results on the disk by key; safe with other threads and processes that use the same folder.

    Parameters
    ----------
    folder : Path, made when something is first kept
    limit_bytes : int, >= 0
    fresh : bool, True: nothing is read, everything is kept anew
    say : called once with a sentence where the disk refuses
    """

    def __init__(
        self,
        folder: Path,
        limit_bytes: int = LIMIT_BYTES,
        fresh: bool = False,
        say: Callable[[str], None] = lambda _text: None,
    ) -> None:
        self.folder = folder
        self.limit_bytes = limit_bytes
        self.fresh = fresh
        self._say = say
        self._refused = limit_bytes == 0
        self._used_bytes: int | None = None
        self._lock = Lock()

    def path_of(self, key: str) -> Path:
        """Return where the entry of a key lies.

        Parameters
        ----------
        key : str, 64 hex digits (SHA-256)
        """
        return self.folder / key[:2] / f"{key}.entry"

    def get(self, key: str) -> Entry | None:
        """Return what was kept under a key, or None where there is nothing, or only something damaged."""
        if self.fresh:
            return None
        path = self.path_of(key)
        try:
            entry = read_entry(path, key)
            os.utime(path)  # used now: the least recently used goes first
        except FileNotFoundError:
            return None
        except DamagedError:
            self.drop(key)
            return None
        except OSError:
            return None
        return entry

    def put(self, key: str, value: Any, blocks: Sequence[Block] = ()) -> Sequence[Block]:
        """Keep a value and blocks of bytes under a key; where that cannot be, say so once and go on.

        Returns
        -------
        sequence of bytes or memoryview, the blocks; large ones lie on the disk from now on, where that took them
        """
        if self._refused:
            return blocks
        head, size = head_of(key, value, blocks)
        if size > self.limit_bytes:
            return blocks
        path = self.path_of(key)
        try:
            self._make_room(size)
            path.parent.mkdir(parents=True, exist_ok=True)
            return write_entry(path, head, blocks)
        except OSError as error:
            self._refuse(error)
            return blocks

    def drop(self, key: str) -> None:
        """Delete an entry, where it is there and can be deleted."""
        with suppress(OSError):
            self.path_of(key).unlink()

    @contextmanager
    def turn(self, name: str, wait: Callable[[], None]) -> Iterator[None]:
        """Be the only one who does what is called by a name; others wait. It ends with the process, however it dies.

        Parameters
        ----------
        name : str, 64 hex digits
        wait : called once, where another has it
        """
        target, told = self.folder / "turns" / name, False
        while True:
            with _turn(target) as mine:
                if mine:
                    yield
                    return
            if not told:
                wait()
                told = True
            time.sleep(_POLL_S)

    def _make_room(self, size: int) -> None:
        """Delete the least recently used entries where one more of `size` bytes would pass the limit."""
        with self._lock:
            if self._used_bytes is None:
                self._tag()
                self._used_bytes = self._tidied(size)
            elif self._used_bytes + size > self.limit_bytes:
                self._used_bytes = self._tidied(size)
            self._used_bytes += size

    def _tag(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        with suppress(FileExistsError), (self.folder / "CACHEDIR.TAG").open("x", encoding="utf-8") as file:
            file.write(_TAG)

    def _tidied(self, size: int) -> int:
        """Return the bytes in the folder after what is too much was deleted; other processes may delete as well."""
        found = sorted(self._files())
        used = sum(one_size for _, one_size, _ in found)
        goal = self.limit_bytes if used + size <= self.limit_bytes else int(_KEPT * self.limit_bytes)
        for _, one_size, path in found:
            if used + size <= goal:
                break
            with suppress(OSError):
                os.unlink(path)
            used -= one_size
        return max(0, used)

    def _files(self) -> Iterator[tuple[float, int, str]]:
        """Give (last used, bytes, path) of every entry, and delete what killed writers left."""
        for folder in _scanned(self.folder):
            if len(folder.name) != 2:
                continue
            for file in _scanned(Path(folder.path)):
                with suppress(OSError):
                    found = file.stat()
                    if _ENTRY.fullmatch(file.name):
                        yield found.st_mtime, found.st_size, file.path
                    elif file.name.endswith(f".{PART}") and found.st_mtime < time.time() - _LEFTOVER_S:
                        os.unlink(file.path)

    def _refuse(self, error: OSError) -> None:
        with self._lock:
            first, self._refused = not self._refused, True
        if first:
            reason = error.strerror or str(error)
            self._say(f"the cache in {self.folder} cannot be written ({reason}): going on without it")


def open_store(fresh: bool = False, say: Callable[[str], None] = lambda _text: None) -> Store:
    """Return the cache where the user wants it: KITFOLD_CACHE, else the platform's user cache folder.

    Parameters
    ----------
    fresh : bool, True: nothing is read, everything is kept anew
    say : called once with a sentence where the disk refuses

    Raises
    ------
    PlanError : where KITFOLD_CACHE_LIMIT_BYTES is no number of bytes
    """
    return Store(_cache_folder(), _limit_bytes(), fresh, say)


def _cache_folder() -> Path:
    given = os.environ.get("KITFOLD_CACHE")
    if given:
        return Path(given)
    import platformdirs

    return Path(platformdirs.user_cache_dir("kitfold"))


def _limit_bytes() -> int:
    given = os.environ.get("KITFOLD_CACHE_LIMIT_BYTES", "").strip()
    if not given:
        return LIMIT_BYTES
    if not re.fullmatch(r"[0-9]{1,18}", given):
        what = f"must be a whole number of bytes, 0 or more (got {given!r})"
        hint = f"write 2 GB as 2000000000; unset, it is {LIMIT_BYTES}"
        raise PlanError(what, where="KITFOLD_CACHE_LIMIT_BYTES", hint=hint)
    return int(given)


@contextmanager
def _turn(target: Path) -> Iterator[bool]:
    """Hold the lock of a turn; where the disk has no place for one, everybody has his turn at once."""
    with ExitStack() as stack:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            mine = stack.enter_context(held(target))
        except (OSError, PackError):
            mine = True
        yield mine


def _scanned(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return list(entries)
    except OSError:  # another process has just deleted it, or it is a file
        return []
