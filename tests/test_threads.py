"""Threads that are free help; none is taken that was not allowed; results and errors come in the order of the items."""

import subprocess
import sys
import threading
import time

import pytest

from kitfold.threads import allowed, at_once, one_place, uninterrupted


def meeting(number):
    """Return a function that only ends when so many threads are in it at once."""
    barrier = threading.Barrier(number)

    def meet(item):
        barrier.wait(timeout=10)
        return item

    return meet


def test_a_free_place_helps():
    with allowed(2), one_place():
        assert at_once(meeting(2), ["a", "b"]) == ["a", "b"]


def test_without_a_free_place_everything_is_made_by_the_one_who_asked():
    names = set()
    with allowed(1), one_place():
        assert at_once(lambda item: names.add(threading.get_ident()) or item, [1, 2, 3]) == [1, 2, 3]
    assert names == {threading.get_ident()}


def test_where_nothing_was_allowed_nobody_helps():
    assert at_once(lambda item: threading.get_ident(), [1, 2]) == [threading.get_ident()] * 2


def test_no_more_work_at_once_than_were_allowed():
    at_work, most = 0, 0
    lock = threading.Lock()

    def watched(item):
        nonlocal at_work, most
        with lock:
            at_work += 1
            most = max(most, at_work)
        time.sleep(0.002)
        with lock:
            at_work -= 1

    def task():
        with one_place():
            at_once(watched, range(6))

    with allowed(3):
        tasks = [threading.Thread(target=task) for _ in range(5)]
        for one in tasks:
            one.start()
        for one in tasks:
            one.join()
    assert 1 < most <= 3


def test_the_first_failure_in_the_order_of_the_items_is_raised_and_places_are_given_back():
    def broken(item):
        raise ValueError(item)

    with allowed(2):
        with one_place(), pytest.raises(ValueError, match="a"):
            at_once(broken, ["a", "b"])
        with one_place():
            assert at_once(meeting(2), [1, 2]) == [1, 2]


def test_nothing_to_do_is_nothing():
    assert at_once(meeting(9), []) == []


def test_ctrl_c_never_reaches_what_a_c_library_calls_back(tmp_path):
    """In a process of its own: SIGINT while an MP3 is written ends the process, and is not lost within libsndfile."""
    code = """
import os, signal, sys, threading, time
import numpy as np, soundfile
from kitfold.pack.encode import mp3_of
noise = np.random.default_rng(1).standard_normal((48_000 * 60, 2)).astype(np.float32) * 0.1
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have left it ignored
threading.Timer(0.3, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
try:
    while True:
        mp3_of(noise, 48_000)
except KeyboardInterrupt:
    os._exit(7)
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert (run.returncode, run.stderr) == (7, "")


def test_what_is_called_apart_returns_and_raises_as_if_it_were_not():
    assert uninterrupted(max, [1, 3, 2]) == 3
    with pytest.raises(ZeroDivisionError):
        uninterrupted(lambda: 1 / 0)
