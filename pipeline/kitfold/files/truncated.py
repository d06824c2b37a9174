"""Find sound files that were cut short: libsndfile reads what is left of them without a word.

Formats that hold their sound in a chunk or behind a header with its length are judged by that length: WAV (RIFF, RIFX,
RF64), AIFF, Wave64, AU. The last page of an Ogg file must be whole and say that it is the last (RFC 3533, section 6).
The others either fail to open or come out shorter than they promised, which `read_sound` sees.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

__all__ = ["missing_sound"]

_SOUND_IDS = (b"data", b"SSND", b"BODY")
_OGG_PAGE_BYTES = 65_307  # the most that a page can take, its header of 27 bytes and 255 lengths included
_UNKNOWN = 0x7FFF0000  # 32-bit sizes from here up mean "until the end": what writers to a pipe put there


@dataclass(frozen=True)
class _Layout:
    """How a format lays its chunks out: where they start, how their heads read, what their sizes count."""

    start: int
    head: str
    counts_head: bool = False
    align: int = 2


_LAYOUTS = {
    b"RIFF": _Layout(12, "<4sI"),
    b"RIFX": _Layout(12, ">4sI"),
    b"RF64": _Layout(12, "<4sI"),
    b"FORM": _Layout(12, ">4sI"),
    b"riff": _Layout(40, "<16sQ", counts_head=True, align=8),
}


def missing_sound(path: Path) -> str:
    """Say what a file promises and does not hold, as the end of a sentence; an empty string where nothing is missing.

    Raises
    ------
    OSError : where the file cannot be opened
    """
    with path.open("rb") as file:
        file_bytes = os.fstat(file.fileno()).st_size
        magic = file.read(4)
        if magic == b"OggS":
            return "" if _ogg_ends(file, file_bytes) else "its last page is not the end of the stream"
        promise = _au_sound(file) if magic == b".snd" else _chunk_sound(file, magic)
    start, size = promise or (0, 0)
    found = max(0, file_bytes - start)
    return f"its header promises {size} bytes of sound, the file holds {found}" if size > found else ""


def _ogg_ends(file: BinaryIO, file_bytes: int) -> bool:
    file.seek(max(0, file_bytes - _OGG_PAGE_BYTES))
    tail = file.read()
    page = tail[max(0, tail.rfind(b"OggS")) :]
    if len(page) < 27 or len(page) < 27 + page[26]:
        return False
    return bool(page[5] & 4) and len(page) >= 27 + page[26] + sum(page[27 : 27 + page[26]])


def _au_sound(file: BinaryIO) -> tuple[int, int] | None:
    head = file.read(8)
    if len(head) < 8:
        return None
    start, size = struct.unpack(">II", head)
    return None if size >= _UNKNOWN else (start, size)


def _chunk_sound(file: BinaryIO, magic: bytes) -> tuple[int, int] | None:
    """Return where the sound chunk's data starts and how many bytes it promises."""
    layout = _LAYOUTS.get(magic)
    if layout is None:
        return None
    long_size = None  # RF64: its ds64 chunk holds the size of the sound, after that of the file
    for name, start, size in _chunks(file, layout):
        if name == b"ds64":
            long_size = _second_long(file)
        if name[:4] in _SOUND_IDS:
            if layout.align == 8:
                return start, size
            return (start, size) if size < _UNKNOWN else (start, long_size) if long_size else None
    return None


def _chunks(file: BinaryIO, layout: _Layout) -> Iterator[tuple[bytes, int, int]]:
    place, head_bytes = layout.start, struct.calcsize(layout.head)
    while True:
        file.seek(place)
        head = file.read(head_bytes)
        if len(head) < head_bytes:
            return
        name, size = struct.unpack(layout.head, head)
        size = max(0, size - head_bytes) if layout.counts_head else size
        yield name, place + head_bytes, size
        place += head_bytes + -(-size // layout.align) * layout.align


def _second_long(file: BinaryIO) -> int | None:
    data = file.read(16)
    return int(struct.unpack("<QQ", data)[1]) if len(data) == 16 else None
