"""The zip's own bytes against the one form that a pack has: every header is made again and compared, nothing skipped.

What a pack's zip holds follows from its files alone (`kitfold.pack.publish.archive`). So the whole of it is known from
names, sizes and checksums: the bytes of the files are hashed, all others are compared here, and none is left.
"""

from __future__ import annotations

from itertools import pairwise

from kitfold.files.archive_read import Archive, Member
from kitfold.pack.publish.archive import MOST_BYTES, Entry, central_header, end_record, local_header
from kitfold.pack.verify.difference import Difference

__all__ = ["crc_difference", "layout_differences"]

_ZIP = "zip"


def layout_differences(archive: Archive) -> list[Difference]:
    """Compare everything between the files' bytes: headers, order, directory, end record.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of Difference, one a header that differs
    """
    found = _of_names(archive)
    if archive.bytes >= MOST_BYTES:
        found.append(Difference(_ZIP, "size", "less than 4 GiB", f"{archive.bytes} bytes"))
    if archive.claimed_bytes > archive.bytes:
        sizes = f"entries of {archive.claimed_bytes} bytes in a file of {archive.bytes}"
        return [*found, Difference(_ZIP, "entries", "one after the other", f"{sizes}: they overlap or are cut off")]
    entries, place = [], 0
    for member in archive.members:
        head = local_header(_plain(member.name), member.crc, member.size)
        found += _compared(archive, place, head, f"header before {member.name}")
        if member.offset != place:
            what = f"place of {member.name}"
            found.append(Difference(_ZIP, what, f"byte {place}", f"byte {member.offset}, by the directory"))
        entries.append(Entry(_plain(member.name), member.crc, member.size, place))
        place += len(head) + member.size
    return found + _of_directory(archive, entries, place)


def _of_names(archive: Archive) -> list[Difference]:
    names = [member.name for member in archive.members]
    found = [
        Difference(_ZIP, "order of entries", f"{other} before {one}", f"{one} before {other}")
        for one, other in pairwise(names)
        if one > other
    ]
    seen: set[str] = set()
    for name in names:
        if name in seen:
            found.append(Difference(name, "entries of that name", "1", "more"))
        seen.add(name)
    return found


def _of_directory(archive: Archive, entries: list[Entry], start: int) -> list[Difference]:
    found, place = [], start
    for entry in entries:
        head = central_header(entry) if entry.offset < MOST_BYTES else b""
        found += _compared(archive, place, head, f"directory's line for {entry.name}")
        place += len(head)
    if len(entries) < 0xFFFF and place < MOST_BYTES:
        end = end_record(len(entries), place - start, start)
        found += _compared(archive, place, end, "end record")
        place += len(end)
    if archive.bytes != place:
        found.append(Difference(_ZIP, "size", f"{place} bytes", f"{archive.bytes} bytes"))
    return found


def _compared(archive: Archive, place: int, expected: bytes, what: str) -> list[Difference]:
    """Compare some bytes of the archive, and show the first that differs with its neighbours."""
    found = archive.part(place, len(expected))
    if found == expected:
        return []
    pairs = zip(expected, found, strict=False)
    first = next((n for n, (one, other) in enumerate(pairs) if one != other), len(found))
    show = slice(first, first + 8)
    return [
        Difference(
            _ZIP,
            f"{what}, byte {place + first}",
            expected[show].hex(" "),
            found[show].hex(" ") or "the end of the file",
        )
    ]


def _plain(name: str) -> str:
    """Return a name that has bytes: what is no text cannot be in the one form, and compares as different."""
    return name.encode("utf-8", errors="replace").decode("utf-8")


def crc_difference(member: Member, crc: int) -> list[Difference]:
    """Compare what a file's bytes sum up to with what the archive says."""
    if crc == member.crc:
        return []
    return [Difference(member.name, "CRC-32", f"{member.crc:08x}", f"{crc:08x}")]
