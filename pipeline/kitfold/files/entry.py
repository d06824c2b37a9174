"""One entry of the cache as a file: a magic line, the SHA-256 of all that follows, a JSON head, raw blocks.

It is written beside its place and renamed, so it is whole or not there, whenever its writer dies. No pickle: what is
read from a folder that others can write must not be able to run anything.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from kitfold.files.disk import PART, fresh_name
from kitfold.files.maps import mapped

__all__ = ["Block", "DamagedError", "Entry", "head_of", "read_entry", "write_entry"]

Block = bytes | memoryview

_MAGIC = b"kitfold-cache/1\n"
_DIGEST_BYTES = 32
_SIZES = struct.Struct("<Q")  # the head's length in bytes
_WORTH_MAPPING = 1 << 14  # bytes: less is sooner read
_ALIGN_BYTES = 64  # blocks begin at multiples of it, so that arrays of any type can be mapped


@dataclass(frozen=True, eq=False)
class Entry:
    """What was kept.

    Parameters
    ----------
    value : JSON value
    blocks : list of memoryview, read-only, mapped from the disk
    """

    value: Any
    blocks: list[memoryview]


class DamagedError(Exception):
    """An entry is not what was written."""


def _padding(size: int) -> bytes:
    return bytes(-size % _ALIGN_BYTES)


def head_of(key: str, value: Any, blocks: Sequence[Block]) -> tuple[bytes, int]:
    """Return all of an entry in front of its blocks but for the magic and the digest, and the size of the whole."""
    sizes = [_size(block) for block in blocks]
    text = json.dumps({"key": key, "blocks": sizes, "value": value}, separators=(",", ":")).encode()
    start = len(_MAGIC) + _DIGEST_BYTES + _SIZES.size + len(text)
    head = _SIZES.pack(len(text)) + text + _padding(start)
    start += len(_padding(start))
    return head, start + sum(size + len(_padding(size)) for size in sizes)


def _size(block: Block) -> int:
    return block.nbytes if isinstance(block, memoryview) else len(block)


def write_entry(path: Path, head: bytes, blocks: Sequence[Block]) -> Sequence[Block]:
    """Write an entry beside its place and rename it; not forced to the disk: after a power cut the digest tells.

    Returns
    -------
    sequence of bytes or memoryview, the blocks: large ones mapped from the disk, so that they need no memory

    Raises
    ------
    OSError : where the disk refuses; nothing is left of it
    """
    pieces = [head, *(piece for block in blocks for piece in (block, _padding(_size(block))))]
    digest = hashlib.sha256()
    for piece in pieces:
        digest.update(piece)
    part = fresh_name(path, PART)
    try:
        with part.open("x+b") as file:
            file.write(_MAGIC + digest.digest())
            for piece in pieces:
                file.write(piece)
            file.flush()
            kept = _as_written(file, head, blocks)
        os.replace(part, path)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
    return kept


def _as_written(file: BinaryIO, head: bytes, blocks: Sequence[Block]) -> Sequence[Block]:
    """Return the blocks of an entry as they lie in its file; those of a small one as they are."""
    if sum(map(_size, blocks)) < _WORTH_MAPPING or os.name != "posix":  # elsewhere a mapped file cannot be renamed
        return blocks
    file.seek(0)
    whole, start, kept = mapped(file), len(_MAGIC) + _DIGEST_BYTES + len(head), []
    for block in blocks:
        kept.append(whole[start : start + _size(block)])
        start += _size(block) + len(_padding(_size(block)))
    return kept


def read_entry(path: Path, key: str) -> Entry:
    """Map an entry and see that it is what was written.

    Raises
    ------
    DamagedError : where it is not
    OSError : where there is none, or it cannot be read
    """
    with path.open("rb") as file:
        if os.fstat(file.fileno()).st_size < len(_MAGIC) + _DIGEST_BYTES + _SIZES.size:
            raise DamagedError
        small = os.fstat(file.fileno()).st_size < _WORTH_MAPPING
        whole = memoryview(file.read()) if small else mapped(file)
    start = len(_MAGIC) + _DIGEST_BYTES
    if whole[: len(_MAGIC)] != _MAGIC or hashlib.sha256(whole[start:]).digest() != whole[len(_MAGIC) : start]:
        raise DamagedError
    try:
        return _parsed(whole, start, key)
    except (ValueError, TypeError, KeyError, struct.error, RecursionError) as error:  # a planted one: it proves itself
        raise DamagedError from error


def _parsed(whole: memoryview, start: int, key: str) -> Entry:
    (size,) = _SIZES.unpack(whole[start : start + _SIZES.size])
    start += _SIZES.size
    head = json.loads(bytes(whole[start : start + size]))
    if head["key"] != key:
        raise DamagedError
    start += size
    blocks = []
    for block_bytes in head["blocks"]:
        start += len(_padding(start))
        if not isinstance(block_bytes, int) or not 0 <= block_bytes <= len(whole) - start:
            raise DamagedError
        blocks.append(whole[start : start + block_bytes])
        start += block_bytes
    return Entry(head["value"], blocks)
