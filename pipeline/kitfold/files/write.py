"""Write files whole or not at all, and say why when the disk does not let us."""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from kitfold.files.disk import NEW, PART, disk_errors, fresh_name
from kitfold.files.lock import held, refuse_busy

if TYPE_CHECKING:  # numpy and libsndfile load only where a sound is written, so that the commands start fast
    from kitfold.sound import Sound

__all__ = ["master_bytes", "write_bytes", "write_master", "write_parts", "write_text"]


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

    steps = (sound.at_24_bits().float64() * 2.0**23).astype(np.int32)
    file = io.BytesIO()
    soundfile.write(file, steps << 8, sound.rate_hz, format="WAV", subtype="PCM_24")  # takes the upper 24 of 32 bits
    return file.getvalue()
