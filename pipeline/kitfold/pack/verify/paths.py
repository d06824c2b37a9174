"""Names of files: safe to unpack on every system, none outside its folder, no two that are one somewhere."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from kitfold.files import file_name_problem
from kitfold.pack.verify.difference import Difference

__all__ = ["path_differences", "path_problem"]

_LONGEST = 200  # of a path within the pack: Windows takes 260 characters with the folder that it is unpacked into


def path_problem(path: str) -> str:
    """Say why a path within a pack must not be unpacked; an empty string where it may.

    Parameters
    ----------
    path : str, relative, with forward slashes

    Returns
    -------
    str that continues a sentence about the path: FAT, exFAT, NTFS and APFS can hold it, and it stays in its folder
    """
    if path.startswith(("/", "\\")) or path[1:2] == ":":
        return "is absolute"
    parts = path.split("/")
    if ".." in parts:
        return "climbs out of its folder"
    if len(path) > _LONGEST:
        return f"is {len(path)} characters long; allowed are {_LONGEST}"
    if not unicodedata.is_normalized("NFC", path):
        return "is not in normal form C, so that some systems rename it"
    return next((f"has a part that {problem}" for part in parts if (problem := file_name_problem(part))), "")


def path_differences(paths: Iterable[str]) -> list[Difference]:
    """Find paths that must not be unpacked, and paths that are one where capitals don't count.

    Parameters
    ----------
    paths : iterable of str
    """
    found, seen = [], dict[str, str]()
    for path in sorted(set(paths)):
        if problem := path_problem(path):
            found.append(Difference(path, "name", "safe on every system", problem))
        for whole in _with_folders(path):
            same = seen.setdefault(_folded(whole.rstrip("/")), whole)
            if same != whole:
                found.append(Difference(path, "name", "one of its own on every system", f"the same as {same}"))
                break
    return found


def _with_folders(path: str) -> Iterable[str]:
    """Give every folder above a path, with a slash at its end, then the path: ``a/``, ``a/b/``, ``a/b/c``."""
    parts = path.split("/")
    return [*("/".join(parts[:n]) + "/" for n in range(1, len(parts))), path]


def _folded(path: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", path).casefold())
