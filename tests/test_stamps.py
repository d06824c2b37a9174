"""Has a file changed: by its stamp where that is sure, else by its hash."""

import hashlib
import os
import time

from kitfold.files import stamps
from kitfold.files.stamps import Seen, all_still, files_below, saw, still

LONG_AGO_NS = time.time_ns() - 3600 * 10**9


def old(path, data=b"old"):
    """Write a file that was last changed an hour ago; what the system itself notes of it cannot be set back."""
    path.write_bytes(data)
    os.utime(path, ns=(LONG_AGO_NS, LONG_AGO_NS))
    return path


def settled(monkeypatch):
    """Let an hour pass, so that a stamp of now is an old one."""
    real = time.time_ns
    monkeypatch.setattr(time, "time_ns", lambda: real() + 3600 * 10**9)


def test_a_file_is_seen_with_its_hash(tmp_path):
    path = old(tmp_path / "a")
    assert saw(path).sha256 == hashlib.sha256(b"old").hexdigest()


def test_an_untouched_file_is_known_by_its_stamp_alone(tmp_path, monkeypatch):
    settled(monkeypatch)
    seen = saw(old(tmp_path / "a"))
    assert seen.sure
    monkeypatch.setattr(stamps, "_digest", None)  # it is not read
    assert still(tmp_path / "a", seen) is seen


def test_a_touched_but_equal_file_is_found_equal_by_its_hash(tmp_path, monkeypatch):
    settled(monkeypatch)
    seen = saw(old(tmp_path / "a"))
    os.utime(tmp_path / "a")
    found = still(tmp_path / "a", seen)
    assert found is not None
    assert found.stamp != seen.stamp
    (tmp_path / "b").write_bytes(b"old")
    os.replace(tmp_path / "b", tmp_path / "a")  # another file of the same bytes
    assert still(tmp_path / "a", seen).sha256 == seen.sha256


def test_a_changed_file_is_noticed(tmp_path, monkeypatch):
    settled(monkeypatch)
    seen = saw(old(tmp_path / "a"))
    old(tmp_path / "a", b"new")  # as long, and with the same time of change
    assert still(tmp_path / "a", seen) is None


def test_a_file_changed_within_one_tick_of_a_coarse_clock_is_noticed(tmp_path, monkeypatch):
    """On a disk that counts in two seconds (FAT) both contents may bear one stamp: so what is young is not sure."""
    path = tmp_path / "a"
    path.write_bytes(b"one")
    monkeypatch.setattr(stamps, "_stamp", lambda _path: (3, time.time_ns() // 2_000_000_000 * 2_000_000_000, 0, 1))
    seen = saw(path)
    path.write_bytes(b"two")
    assert not seen.sure
    assert still(path, seen) is None


def test_no_file_is_seen_as_nothing_and_is_noticed_when_it_comes(tmp_path):
    seen = saw(tmp_path / "a")
    assert seen == Seen("")
    assert still(tmp_path / "a", seen) == seen
    (tmp_path / "a").write_bytes(b"")
    assert still(tmp_path / "a", seen) is None
    assert saw(tmp_path) == Seen("")  # a folder is no file
    assert saw(tmp_path / "a\0b") == Seen("")


def test_a_deleted_file_is_noticed(tmp_path, monkeypatch):
    settled(monkeypatch)
    seen = saw(old(tmp_path / "a"))
    (tmp_path / "a").unlink()
    assert still(tmp_path / "a", seen) is None


def test_of_many_files_one_that_changed_is_enough(tmp_path):
    seen = {name: saw(old(tmp_path / name)) for name in "ab"}
    assert all_still(tmp_path, seen).keys() == {"a", "b"}
    old(tmp_path / "b", b"new")
    assert all_still(tmp_path, seen) is None


def test_files_below_a_folder_are_listed_in_order_with_slashes(tmp_path):
    (tmp_path / "b" / "c").mkdir(parents=True)
    old(tmp_path / "b" / "c" / "z")
    old(tmp_path / "a")
    assert files_below(tmp_path) == ["a", "b/c/z"]
    assert files_below(tmp_path / "none") == []
