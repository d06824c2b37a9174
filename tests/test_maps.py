"""Mapped files: their bytes stay right, and the memory small, when what of them lies in memory is given back."""

import ctypes
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from kitfold.files import maps
from kitfold.files.store import Store

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="says in /proc what lies in memory")


def resident_bytes():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


@LINUX
def test_what_is_kept_lies_on_the_disk_and_not_in_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(maps, "_BEFORE_LETTING_GO", 4_000_000)
    store, kept = Store(tmp_path), []
    before = resident_bytes()
    for number in range(100):
        data = np.full(1_000_000, number, np.uint8)
        kept.append(store.put(f"{number:064x}", None, [memoryview(data)])[0])
        assert kept[-1][17] == number
    assert resident_bytes() - before < 30_000_000
    assert [block[999_999] for block in kept] == list(range(100))
    maps.let_go(4_000_000)
    assert resident_bytes() - before < 30_000_000


def test_past_as_many_maps_as_may_be_files_are_read(tmp_path, monkeypatch):
    monkeypatch.setattr(maps, "_most", lambda: 0)
    (tmp_path / "x").write_bytes(b"abc")
    with (tmp_path / "x").open("rb") as file:
        found = maps.mapped(file)
    assert found == b"abc"
    assert isinstance(found.obj, bytes)


FREED = """
from pathlib import Path
import numpy as np
from kitfold.files import maps

def resident_bytes():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096

np.ones(30_000_000, np.uint8)  # freed at once: from now on glibc keeps pieces up to that size (mallopt(3))
before = resident_bytes()
taken = [np.ones(1_000_000, np.uint8) for _ in range(100)]
last = taken.pop()  # what lies behind the others keeps the heap from shrinking by itself
taken.clear()
kept = resident_bytes() - before
maps.let_go(maps._BEFORE_LETTING_GO)
print(kept, resident_bytes() - before, last.all())
"""


@LINUX
@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="another C library than glibc")
def test_what_was_freed_goes_back_to_the_system():
    done = subprocess.run([sys.executable, "-c", FREED], capture_output=True, text=True, check=True)  # its own heap
    kept, left, whole = done.stdout.split()
    assert int(kept) > 80_000_000
    assert int(left) < 10_000_000
    assert whole == "True"
