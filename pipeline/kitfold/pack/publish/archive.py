"""The zip, in the one form that a pack has: from the same files come the same bytes, on every machine and for ever.

Every file is stored as it is (audio gains little from compression, and no compressor's version can change a byte), with
its sizes in front of it, in the order of names; no folders, no comments, no extra fields, the earliest date that the
format knows, the same permissions. What reads a pack can make every header again from a file's name and bytes.

Source: PKWARE, ".ZIP File Format Specification" 6.3 (APPNOTE), 4.3.7 (local header), 4.3.12 (central directory header),
4.3.16 (end of central directory record), 4.4.2 (version made by, 3 is Unix), 4.4.4 (bit 11: the name is UTF-8).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from kitfold.errors import PackError
from kitfold.files import write_parts

__all__ = [
    "MOST_BYTES",
    "MOST_ENTRIES",
    "Entry",
    "archive_parts",
    "central_header",
    "end_record",
    "local_header",
    "same_archive",
    "write_archive",
]

MOST_BYTES = 0xFFFFFFFF
"""What the 32-bit fields can count; larger zips need an extension that not every program reads."""
MOST_ENTRIES = 0xFFFF

_VERSION_NEEDED = 20  # 2.0, as common programs write it
_VERSION_MADE_BY = 3 << 8 | _VERSION_NEEDED  # Unix
_UTF_8 = 1 << 11
_STORED = 0
_TIME, _DATE = 0, 1 << 5 | 1  # 1980-01-01 00:00:00
_MODE = 0o100644 << 16  # a plain file that its owner may write and everybody may read
_LOCAL, _CENTRAL, _END = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"

Read = Callable[[str], bytes]


@dataclass(frozen=True)
class Entry:
    """One file of a zip.

    Parameters
    ----------
    name : str, with forward slashes
    crc : int, CRC-32 of its bytes
    size : int, bytes
    offset : int, where its local header begins
    """

    name: str
    crc: int
    size: int
    offset: int


def local_header(name: str, crc: int, size: int) -> bytes:
    """Return what stands in front of a file's bytes."""
    return _LOCAL + struct.pack("<H", _VERSION_NEEDED) + _shared(name, crc, size) + _encoded(name)


def central_header(entry: Entry) -> bytes:
    """Return what the directory at the end says of a file."""
    made = struct.pack("<HH", _VERSION_MADE_BY, _VERSION_NEEDED)
    tail = struct.pack("<HHHII", 0, 0, 0, _MODE, entry.offset)  # comment, disk, internal attributes
    return _CENTRAL + made + _shared(entry.name, entry.crc, entry.size) + tail + _encoded(entry.name)


def end_record(count: int, directory_bytes: int, directory_offset: int) -> bytes:
    """Return the last 22 bytes: how many files there are and where the directory is."""
    return _END + struct.pack("<4HIIH", 0, 0, count, count, directory_bytes, directory_offset, 0)


def archive_parts(names: Iterable[str], read: Read) -> Iterator[bytes]:
    """Give the zip's bytes part after part; each file is read once, when its turn comes.

    Parameters
    ----------
    names : iterable of str, with forward slashes, in any order, none twice
    read : returns a file's bytes

    Raises
    ------
    PackError : where the zip would take 4 GiB or more, or hold more than 65 535 files
    ValueError : for a name that is there twice
    """
    ordered = sorted(names)
    if any(one == other for one, other in pairwise(ordered)):
        raise ValueError("a zip has each name once")
    _refuse_beyond(len(ordered), MOST_ENTRIES, "files")
    entries, offset = [], 0
    for name in ordered:
        data = read(name)
        _refuse_beyond(offset + len(data), MOST_BYTES, "bytes")
        entry = Entry(name, zlib.crc32(data), len(data), offset)
        head = local_header(name, entry.crc, entry.size)
        yield head
        yield data
        entries.append(entry)
        offset += len(head) + len(data)
    directory = b"".join(central_header(entry) for entry in entries)
    _refuse_beyond(offset + len(directory), MOST_BYTES, "bytes")
    yield directory
    yield end_record(len(entries), len(directory), offset)


def write_archive(path: Path, names: Iterable[str], read: Read) -> None:
    """Write a zip, whole or not at all: what was there before stays until the new one is complete.

    Raises
    ------
    PackError : where the disk is full, or refuses, or for what `archive_parts` refuses
    """
    write_parts(path, archive_parts(names, read))


def same_archive(path: Path, names: Iterable[str], read: Read) -> bool:
    """Say whether a file is exactly the zip that would be written.

    Raises
    ------
    PackError : where the file cannot be read, or for what `archive_parts` refuses
    """
    try:
        with Path(path).open("rb") as file:
            return all(file.read(len(part)) == part for part in archive_parts(names, read)) and not file.read(1)
    except OSError as error:
        raise PackError(f"cannot be read: {error.strerror or error}", where=str(path)) from error


def _shared(name: str, crc: int, size: int) -> bytes:
    """Return the fields that both headers of a file have, from the flags on."""
    flags = 0 if name.isascii() else _UTF_8
    return struct.pack("<4H3IHH", flags, _STORED, _TIME, _DATE, crc, size, size, len(_encoded(name)), 0)


def _encoded(name: str) -> bytes:
    return name.encode("utf-8")


def _refuse_beyond(found: int, most: int, what: str) -> None:
    if found >= most:
        size = f"{found / 2**30:.2f} GiB" if what == "bytes" else f"{found} {what}"
        limit = "4 GiB" if what == "bytes" else f"{most} {what}"
        raise PackError(
            f"would take {size}; a pack holds less than {limit}, so that everything can open it",
            hint="shorten sounds, set [publish] rate_hz = 44100, or make two kits of it",
        )
