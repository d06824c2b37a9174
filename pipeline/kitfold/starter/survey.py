"""Measure many sound files in threads, holding one a thread in memory."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from kitfold.errors import KitfoldError, SoundFileError
from kitfold.files import read_sound

if TYPE_CHECKING:
    from kitfold.measure.portrait import Portrait

__all__ = ["ENDINGS", "portraits", "sound_files"]

ENDINGS = (
    ".wav", ".wave", ".bwf", ".aif", ".aiff", ".aifc", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".caf", ".w64",
    ".rf64", ".au", ".snd",
)  # fmt: skip
"""File endings that a folder is searched for: what libsndfile reads (a file named by itself may have any)."""


def sound_files(folder: Path) -> list[Path]:
    """List the sound files right inside a folder, as a person would order them: 2 before 10; hidden ones are left out.

    Raises
    ------
    SoundFileError : where the folder cannot be listed
    """
    try:
        with os.scandir(folder) as entries:
            names = [entry.name for entry in entries if entry.is_file()]
    except OSError as error:
        raise SoundFileError(f"cannot be listed: {error.strerror or error}", where=str(folder)) from error
    wanted = [name for name in names if not name.startswith(".") and name.lower().endswith(ENDINGS)]
    return [folder / name for name in sorted(wanted, key=_natural)]


def portraits(
    paths: Sequence[Path], jobs: int, tell: Callable[[str], None]
) -> Iterator[tuple[Path, Portrait | KitfoldError]]:
    """Measure files in threads; results come in the order of the paths, whatever the number of threads.

    Only as many files as there are threads are in memory at a time, and a break ends the work after those.

    Parameters
    ----------
    paths : sequence of Path
    jobs : int, threads
    tell : called with a file's name when it is done

    Yields
    ------
    (path, Portrait), or (path, the error that says why it cannot be measured)
    """
    waiting = enumerate(paths)
    running: dict[Future[Portrait | KitfoldError], int] = {}
    done: dict[int, Portrait | KitfoldError] = {}
    following = 0
    with ThreadPoolExecutor(max_workers=max(1, jobs)) as pool:
        while running or following < len(paths):
            for place, path in islice(waiting, max(1, jobs) - len(running)):
                running[pool.submit(_measured, path)] = place
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                place = running.pop(future)
                done[place] = future.result()
                tell(paths[place].name)
            while following in done:
                yield paths[following], done.pop(following)
                following += 1


def _measured(path: Path) -> Portrait | KitfoldError:
    from kitfold.measure.portrait import portrait

    try:
        return portrait(read_sound(path))
    except KitfoldError as error:
        return error


def _natural(name: str) -> tuple[list[tuple[int, int, str]], str]:
    parts = re.split(r"(\d+)", name.lower())
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts], name
