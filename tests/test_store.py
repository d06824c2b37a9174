"""The cache on the disk: what is kept comes back or is not there; damage, other processes, full disks are ordinary."""

import errno
import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

import kitfold
from kitfold.errors import PlanError
from kitfold.files import store as module
from kitfold.files.store import LIMIT_BYTES, Store, open_store

SOURCE = str(Path(kitfold.__file__).parents[1])
forks = pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL, and no /proc to count handles in")


def key(name):
    return hashlib.sha256(str(name).encode()).hexdigest()


def blocks_of(entry):
    return [bytes(block) for block in entry.blocks]


def entries(folder):
    return sorted(folder.rglob("*.entry"))


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "cache")


def sealed(path, name, text, rest=b""):
    """Write an entry as somebody would who knows the format, digest and all."""
    body = len(text).to_bytes(8, "little") + text
    body += bytes(-(48 + len(body)) % 64) + rest
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"kitfold-cache/1\n" + hashlib.sha256(body).digest() + body)
    assert path.stem == name


def test_what_was_kept_comes_back(store):
    value = {"a": [1, 2.5, None, "ä"], "deep": {"b": True}}
    store.put(key("x"), value, [b"one", memoryview(b"twotwo"), b""])
    found = store.get(key("x"))
    assert found.value == value
    assert blocks_of(found) == [b"one", b"twotwo", b""]
    assert store.get(key("y")) is None


def test_blocks_are_mapped_read_only_and_lie_where_any_array_may_begin(store):
    store.put(key("x"), None, [b"abc", bytes(range(64)), b"d"])
    found = store.get(key("x"))
    assert all(block.readonly for block in found.blocks)
    whole = store.path_of(key("x")).read_bytes()
    assert whole.index(bytes(range(64))) % 64 == 0


def test_a_later_value_replaces_an_earlier_one_also_while_that_is_in_use(store):
    store.put(key("x"), 1, [b"first"])
    held = store.get(key("x"))
    store.put(key("x"), 2, [b"other"])
    assert blocks_of(held) == [b"first"]
    assert blocks_of(store.get(key("x"))) == [b"other"]


def test_an_entry_with_any_byte_changed_is_deleted_and_not_given(store):
    store.put(key("x"), {"v": 1}, [b"samples"])
    path = store.path_of(key("x"))
    whole = path.read_bytes()
    for place in range(len(whole)):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0x40]) + whole[place + 1 :])
        assert store.get(key("x")) is None, place
        assert not path.exists()
    path.write_bytes(whole)
    assert blocks_of(store.get(key("x"))) == [b"samples"]


def test_an_entry_cut_short_anywhere_or_too_long_is_deleted_and_not_given(store):
    store.put(key("x"), {"v": 1}, [b"samples"])
    path = store.path_of(key("x"))
    whole = path.read_bytes()
    for spoilt in [*(whole[:size] for size in range(len(whole))), whole + b"\0"]:
        path.write_bytes(spoilt)
        assert store.get(key("x")) is None, len(spoilt)
        assert not path.exists()


@pytest.mark.parametrize(
    "head",
    [
        b"", b"null", b"[]", b"{", b"\xff\xfe", b'{"key": 1}', b"[" * 100_000,
        json.dumps({"key": key("other"), "blocks": [], "value": 1}).encode(),
        json.dumps({"key": key("x"), "blocks": [10**9], "value": 1}).encode(),
        json.dumps({"key": key("x"), "blocks": [-1], "value": 1}).encode(),
        json.dumps({"key": key("x"), "blocks": ["3"], "value": 1}).encode(),
        json.dumps({"key": key("x"), "blocks": 3, "value": 1}).encode(),
        json.dumps({"key": key("x"), "value": 1}).encode(),
    ],
    ids=range(13),
)  # fmt: skip
def test_an_entry_that_somebody_planted_is_deleted_and_not_given(store, head):
    path = store.path_of(key("x"))
    sealed(path, key("x"), head, b"rest")
    assert store.get(key("x")) is None
    assert not path.exists()
    good = json.dumps({"key": key("x"), "blocks": [4], "value": 1}).encode()
    sealed(path, key("x"), good, b"rest")  # so that it was the head, not this test's way of writing, that was refused
    assert blocks_of(store.get(key("x"))) == [b"rest"]


def test_fresh_reads_nothing_and_keeps_everything_anew(store):
    store.put(key("x"), 1)
    fresh = Store(store.folder, fresh=True)
    assert fresh.get(key("x")) is None
    fresh.put(key("x"), 2)
    assert store.get(key("x")).value == 2


# How large it grows


def used(folder):
    return sum(path.stat().st_size for path in folder.rglob("*.entry"))


def test_the_least_recently_used_goes_first_and_reading_is_using(tmp_path):
    store = Store(tmp_path, limit_bytes=5000)
    for place, name in enumerate("abcd"):  # about 1,200 bytes each
        store.put(key(name), name, [bytes(1000)])
        os.utime(store.path_of(key(name)), (place + 1, place + 1))
    assert store.get(key("a")).value == "a"  # the oldest, but used just now
    store.put(key("e"), "e", [bytes(1000)])
    kept = {name for name in "abcde" if store.path_of(key(name)).exists()}
    assert kept == {"a", "d", "e"}  # b had to go, and c, so that there is a tenth to spare
    assert [store.get(key(name)).value for name in sorted(kept)] == sorted(kept)


def test_it_never_grows_over_its_limit(tmp_path):
    store = Store(tmp_path, limit_bytes=20_000)
    rng = random.Random(3)
    for number in range(120):
        store.put(key(number), number, [bytes(rng.randrange(6000))])
        assert used(tmp_path) <= 20_000
    assert used(tmp_path) > 10_000  # nor is it emptied
    assert store.get(key(119)).value == 119


def test_a_new_process_counts_what_is_there_already(tmp_path):
    for number in range(30):
        Store(tmp_path, limit_bytes=20_000).put(key(number), number, [bytes(2000)])
        assert used(tmp_path) <= 20_000


def test_what_is_larger_than_the_limit_is_not_kept_and_drives_nothing_out(tmp_path):
    store = Store(tmp_path, limit_bytes=5000)
    store.put(key("small"), 1)
    store.put(key("large"), 2, [bytes(6000)])
    assert store.get(key("large")) is None
    assert store.get(key("small")).value == 1


def test_a_limit_of_nothing_keeps_nothing_and_makes_no_folder(tmp_path):
    store = Store(tmp_path / "cache", limit_bytes=0)
    store.put(key("x"), 1)
    assert not (tmp_path / "cache").exists()


def test_entries_that_another_process_has_just_deleted_are_no_trouble(tmp_path, monkeypatch):
    store = Store(tmp_path, limit_bytes=3000)
    store.put(key("a"), 1, [bytes(1000)])
    real = os.unlink

    def gone(path):
        real(path)
        raise FileNotFoundError(errno.ENOENT, "gone", path)

    monkeypatch.setattr(os, "unlink", gone)
    said = []
    other = Store(tmp_path, limit_bytes=3000, say=said.append)
    for name in "bcd":
        other.put(key(name), 2, [bytes(1000)])
    assert other.get(key("d")).value == 2
    assert said == []


def test_what_a_killed_writer_left_goes_after_an_hour_and_not_before(tmp_path):
    Store(tmp_path).put(key("a"), 1)
    folder = Store(tmp_path).path_of(key("a")).parent
    old, young = folder / ".x.entry.00000000.part", folder / ".y.entry.00000000.part"
    old.write_bytes(b"half")
    young.write_bytes(b"half")
    os.utime(old, (time.time() - 4000, time.time() - 4000))
    Store(tmp_path).put(key("b"), 1)
    assert (old.exists(), young.exists()) == (False, True)


# Where it lies


def test_it_lies_where_kitfold_cache_says(monkeypatch, tmp_path):
    monkeypatch.setenv("KITFOLD_CACHE", str(tmp_path / "here"))
    assert (open_store().folder, open_store().limit_bytes) == (tmp_path / "here", LIMIT_BYTES)


def test_it_lies_in_the_platforms_cache_folder_by_default(monkeypatch):
    import platformdirs

    monkeypatch.delenv("KITFOLD_CACHE")
    assert open_store().folder == Path(platformdirs.user_cache_dir("kitfold"))


def test_its_limit_is_said_in_bytes(monkeypatch):
    monkeypatch.setenv("KITFOLD_CACHE_LIMIT_BYTES", "1000000")
    assert open_store().limit_bytes == 1_000_000


@pytest.mark.parametrize("given", ["4 GB", "-1", "1e9", "1.5", "٣", "9" * 30])
def test_a_limit_that_is_no_number_of_bytes_is_refused(monkeypatch, given):
    monkeypatch.setenv("KITFOLD_CACHE_LIMIT_BYTES", given)
    with pytest.raises(PlanError, match="KITFOLD_CACHE_LIMIT_BYTES must be a whole number of bytes"):
        open_store()


def test_backups_can_know_it_for_a_cache(store):
    with store.turn(key("t"), pytest.fail):  # a build takes its turn first, and that makes the folder
        store.put(key("x"), 1)
    tag = (store.folder / "CACHEDIR.TAG").read_text()
    assert tag.startswith("Signature: 8a477f597d28d172789f06886806bc55")  # Cache Directory Tagging Specification


# A disk that refuses


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EDQUOT])
def test_a_disk_that_refuses_is_said_once_and_work_goes_on(tmp_path, monkeypatch, number):
    said = []
    store = Store(tmp_path / "cache", say=said.append)
    store.put(key("before"), 1)

    def refuse(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(module, "write_entry", refuse)
    for name in "abc":
        store.put(key(name), 1)
    assert len(said) == 1
    assert os.strerror(number) in said[0]
    assert "going on without it" in said[0]
    assert store.get(key("before")).value == 1  # what is there is read all the same


def test_a_file_where_the_folder_should_be_is_said_once(tmp_path):
    (tmp_path / "cache").write_text("a file")
    said = []
    store = Store(tmp_path / "cache", say=said.append)
    store.put(key("a"), 1)
    store.put(key("b"), 1)
    assert store.get(key("a")) is None
    assert len(said) == 1
    with store.turn(key("t"), lambda: said.append("waits")):
        pass
    assert len(said) == 1


def test_half_an_entry_is_not_left_where_the_disk_fills_while_it_is_written(store, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(os, "replace", full)
    store.put(key("a"), 1)
    assert [path for path in store.folder.rglob("*") if path.is_file() and path.name != "CACHEDIR.TAG"] == []


@forks
def test_many_entries_in_use_do_not_use_up_the_handles_of_the_process(store):
    for number in range(300):
        store.put(key(number), number, [bytes(8)])
    handles = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
    held = [store.get(key(number)) for number in range(300)]
    if handles:
        assert len(os.listdir("/proc/self/fd")) - handles <= 128  # macOS gives a process 256 in all
    assert [one.value for one in held] == list(range(300))


# Other processes

CHILD = """
import hashlib, sys
from pathlib import Path
from kitfold.files.store import Store

def key(name):
    return hashlib.sha256(str(name).encode()).hexdigest()

store = Store(Path(sys.argv[1]), limit_bytes=200_000, say=lambda text: sys.exit(text))
first, rounds = int(sys.argv[2]), int(sys.argv[3])
print("ready", flush=True)
for number in range(first, first + rounds):
    name = number % 40
    data = str(name).encode() * (2000 + 100 * name)
    found = store.get(key(name))
    if found is not None and (found.value != name or bytes(found.blocks[0]) != data):
        sys.exit(f"wrong value for {name}")
    store.put(key(name), name, [data])
"""


def child(folder, first, rounds):
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), str(first), str(rounds)],
        env={**os.environ, "PYTHONPATH": SOURCE}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_two_processes_that_write_read_and_evict_at_once_see_only_right_values(tmp_path):
    children = [child(tmp_path, first, 400) for first in (0, 17)]
    for one in children:
        _, err = one.communicate(timeout=60)
        assert one.returncode == 0, err


@forks
def test_after_kill_9_at_any_moment_every_entry_is_whole_or_not_there(tmp_path):
    rng = random.Random(11)
    for first in range(0, 60, 10):
        one = child(tmp_path, first, 10**6)
        assert one.stdout.readline() == "ready\n"
        time.sleep(rng.uniform(0, 0.05))
        one.send_signal(signal.SIGKILL)
        assert one.wait() == -signal.SIGKILL
        one.stdout.close()
        one.stderr.close()
        reader, before = Store(tmp_path), entries(tmp_path)
        for path in before:
            assert reader.get(path.stem) is not None
    assert before  # something was written


def test_the_second_of_two_waits_for_its_turn_and_is_told(tmp_path):
    order = []
    inside = threading.Event()

    def second():
        inside.wait()
        with Store(tmp_path).turn(key("t"), lambda: order.append("waits")):
            order.append("second")

    thread = threading.Thread(target=second)
    thread.start()
    with Store(tmp_path).turn(key("t"), lambda: order.append("never")):
        inside.set()
        while "waits" not in order:
            time.sleep(0.005)
        order.append("first")
    thread.join()
    assert order == ["waits", "first", "second"]


def test_turns_of_different_names_do_not_wait_for_each_other(tmp_path):
    with Store(tmp_path).turn(key("a"), pytest.fail), Store(tmp_path).turn(key("b"), pytest.fail):
        pass
    assert [path for path in (tmp_path / "turns").iterdir() if path.suffix == ".lock"] == []
