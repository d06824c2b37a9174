"""Work in threads: the order of the graph, the same results on any number of them, and how it stops."""

import threading
import time

import pytest

from kitfold.render.jobs import default_jobs, in_order

JOBS = [1, 2, 4]


def refuse(name, error):
    raise error


def test_there_is_at_least_one_thread_by_default():
    assert default_jobs() >= 1


@pytest.mark.parametrize("jobs", JOBS)
def test_results_come_in_the_order_of_the_names_whichever_is_ready_first(jobs):
    def work(name, _):
        time.sleep({"a": 0.03, "b": 0.0, "c": 0.01}[name])
        return name.upper()

    assert list(in_order("abc", {}, work, jobs, refuse).items()) == [("a", "A"), ("b", "B"), ("c", "C")]


@pytest.mark.parametrize("jobs", JOBS)
def test_each_gets_the_result_of_the_one_that_it_needs(jobs):
    needs = {"b": "a", "c": "b", "d": "a", "e": None}
    results = in_order("abcde", needs, lambda name, needed: (needed or "") + name, jobs, refuse)
    assert results == {"a": "a", "b": "ab", "c": "abc", "d": "ad", "e": "e"}


@pytest.mark.parametrize("jobs", JOBS)
def test_what_needs_a_failed_one_is_left_out_and_the_rest_is_done(jobs):
    failed, begun = [], []

    def work(name, _):
        begun.append(name)
        if name == "b":
            raise ValueError(name)
        return name

    needs = {"c": "b", "d": "c", "f": "e"}
    results = in_order("abcdef", needs, work, jobs, lambda name, error: failed.append((name, str(error))))
    assert list(results) == ["a", "e", "f"]
    assert failed == [("b", "b")]
    assert not {"c", "d"} & set(begun)


@pytest.mark.parametrize("jobs", JOBS)
def test_every_failure_is_told(jobs):
    failed = []

    def work(name, _):
        raise ValueError(name)

    assert in_order("abc", {}, work, jobs, lambda name, error: failed.append(name)) == {}
    assert sorted(failed) == ["a", "b", "c"]


@pytest.mark.parametrize("jobs", [1, 2])
def test_no_more_threads_run_than_jobs_were_asked_for(jobs):
    lock, now, most = threading.Lock(), [0], [0]

    def work(name, _):
        with lock:
            now[0] += 1
            most[0] = max(most[0], now[0])
        time.sleep(0.01)
        with lock:
            now[0] -= 1

    in_order([str(n) for n in range(6)], {}, work, jobs, refuse)
    assert most[0] == jobs


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError])
def test_when_it_is_stopped_what_has_not_begun_is_dropped(error):
    # so that Ctrl-C takes as long as the step that runs, not as long as the rest of the kit
    begun = []

    def work(name, _):
        begun.append(name)
        time.sleep(0.005)
        raise ValueError(name)

    def failed(name, _):
        raise error

    with pytest.raises(error):
        in_order([str(n) for n in range(20)], {}, work, 1, failed)
    assert len(begun) <= 3  # the first, and what the thread took before it was told


def test_nothing_to_do_is_done_at_once():
    assert in_order([], {}, lambda name, _: name, 2, refuse) == {}
