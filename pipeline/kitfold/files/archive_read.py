"""Read a zip archive that somebody else made, without trusting a byte of it; nothing is ever decompressed.

A pack's entries are all stored, so that an entry is as large in memory as it is in the file: no archive can blow up.
The central directory says what there is; where it is broken, the headers in front of the entries are walked instead, so
that what else differs can still be told.

Source: PKWARE, ".ZIP File Format Specification" (APPNOTE.TXT) 6.3.10, 4.3.7 (local header), 4.3.12 (central directory),
4.3.16 (end record), 4.4.4 (flags: bit 0 encrypted, bit 11 UTF-8), from memory.
"""

from __future__ import annotations

import os
import struct
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Self

from kitfold.errors import PackError
from kitfold.files.tree import CHUNK_BYTES, MOST_FILES, Flaw, unreadable

__all__ = ["MOST_DIRECTORY_BYTES", "Archive", "Member"]

MOST_DIRECTORY_BYTES = 1 << 26
"""What a central directory may take: a thousand bytes for each of the most entries that there can be."""
_LOCAL = struct.Struct("<4s5H3L2H")
_CENTRAL = struct.Struct("<4s6H3L5H2L")
_END = struct.Struct("<4s4H2LH")
_LOCAL_MARK, _CENTRAL_MARK, _END_MARK = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
_LONGEST_COMMENT = 0xFFFF
_ENCRYPTED, _UTF_8 = 1, 1 << 11


@dataclass(frozen=True)
class Member:
    """One entry as the archive lists it, nothing of it believed yet.

    Parameters
    ----------
    name : str
    crc : int
    stored, size : int, bytes in the archive, and after decompression
    offset : int, of the header in front of its bytes
    flags, method : int
    start : int, of its bytes
    """

    name: str
    crc: int
    stored: int
    size: int
    offset: int
    flags: int
    method: int
    start: int

    @property
    def obstacle(self) -> str:
        """Why its bytes cannot be read; an empty string where they can."""
        if self.flags & _ENCRYPTED:
            return "encrypted"
        if self.method:
            return f"compressed (method {self.method})"
        return "" if self.stored == self.size else f"{self.stored} bytes stored for {self.size}"


class Archive:
    """A zip archive, open for reading.

    Parameters
    ----------
    path : Path

    Raises
    ------
    PackError : for what cannot be read, is no zip archive, or lists more than any pack
    """

    def __init__(self, path: Path) -> None:
        self.where = str(path)
        self._flaws: list[Flaw] = []
        self._turn = threading.Lock()  # sounds are measured in threads, and a file has one place
        try:
            self._file: BinaryIO = path.open("rb")
        except (OSError, ValueError) as error:
            raise unreadable(self.where, error) from error
        try:
            self.bytes = os.fstat(self._file.fileno()).st_size
            self.members = self._members()
        except BaseException as error:
            self._file.close()
            if isinstance(error, OSError):
                raise unreadable(self.where, error) from error
            raise
        readable = {member.name: member for member in self.members if not member.obstacle}
        self._by_name = dict(sorted(readable.items()))
        self.sizes: dict[str, int] = {name: member.size for name, member in self._by_name.items()}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def flaws(self) -> tuple[Flaw, ...]:
        """Entries that cannot be read: compressed, encrypted, or outside the file."""
        return tuple(self._flaws)

    @property
    def claimed_bytes(self) -> int:
        """What all entries say that they take together: more than the file has, where they overlap."""
        return sum(member.stored for member in self.members)

    def member(self, name: str) -> Member:
        """Return the entry of a name; the last one, where there are several."""
        return self._by_name[name]

    def part(self, start: int, size: int) -> bytes:
        """Return some of the archive's own bytes, fewer where it ends."""
        try:
            with self._turn:
                self._file.seek(start)
                return self._file.read(size)
        except OSError as error:
            raise unreadable(self.where, error) from error

    def chunks(self, name: str) -> Iterator[bytes]:
        """Give an entry's bytes, fewer than it promises where the file ends."""
        member = self._by_name[name]
        place, end = member.start, min(member.start + member.size, self.bytes)
        while place < end:
            data = self.part(place, min(CHUNK_BYTES, end - place))
            if not data:
                return
            yield data
            place += len(data)

    def _members(self) -> tuple[Member, ...]:
        listed = list(self._listed()) or list(self._walked())
        if not listed:
            raise PackError("is no zip archive, or its directory is lost", where=self.where, hint="download it again")
        if len(listed) > MOST_FILES:
            raise PackError(f"lists more than {MOST_FILES} entries, which no pack has", where=self.where)
        for member in listed:
            outside = member.start + member.stored > self.bytes
            obstacle = member.obstacle or ("reaches beyond the end of the file" if outside else "")
            if obstacle:
                self._flaws.append(Flaw(member.name, "entry", "stored as it is", obstacle))
        return tuple(listed)

    def _listed(self) -> Iterator[Member]:
        """Give the entries of the central directory; nothing where it is not where the end record says."""
        tail_start = max(0, self.bytes - _END.size - _LONGEST_COMMENT)
        tail = self.part(tail_start, self.bytes - tail_start)
        place = tail.rfind(_END_MARK)
        if place < 0 or len(tail) - place < _END.size:
            return
        _, _, _, _, _, size, start, _ = _END.unpack_from(tail, place)
        if size > MOST_DIRECTORY_BYTES:
            return
        directory, at = self.part(start, size), 0
        found: list[Member] = []
        while at + _CENTRAL.size <= len(directory):
            fields = _CENTRAL.unpack_from(directory, at)
            if fields[0] != _CENTRAL_MARK or len(found) > MOST_FILES:
                return
            name_bytes, more = fields[10], fields[11] + fields[12]
            at += _CENTRAL.size
            found.append(self._listed_member(fields, directory[at : at + name_bytes]))
            at += name_bytes + more
        if at == len(directory) == size:
            yield from found

    def _listed_member(self, fields: tuple[int, ...], name: bytes) -> Member:
        flags, method, crc, stored, size, offset = fields[3], fields[4], *fields[7:10], fields[16]
        start = offset + _LOCAL.size + len(name)
        head = self.part(offset, start - offset)
        if head[:4] == _LOCAL_MARK and len(head) == start - offset and head[_LOCAL.size :] == name:
            start += int(_LOCAL.unpack_from(head)[10])  # what writers other than ours put between name and bytes
        return Member(_text(name, flags), crc, stored, size, offset, flags, method, start)

    def _walked(self) -> Iterator[Member]:
        """Give the entries in the order of their bytes, as the headers in front of them say."""
        offset, count = 0, 0
        while count <= MOST_FILES:
            head = self.part(offset, _LOCAL.size)
            if len(head) < _LOCAL.size or head[:4] != _LOCAL_MARK:
                return
            _, _, flags, method, _, _, crc, stored, size, name_bytes, extra = _LOCAL.unpack(head)
            name = self.part(offset + _LOCAL.size, name_bytes)
            start = offset + _LOCAL.size + name_bytes + extra
            yield Member(_text(name, flags), crc, stored, size, offset, flags, method, start)
            offset, count = start + stored, count + 1


def _text(name: bytes, flags: int) -> str:
    """Return a name as text; bytes that are none stay visible, and no file name may have them."""
    encoding = "utf-8" if flags & _UTF_8 else "cp437"
    return name.decode(encoding, errors="surrogateescape")
