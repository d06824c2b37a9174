"""Files mapped into memory: how many at once, and giving back what lies in memory and nobody needs.

A page of a mapped file that was read counts as the process's own memory until the system takes it back, which it does
only where memory is short. `let_go` gives all of them back at once; what is read again comes from the system's cache of
the disk. With them goes what was freed: glibc keeps that for what comes next, up to 32 MB in one piece, and once many
threads have worked on sounds that is more than they ever had at a time (malloc_trim(3)). So what a build has at hand
stays bounded, however many sounds it has.
"""

from __future__ import annotations

import mmap
import os
import sys
from collections.abc import Callable
from functools import cache
from threading import Lock
from typing import BinaryIO
from weakref import WeakSet

__all__ = ["let_go", "mapped"]

_MOST = 128  # where nobody says how many files may be open: macOS gives a process 256, others 512 or 1024
_MOST_OPEN = 1 << 16  # Linux maps 65,530 pieces
_OTHERS = 128  # open files that are no maps of ours
_BEFORE_LETTING_GO = 48_000_000  # bytes
_maps: WeakSet[mmap.mmap] = WeakSet()
_touched_bytes = 0
_lock = Lock()


def mapped(file: BinaryIO) -> memoryview:
    """Map a file; read it where so many are mapped that the process might run out of file handles.

    Parameters
    ----------
    file : binary file, open, not empty
    """
    with _lock:
        if len(_maps) >= _most():
            return memoryview(file.read())
        one = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        _maps.add(one)
    let_go(len(one))
    return memoryview(one)


def let_go(touched_bytes: int = _BEFORE_LETTING_GO) -> None:
    """Say that so many bytes are about to be read or made; now and then give back all that need not lie in memory.

    Parameters
    ----------
    touched_bytes : int, >= 0; by default so many that it is done now, which is for where one kind of work ends
    """
    global _touched_bytes
    with _lock:
        _touched_bytes += touched_bytes
        if _touched_bytes < _BEFORE_LETTING_GO:
            return
        _touched_bytes = 0
        if hasattr(mmap, "MADV_DONTNEED") and sys.platform == "linux":  # elsewhere it is a hint of another meaning
            for one in _maps:
                one.madvise(mmap.MADV_DONTNEED)
    if trim := _malloc_trim():
        trim(0)


@cache
def _malloc_trim() -> Callable[[int], object] | None:
    """Return what gives freed memory back to the system, in some milliseconds; None where it is not glibc's to give."""
    import ctypes

    return getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None


@cache
def _most() -> int:
    """Return how many files may be mapped, after asking for as many open ones as the system allows anybody to ask for.

    Python keeps a handle for each map.
    """
    if os.name != "posix":
        return _MOST
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = min(_MOST_OPEN, hard) if hard != resource.RLIM_INFINITY else 10_240  # what macOS gives at most
    if soft != resource.RLIM_INFINITY and soft < wanted:
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
            soft = wanted
        except (OSError, ValueError):
            pass
    return max(_MOST, soft - _OTHERS) if soft != resource.RLIM_INFINITY else _MOST_OPEN - _OTHERS
