"""What is there against what is listed: every file hashed, none missing, none too many, and SHA256SUMS agrees."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from kitfold.files.tree import Tree
from kitfold.pack.manifest import FileEntry
from kitfold.pack.verify.difference import Difference

__all__ = ["MANIFEST", "SUMS", "Hashed", "hashed", "listing_differences", "sums_differences"]

MANIFEST, SUMS = "manifest.json", "SHA256SUMS"


@dataclass(frozen=True)
class Hashed:
    """What a file's bytes came to.

    Parameters
    ----------
    sha256 : str, 64 hex digits
    crc : int, CRC-32
    bytes : int
    """

    sha256: str
    crc: int
    bytes: int


def hashed(tree: Tree, name: str) -> Hashed:
    """Read a file once, from beginning to end, a piece at a time."""
    sha256, crc, size = hashlib.sha256(), 0, 0
    for data in tree.chunks(name):
        sha256.update(data)
        crc = zlib.crc32(data, crc)
        size += len(data)
    return Hashed(sha256.hexdigest(), crc, size)


def listing_differences(
    listed: Iterable[FileEntry], others: Iterable[str], files: Mapping[str, Hashed], there: Iterable[str]
) -> list[Difference]:
    """Compare a list of files with the files.

    Parameters
    ----------
    listed : iterable of FileEntry
    others : iterable of str, files that belong there and that no list has
    files : mapping of Hashed, by name, every listed one that can be read
    there : iterable of str, every file that is there, readable or not
    """
    found, seen = [], set[str]()
    there = set(there)
    for entry in listed:
        if entry.file in seen:
            found.append(Difference(entry.file, "listed", "once", "twice"))
        seen.add(entry.file)
        found += _of_file(entry, files.get(entry.file), entry.file in there)
    found += [Difference(name, "file", "there", "missing") for name in sorted(set(others) - there)]
    found += [Difference(name, "file", "none: it is not listed", "there") for name in sorted(there - seen - {*others})]
    return found


def _of_file(entry: FileEntry, one: Hashed | None, there: bool) -> list[Difference]:
    if one is None:
        return [] if there else [Difference(entry.file, "file", "there", "missing")]
    found = []
    if one.bytes != entry.bytes:
        found.append(Difference(entry.file, "bytes", str(entry.bytes), str(one.bytes)))
    if one.sha256 != entry.sha256:
        found.append(Difference(entry.file, "SHA-256", entry.sha256, one.sha256))
    return found


def sums_differences(data: bytes, files: Mapping[str, Hashed]) -> list[Difference]:
    """Compare SHA256SUMS with every other file: GNU format, two spaces, sorted by name.

    Parameters
    ----------
    data : bytes of the file
    files : mapping of Hashed, by name
    """
    expected = {name: f"{one.sha256}  {name}" for name, one in sorted(files.items()) if name != SUMS}
    if data == "".join(f"{line}\n" for line in expected.values()).encode("utf-8", errors="surrogateescape"):
        return []
    lines = data.decode("utf-8", errors="surrogateescape").split("\n")
    named = {line[66:]: line for line in lines if line[64:66] == "  "}
    found = [
        Difference(SUMS, f"line of {name}", line[:64], named[name][:64] if name in named else "none")
        for name, line in expected.items()
        if named.get(name) != line
    ]
    found += [Difference(SUMS, f"line of {name}", "none", "there") for name in named if name not in expected]
    return found or [Difference(SUMS, "form", "one line a file, sorted by name", "another order, or other lines")]
