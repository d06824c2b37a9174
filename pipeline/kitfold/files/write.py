"""Write files whole or not at all, and say why when the disk does not let us."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from kitfold.files.disk import NEW, PART, disk_errors, fresh_name
from kitfold.files.lock import held, refuse_busy
from kitfold.threads import uninterrupted

if TYPE_CHECKING:  # numpy and libsndfile load only where a sound is written, so that the commands start fast
    from kitfold.sound import Sound

__all__ = [
    "Contents",
    "Digest",
    "WrittenFiles",
    "digest_of",
    "master_bytes",
    "write_bytes",
    "write_master",
    "write_parts",
    "write_text",
]

Contents: TypeAlias = bytes | Iterator[bytes]
"""What stands in a file: all of it, or part after part, for what shall never lie in memory as a whole."""

_BLOCK_FRAMES = 1 << 18


class Digest(NamedTuple):
    """What a file is known by: its SHA-256 in hex digits, and how many bytes it has."""

    sha256: str
    bytes: int


def digest_of(data: bytes) -> Digest:
    """Return what a file of these bytes is known by."""
    return Digest(hashlib.sha256(data).hexdigest(), len(data))


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file so that there is either the whole of it or what was there before.

    Missing folders are made. The data is on the disk when this returns, except within a fresh folder, which is brought
    to the disk as a whole before it is swapped in.

    Raises
    ------
    PackError : where the disk is full, or refuses, or another kitfold writes the same file
    """
    write_parts(path, (data,))


def write_parts(path: Path, parts: Iterable[bytes]) -> None:
    """Write a file as `write_bytes` does, part after part, so that it never lies in memory as a whole.

    Parameters
    ----------
    path : Path
    parts : iterable of bytes; an error in it leaves what was there before

    Raises
    ------
    PackError : where the disk is full, or refuses, or another kitfold writes the same file
    """
    path = Path(path)
    with disk_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        if _within_fresh_folder(path):
            _write_whole(path, parts, to_disk=False)
            return
        with held(path) as mine:
            refuse_busy(path, mine)
            _write_whole(path, parts, to_disk=True)


def _write_whole(path: Path, parts: Iterable[bytes], to_disk: bool) -> None:
    part = fresh_name(path, PART)
    try:
        with part.open("xb") as file:
            file.writelines(parts)
            file.flush()
            if to_disk:
                os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise


def _within_fresh_folder(path: Path) -> bool:
    return any(parent.name.startswith(".") and parent.name.endswith(f".{NEW}") for parent in path.parents)


class WrittenFiles(Mapping[str, bytes]):
    """Files below a folder as they are written, by name; each is read again when it is asked for, and none is kept.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._names: dict[str, None] = {}

    def write(self, name: str, contents: Contents) -> Digest:
        """Write a file (see `write_parts`) and say what it is known by; threads may write different ones at once."""
        sha256, count = hashlib.sha256(), 0

        def counted() -> Iterator[bytes]:
            nonlocal count
            for part in (contents,) if isinstance(contents, bytes) else contents:
                sha256.update(part)
                count += len(part)
                yield part

        write_parts(self.folder / name, counted())
        self._names[name] = None
        return Digest(sha256.hexdigest(), count)

    def __getitem__(self, name: str) -> bytes:
        """Read a file that was written."""
        if name not in self._names:
            raise KeyError(name)
        with disk_errors(self.folder / name):
            return (self.folder / name).read_bytes()

    def __contains__(self, name: object) -> bool:
        """Say whether it was written, without reading it."""
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        """Give the names of what was written."""
        return iter(self._names)

    def __len__(self) -> int:
        """Count what was written."""
        return len(self._names)


def write_text(path: Path, text: str) -> None:
    """Write a text file in UTF-8, with the same line ends on every system; whole or not at all: see `write_bytes`.

    Raises
    ------
    PackError : where the disk is full, or refuses
    """
    write_bytes(path, text.encode("utf-8"))


def write_master(path: Path, sound: Sound) -> None:
    """Write a sound as a 24-bit WAV (see `master_bytes`); whole or not at all (see `write_bytes`).

    Raises
    ------
    PackError : where the disk is full, or refuses
    """
    write_bytes(path, master_bytes(sound))


def master_bytes(sound: Sound) -> bytes:
    """Make a 24-bit WAV of a sound at its own rate and channels.

    Rounded to the nearest step, clipped at full scale, and not dithered: at 24 bits the error lies 146 dB under full
    scale, below the noise of any converter, and a 24-bit take that no step has touched comes out bit for bit.
    """
    import io

    import numpy as np
    import soundfile

    file = io.BytesIO()

    def write() -> None:
        how = {"format": "WAV", "subtype": "PCM_24"}
        with soundfile.SoundFile(file, "w", sound.rate_hz, sound.channels, **how) as out:
            for start in range(0, sound.frames, _BLOCK_FRAMES):  # a long song has its steps in memory block by block
                block = sound.with_samples(sound.samples[start : start + _BLOCK_FRAMES])
                out.write(block.steps_of_24_bits().astype(np.int32) << 8)  # takes the upper 24 of 32 bits

    uninterrupted(write)
    return file.getvalue()
