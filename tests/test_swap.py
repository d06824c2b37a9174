"""The swap: a kill at any moment leaves the old or the new build whole, and the next command puts the rest right."""

import errno
import itertools
import os
import random
import subprocess
import sys
import time
import warnings
from pathlib import Path

import pytest

import kitfold
from kitfold.errors import PackError
from kitfold.files import fresh_folder, recover, write_bytes, write_text

FILES = 2
SOURCE = str(Path(kitfold.__file__).parents[1])
CHILD = """
import sys
from pathlib import Path
from kitfold.files import fresh_folder, recover, write_text

job, target, number = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
while True:
    recover(target)
    with fresh_folder(target) as new:
        for place in range(2):
            write_text(new / "slots" / f"{place}.wav", str(number))
        write_text(new / "manifest.json", str(number))
        if job == "hang":
            print("hanging", flush=True)
            sys.stdin.read()
    print(number, flush=True)
    number += 1
"""


def child(job, target, number):
    """Start a process that builds again and again (loop), or stops before its first swap (hang)."""
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, job, str(target), str(number)],
        env={**os.environ, "PYTHONPATH": SOURCE},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def dies_before(operation, work, *arguments):
    """Do work in a process that dies before its n-th file operation, with no clean-up at all; say whether it did."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # newer Pythons warn of forks beside threads
        process = os.fork()
    if process == 0:
        events = 0

        def die(event, _):
            nonlocal events
            if event == "open" or event.startswith(("os.", "shutil.")):
                if events == operation:
                    os._exit(9)
                events += 1

        sys.addaudithook(die)
        work(*arguments)
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
    assert code in (0, 9)
    return code == 9


@pytest.fixture
def no_waiting(monkeypatch):
    """Leave out the waits for the disk: they matter when the power goes, not when a process dies."""
    monkeypatch.setattr(os, "fsync", lambda handle: None)


forks = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs os.fork; the random kills run everywhere")


def build(target, number):
    with fresh_folder(target) as new:
        for place in range(FILES):
            write_text(new / "slots" / f"{place}.wav", str(number))
        write_text(new / "manifest.json", str(number))


def number_of(target):
    """Return the number of a build, and make sure that it is whole and of one piece."""
    files = sorted(path.relative_to(target).as_posix() for path in target.rglob("*") if path.is_file())
    assert files == ["manifest.json", *(f"slots/{place}.wav" for place in range(FILES))]
    (number,) = {(target / file).read_text() for file in files}
    return int(number)


# A build


def test_a_build_takes_the_place_of_the_earlier_one_and_leaves_nothing_beside_it(tmp_path):
    target = tmp_path / "out" / "kit-device"
    for number in (1, 2):
        build(target, number)
        assert number_of(target) == number
        assert os.listdir(target.parent) == ["kit-device"]
    assert recover(target) is None


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
def test_an_error_in_the_build_leaves_the_earlier_one_as_it_was(tmp_path, error):
    target = tmp_path / "kit"
    build(target, 1)
    with pytest.raises(error), fresh_folder(target) as new:  # noqa: PT012
        write_text(new / "manifest.json", "2")
        raise error
    assert number_of(target) == 1
    assert os.listdir(tmp_path) == ["kit"]


def test_a_first_build_that_fails_leaves_no_folder_that_was_not_there(tmp_path):
    with pytest.raises(RuntimeError), fresh_folder(tmp_path / "a" / "b" / "kit"):
        raise RuntimeError
    assert os.listdir(tmp_path) == []


def test_a_build_through_a_link_lands_where_the_link_points(tmp_path):
    real = tmp_path / "disk" / "kit"
    build(real, 1)
    link = tmp_path / "kit"
    try:
        link.symlink_to(real, target_is_directory=True)
    except OSError:
        pytest.skip("this system lets us make no links")
    build(link, 2)
    assert link.is_symlink()
    assert number_of(real) == 2


def test_a_folder_that_is_no_build_of_ours_is_never_replaced(tmp_path):
    target = tmp_path / "kit"
    target.mkdir()
    build(target, 1)  # an empty folder may be
    other = tmp_path / "songs"
    write_text(other / "song.txt", "mine")
    with pytest.raises(PackError, match=r"songs holds files that are not a build .*\n  hint: move them away"):
        build(other, 1)
    assert (other / "song.txt").read_text() == "mine"
    with pytest.raises(PackError, match="is a file, not a folder"):
        build(other / "song.txt", 1)
    assert sorted(os.listdir(tmp_path)) == ["kit", "songs"]


# What the disk refuses


def failing(monkeypatch, module, name, at_call, number):
    """Let one call of an operation fail as the disk would; threads may call it."""
    calls, real = itertools.count(1), getattr(module, name)

    def sometimes(*arguments, **options):
        if next(calls) == at_call:
            raise OSError(number, os.strerror(number))
        return real(*arguments, **options)

    monkeypatch.setattr(module, name, sometimes)


@pytest.mark.parametrize(
    ("name", "refusals"), [("mkdir", 2), ("fsync", FILES + 1), ("rename", 2), ("replace", FILES + 1)]
)
@pytest.mark.parametrize(("number", "match"), [(errno.ENOSPC, "the disk is full"), (errno.EACCES, "permission denied")])
def test_wherever_the_disk_refuses_the_earlier_build_stays(tmp_path, monkeypatch, name, refusals, number, match):
    target, refused = tmp_path / "kit", 0
    for at_call in range(1, 9):
        build(target, 1)
        with monkeypatch.context() as patch:
            failing(patch, os, name, at_call, number)
            try:
                build(target, 2)
            except PackError as error:
                assert f"cannot be written: {match}" in str(error)  # noqa: PT017  (some calls may fail without harm)
                refused += 1
                assert number_of(target) == 1
            else:
                assert number_of(target) == 2
                recover(target)  # the earlier build may have stayed aside: its deletion was what the disk refused
        assert os.listdir(tmp_path) == ["kit"]
    assert refused == refusals


def test_an_earlier_build_that_cannot_be_deleted_does_not_fail_the_new_one(tmp_path, monkeypatch):
    target = tmp_path / "kit"
    build(target, 1)
    with monkeypatch.context() as patch:
        patch.setattr(os, "rmdir", lambda *_, **__: (_ for _ in ()).throw(PermissionError(errno.EACCES, "in use")))
        build(target, 2)
    assert number_of(target) == 2
    assert len(os.listdir(tmp_path)) == 2
    assert recover(target)
    assert os.listdir(tmp_path) == ["kit"]


def test_the_error_names_the_place_that_the_user_knows(tmp_path, monkeypatch):
    failing(monkeypatch, os, "replace", 2, errno.ENOSPC)
    with pytest.raises(PackError, match="the disk is full") as caught:
        build(tmp_path / "kit", 1)
    assert caught.value.mistakes[0].where == str(tmp_path / "kit" / "slots" / "1.wav")


# Kills


@forks
@pytest.mark.parametrize("earlier", [True, False])
def test_a_kill_before_any_file_operation_leaves_the_old_or_the_new_build_whole(tmp_path, no_waiting, earlier):
    seen = set()
    for operation in range(1000):
        out = tmp_path / str(operation)
        target = out / "kit"
        out.mkdir()
        if earlier:
            build(target, 1)
        died = dies_before(operation, build, target, 2)
        left = sorted(name.rsplit(".", 1)[1] for name in os.listdir(out) if name not in ("kit", ".kit.lock"))
        at_once = number_of(target) if target.exists() else None
        assert at_once in ((1, 2, None) if "old" in left else (1, 2) if earlier else (None, 2))
        assert bool(recover(target)) == bool(left)
        found = number_of(target) if target.exists() else None
        assert found in ((1, 2) if earlier else (None, 2))
        assert os.listdir(out) == (["kit"] if found else [])
        seen.add((at_once, *left))
        if not died:
            break
    assert found == 2
    assert operation > 20  # the hook saw the operations, and the process died at each
    if earlier:  # every state of the swap came up: building, old aside, new in place, old being deleted
        assert {(1, "new"), (None, "new", "old"), (2, "old"), (2, "gone"), (2,)} <= seen


@forks
@pytest.mark.parametrize("state", ["new", "new old", "old", "target old", "target gone", "target new"])
def test_a_kill_during_the_recovery_is_recovered_too(tmp_path, no_waiting, state):
    for operation in range(1000):
        out = tmp_path / str(operation)
        target = out / "kit"
        for part in state.split():
            place = target if part == "target" else out / f".kit.0123abcd.{part}"
            build(out / "made", 1 if part in ("old", "gone") else 2)
            os.rename(out / "made", place)
        died = dies_before(operation, recover, target)
        recover(target)
        wanted = {"new": None, "new old": 2, "old": 1}.get(state, 2)
        assert (number_of(target) if target.exists() else None) == wanted
        assert os.listdir(out) == (["kit"] if wanted else [])
        if not died:
            break
    assert operation > 3


def test_kills_at_random_moments_never_lose_a_build(tmp_path):
    target, moments = tmp_path / "kit", random.Random(76)
    done, recovered, end = 0, 0, time.monotonic() + 2.5
    while time.monotonic() < end:
        with child("loop", target, done + 1) as process:
            process.stdout.readline()  # its first build is in place
            time.sleep(moments.uniform(0, 0.06))
            process.kill()
            rest = process.stdout.read().split()
        done = max([done + 1, *map(int, rest)])
        recovered += bool(recover(target))
        found = number_of(target)
        assert found in (done, done + 1)  # the last one that was reported, or the one being swapped in
        assert os.listdir(tmp_path) == ["kit"]
        done = found
    assert recovered > 3  # most kills come in the middle of something


def test_the_recovery_says_in_a_sentence_what_it_did(tmp_path):
    target = tmp_path / "kit"
    for _ in range(2):
        build(tmp_path / "made", 1)
        os.rename(tmp_path / "made", tmp_path / ".kit.00000000.old")
        assert recover(target) == f"{target}: a build was interrupted; the earlier one was put back"
        os.rename(target, tmp_path / ".kit.00000000.old")
        build(tmp_path / "made", 2)
        os.rename(tmp_path / "made", tmp_path / ".kit.00000000.new")
        assert "it was whole, and is in place now" in recover(target)
        assert number_of(target) == 2
        (tmp_path / ".kit.11111111.new").mkdir()
        assert "removed what an interrupted build had left behind" in recover(target)
        assert recover(target) is None
        os.rename(target, tmp_path / "elsewhere")
        (tmp_path / "elsewhere").rename(tmp_path / f"kept-{_}")


def test_a_file_that_a_killed_process_was_writing_is_cleaned_up(tmp_path):
    (tmp_path / ".kit.zip.0123abcd.part").write_bytes(b"half")
    assert recover(tmp_path / "kit.zip")
    assert os.listdir(tmp_path) == []


def test_names_that_only_look_alike_are_left_alone(tmp_path):
    others = [".kit-2.01234567.new", ".kit.0123.new", "kit.01234567.new", ".kit.01234567.newer", ".kitty.01234567.old"]
    for name in others:
        (tmp_path / name).mkdir()
    assert recover(tmp_path / "kit") is None
    build(tmp_path / "kit", 1)
    assert sorted(os.listdir(tmp_path)) == sorted([*others, "kit"])


# Two at once


def test_a_living_process_keeps_its_folder_and_a_dead_one_does_not(tmp_path):
    target = tmp_path / "kit"
    build(target, 1)
    with child("hang", target, 2) as process:
        assert process.stdout.readline() == "hanging\n"
        (living,) = [name for name in os.listdir(tmp_path) if name.endswith(".new")]
        assert recover(target) is None
        with pytest.raises(PackError, match=r"kit is being written by another kitfold .*\n  hint: wait for it to end"):
            build(target, 3)
        assert number_of(tmp_path / living) == 2
        assert number_of(target) == 1
        process.kill()
        process.wait()
    assert "removed what an interrupted build had left behind" in recover(target)
    assert os.listdir(tmp_path) == ["kit"]
    build(target, 3)
    assert number_of(target) == 3


def test_two_builds_of_one_target_in_one_process_exclude_each_other_too(tmp_path):
    with fresh_folder(tmp_path / "kit") as new:
        with pytest.raises(PackError, match="is being written by another kitfold"):
            build(tmp_path / "kit", 2)
        build(tmp_path / "other", 1)  # another target is another matter
        write_bytes(new / "manifest.json", b"1")
    assert sorted(os.listdir(tmp_path)) == ["kit", "other"]
