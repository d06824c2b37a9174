"""A folder of files that somebody else made: listed and read without trusting it, and without following a link."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from kitfold.errors import PackError

__all__ = ["CHUNK_BYTES", "MOST_FILES", "Flaw", "FolderTree", "Tree", "unreadable"]

CHUNK_BYTES = 1 << 20
"""What is read at once; memory stays near it, however large a file is."""
MOST_FILES = 65_535
"""What a zip without extensions can hold, and more than any pack does."""
_DEEPEST = 16


@dataclass(frozen=True)
class Flaw:
    """One thing about a file that a folder or an archive of ours never has.

    Parameters
    ----------
    file : str, relative to the top, forward slashes
    what : str, what it is about
    expected, found : str
    """

    file: str
    what: str
    expected: str
    found: str


class Tree(Protocol):
    """Files below one folder, or in an archive: what is common to both."""

    @property
    def where(self) -> str:
        """What a message calls it."""
        ...

    @property
    def sizes(self) -> Mapping[str, int]:
        """Every file that can be read and its size in bytes, by name relative to the top, forward slashes, sorted."""
        ...

    @property
    def flaws(self) -> tuple[Flaw, ...]:
        """What cannot be read, or should not be there."""
        ...

    def chunks(self, name: str) -> Iterator[bytes]:
        """Give a file's bytes, `CHUNK_BYTES` at a time."""
        ...


class FolderTree:
    """The files below a folder. A link is named as a flaw and never followed.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    PackError : where the folder cannot be read, or holds more files or deeper folders than any pack
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.where = str(folder)
        self._flaws: list[Flaw] = []
        found: dict[str, int] = {}
        try:
            for name, entry in self._walk(folder, "", 1):
                if len(found) + len(self._flaws) >= MOST_FILES:
                    raise PackError(f"holds more than {MOST_FILES} files, which no pack does", where=self.where)
                self._take(name, entry, found)
        except OSError as error:
            raise unreadable(self.where, error) from error
        self.sizes: dict[str, int] = dict(sorted(found.items()))

    @property
    def flaws(self) -> tuple[Flaw, ...]:
        """Links, and what is neither a file nor a folder."""
        return tuple(self._flaws)

    def chunks(self, name: str) -> Iterator[bytes]:
        """Give a file's bytes.

        Raises
        ------
        PackError : where it cannot be read
        """
        try:
            with (self._folder / name).open("rb") as file:
                while data := file.read(CHUNK_BYTES):
                    yield data
        except (OSError, ValueError) as error:
            raise unreadable(f"{self.where}: {name}", error) from error

    def _walk(self, folder: Path, above: str, depth: int) -> Iterator[tuple[str, os.DirEntry[str]]]:
        with os.scandir(folder) as entries:
            for entry in sorted(entries, key=lambda entry: entry.name):
                name = above + entry.name
                if not entry.is_dir(follow_symlinks=False):
                    yield name, entry
                elif depth == _DEEPEST:
                    raise PackError(f"has folders more than {_DEEPEST} deep, which no pack has", where=self.where)
                else:
                    yield from self._walk(Path(entry.path), f"{name}/", depth + 1)

    def _take(self, name: str, entry: os.DirEntry[str], found: dict[str, int]) -> None:
        about = entry.stat(follow_symlinks=False)
        if stat.S_ISREG(about.st_mode):
            found[name] = about.st_size
        else:
            kind = "a link" if stat.S_ISLNK(about.st_mode) else "a device, socket or pipe"
            self._flaws.append(Flaw(name, "kind", "a file", kind))


def unreadable(where: str, error: OSError | ValueError) -> PackError:
    """Return what to say of a file that the system does not let us read."""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return PackError("does not exist", where=where, hint="check the path")
    reason = (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
    return PackError(f"cannot be read: {reason}", where=where, hint="check its permissions")
