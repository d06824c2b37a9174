"""A Dask cluster does the work: the same bytes as at home, whatever becomes of a worker, and clear words otherwise."""

import gc
import os
import pickle
import signal
import socket
import subprocess
import sys
import time

import numpy as np
import pytest

from kitfold.errors import KitfoldError, Mistake, PlanError, StepError
from kitfold.files import Store
from kitfold.pack.kit import pack_kit
from kitfold.plan.load import load_plan
from kitfold.render import crew as module
from kitfold.render.crew import Here, crew_at
from kitfold.render.masters import render_masters

pytestmark = pytest.mark.filterwarnings("ignore")  # Dask's own, at its end


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class LocalCluster:
    """A scheduler and workers in processes of their own, as on other machines: none has our files."""

    def __init__(self, folder):
        self.folder = folder
        self.address = f"tcp://127.0.0.1:{free_port()}"
        self.workers = []
        self.scheduler = self.started("dask-scheduler", "--port", self.address.rsplit(":", 1)[1], "--no-show")

    def started(self, name, *arguments):
        module_name = {"dask-scheduler": "dask_scheduler", "dask-worker": "dask_worker"}[name]
        command = [sys.executable, "-m", f"distributed.cli.{module_name}", *arguments, "--no-dashboard"]
        return subprocess.Popen(command, cwd=self.folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def add_worker(self):
        how = ("--nthreads", "1", "--no-nanny", "--local-directory", str(self.folder))
        self.workers.append(self.started("dask-worker", self.address, *how))
        return self.workers[-1]

    def stop(self):
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    cluster = LocalCluster(tmp_path_factory.mktemp("cluster"))
    cluster.add_worker()
    yield cluster
    cluster.stop()


def a_kit(kit_folder, entries, sounds=4):
    stack = {"step": "stack", "intervals": [0, 12]}
    pads = [{"name": f"pad{n}", "source": "pad.wav", "start_s": n / 100, "steps": [stack]} for n in range(sounds)]
    swell = {"name": "swell", "from": "pad0", "steps": [{"step": "reverse"}]}
    return load_plan(kit_folder.kit([*pads, swell, entries.hit]))


def made(plan, crew, store=None):
    return render_masters(plan, crew.threads, lambda name: None, store, crew)


def entered(address, tries=1):
    """Enter and leave; try again while nobody answers."""
    for left in reversed(range(tries)):
        try:
            with crew_at(address, None):
                return
        except PlanError as error:
            if "no Dask scheduler answers" not in str(error) or not left:
                raise


def same(one, other):
    return one.keys() == other.keys() and all(
        np.array_equal(one[name].sound.samples, other[name].sound.samples)
        and (one[name].sound.history, one[name].key) == (other[name].sound.history, other[name].key)
        for name in one
    )


def test_masters_made_by_a_cluster_are_those_made_at_home(cluster, kit_folder, entries, tmp_path):
    plan = a_kit(kit_folder, entries)
    with crew_at(cluster.address, None) as crew:
        assert crew.far
        far = made(plan, crew)
        assert not far["swell"].sound.samples.flags.writeable
        assert same(far, made(plan, Here(1)))
        # what is kept of a cluster's work is what is kept of ours
        made(plan, crew, Store(tmp_path / "cache"))
    assert same(far, made(plan, Here(1), Store(tmp_path / "cache")))


@pytest.mark.parametrize("loops", [False, True])
def test_what_a_cluster_packs_is_what_is_packed_at_home(cluster, kit_folder, entries, loops):
    folder = kit_folder
    how = {"loop": True, "note_off": "stops"} if loops else {}
    folder.device("large", rate_hz=22_050, bits=16, slots=8, memory_s=60, transpose=[0, 0], voices=8, **how)
    song = {"section": [{"name": "a", "chords": ["i", "VI", "iv"]}]}
    pad = {**entries.pad, "plays": "chords", "copies": "all"}
    fit = {"allow": ["loop", "shorten", "drop-copy"]}
    plan = load_plan(folder.kit([pad, entries.hit], {"device": "large.toml"}, song=song, fit=fit))
    far = []

    class Counting(Here):
        far = True

        def do(self, work, *given):
            far.append(work.__name__)
            return crew.do(work, *given)

    with crew_at(cluster.address, None) as crew:
        kits = [
            pack_kit(plan, plan.devices[0], made(plan, Here(1)), 2, lambda name: None, None, who)
            for who in (Counting(2), None)
        ]
    slots = len(kits[0].slots)
    assert far.count("keep_length") == sum(slot.part.root != 0 for slot in kits[0].slots) > 0
    assert [far.count(name) for name in ("_measured", "_priced", "_cut_part", "_converted")] == [2, 2, slots, slots]
    assert any(slot.loop for slot in kits[0].slots) == loops
    figures = [
        [
            (
                slot.slot,
                slot.part.root,
                slot.stored.codes.tobytes(),
                slot.lufs,
                slot.held_s,
                slot.error_cents,
                slot.part.share,
                slot.history,
            )
            for slot in kit.slots
        ]
        for kit in kits
    ]
    assert figures[0] == figures[1]
    assert kits[0].wanted_lufs == kits[1].wanted_lufs


def test_a_worker_that_is_killed_costs_time_and_nothing_else(cluster, kit_folder, entries):
    plan = a_kit(kit_folder, entries, sounds=12)
    victim = cluster.add_worker()
    with crew_at(cluster.address, None) as crew:
        for _ in range(100):
            if len(crew._client.nthreads()) == 2:
                break
            time.sleep(0.1)
        told = []

        def tell(name):
            told.append(name)
            if len(told) == 2:
                os.kill(victim.pid, signal.SIGKILL)

        masters = render_masters(plan, crew.threads, tell, None, crew)
    assert victim.wait(timeout=10) != 0
    assert same(masters, made(plan, Here(1)))


def test_a_result_that_takes_longer_to_fetch_than_one_look_is_fetched(cluster, kit_folder, entries, monkeypatch):
    """Seen on 200 sounds: between one look and the next the work was done, and its sound still on its way."""
    monkeypatch.setattr(module, "_LOOK_S", 0.0002)  # nothing is fetched in that
    plan = a_kit(kit_folder, entries, 2)
    with crew_at(cluster.address, None) as crew:
        there = made(plan, crew)
    assert same(there, made(plan, Here()))


def test_a_timeout_of_the_work_itself_is_raised_as_such(cluster, monkeypatch):
    monkeypatch.setattr(module, "_LOOK_S", 0.05)
    with crew_at(cluster.address, None) as crew, pytest.raises(TimeoutError, match="of the work"):
        crew.do(exec, "raise TimeoutError('of the work')")


def test_what_a_step_refuses_far_away_is_said_as_at_home(cluster, kit_folder):
    bad = {"name": "pad", "source": "pad.wav", "steps": [{"step": "filter", "highpass_hz": 20_000}]}
    plan = load_plan(kit_folder.kit([bad]))
    errors = []
    with crew_at(cluster.address, None) as crew:
        for one in (crew, Here(1)):
            with pytest.raises(StepError) as caught:
                made(plan, one)
            errors.append(caught.value.mistakes)
    assert errors[0] == errors[1]


def test_errors_travel_whole():
    error = StepError([Mistake("kit.toml: a", "is wrong", "mend it"), Mistake("b", "too")])
    arrived = pickle.loads(pickle.dumps(error))
    assert (type(arrived), arrived.mistakes) == (StepError, error.mistakes)
    assert isinstance(arrived, KitfoldError)


def test_where_no_scheduler_answers_that_is_said(monkeypatch):
    monkeypatch.setattr(module, "_WAIT_S", 0.3)
    address = f"tcp://127.0.0.1:{free_port()}"
    with pytest.raises(PlanError, match=f"--cluster no Dask scheduler answers at {address}.*\n  hint: start one"):
        entered(address)


def test_while_nobody_answers_that_is_said(monkeypatch):
    monkeypatch.setattr(module, "_WAIT_S", 0.5)
    monkeypatch.setattr(module, "_LOOK_S", 0.1)
    address, told = f"tcp://127.0.0.1:{free_port()}", []
    with pytest.raises(PlanError), crew_at(address, None, told.append):
        pass
    assert told == [f"{address} has not answered yet: waiting up to 0 s"]


def test_an_empty_address_is_called_so():
    with pytest.raises(PlanError, match="no Dask scheduler answers at an empty address"):
        entered("")


@pytest.mark.parametrize("address", ["nonsense", "tcp://127.0.0.1:1", "tcp://192.0.2.1:8786"])  # RFC 5737: nobody's
def test_where_nobody_answers_no_client_is_left(monkeypatch, address):
    """Collected within the lock that another client's start holds, it would wait for ever."""
    from distributed import Client

    monkeypatch.setattr(module, "_WAIT_S", 0.3)
    gc.disable()  # whether it is collected must not be chance
    try:
        with pytest.raises(PlanError, match=f"no Dask scheduler answers at {address}"):
            entered(address)
        left = [one for one in gc.get_objects() if type(one) is Client and one.status != "closed"]
    finally:
        gc.enable()
    assert left == []


def test_where_all_workers_or_the_scheduler_go_that_is_said_and_nobody_waits_for_ever(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_LOOK_S", 0.2)
    monkeypatch.setattr(module, "_GONE_S", 1.0)
    dying = LocalCluster(tmp_path)
    worker = dying.add_worker()
    try:
        entered(dying.address, tries=10)
        said = []
        with crew_at(dying.address, None, said.append) as crew:
            assert crew.do(divmod, 7, 2) == (3, 1)
            with pytest.raises(TimeoutError, match="my own"):
                crew.do(exec, "raise TimeoutError('my own')")
            worker.kill()
            with pytest.raises(PlanError, match="--cluster all workers have gone, and none has come for 1 s"):
                crew.do(divmod, 7, 2)
            assert said == ["all workers have gone: waiting up to 1 s for one to come"]
            dying.scheduler.kill()
            with pytest.raises(PlanError, match="--cluster the scheduler has gone"):
                crew.do(divmod, 7, 2)
    finally:
        dying.stop()


def test_a_scheduler_without_workers_is_said_so(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_WAIT_S", 3.0)
    lonely = LocalCluster(tmp_path)
    try:
        with pytest.raises(PlanError, match="has no worker\n  hint: start one: `dask worker"):
            entered(lonely.address, tries=10)  # the scheduler takes a moment to listen
    finally:
        lonely.stop()


def test_a_worker_that_could_make_other_bytes_is_refused(cluster, monkeypatch):
    real = module._who

    with crew_at(cluster.address, None) as crew:
        client = crew._client
        monkeypatch.setattr(module, "_who", lambda: {**real(), "numpy": "0.1"})
        monkeypatch.setattr(client, "run", lambda who: {"tcp://10.0.0.9:1": real()})
        with pytest.raises(
            PlanError, match=r"the worker tcp://10.0.0.9:1 could make other bytes: it has numpy .*here 0.1"
        ):
            module._refuse_others(client, cluster.address)


def test_without_dask_the_way_to_get_it_is_said(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(PlanError, match=r"needs Dask.*\n  hint: install it with: pip install 'kitfold\[cluster\]'"):
        entered("tcp://127.0.0.1:1")
