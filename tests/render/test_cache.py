"""Masters with a cache: the same as without, made once, and made again as soon as anything that matters changes."""

import dataclasses
import shutil

import numpy as np
import pytest

from kitfold.errors import SoundFileError
from kitfold.files import Store
from kitfold.plan.load import load_plan
from kitfold.render import chain, masters
from kitfold.render.masters import render_masters

TRIM = {"step": "trim"}
STACK = {"step": "stack", "intervals": [0, 12]}


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "a cache")


@pytest.fixture
def ran(monkeypatch):
    """The steps that were run, by name."""
    names = []
    real = masters.run_steps

    def counted(sound, steps):
        names.extend(one.step for one in steps)
        return real(sound, steps)

    monkeypatch.setattr(masters, "run_steps", counted)
    return names


def made(kit, store, jobs=2):
    return render_masters(load_plan(kit), jobs, lambda name: None, store)


def assert_same(one, other):
    assert list(one) == list(other)
    for name in one:
        a, b = one[name], other[name]
        assert np.array_equal(a.sound.samples, b.sound.samples), name
        for field in dataclasses.fields(a.sound):
            if field.name != "samples":
                assert getattr(a.sound, field.name) == getattr(b.sound, field.name), (name, field.name)
        assert (a.source_text, a.source_sha256, a.rights, a.key) == (b.source_text, b.source_sha256, b.rights, b.key)


@pytest.fixture
def rich_kit(kit_folder, entries):
    """A kit with a chain of three sounds, a loop, what a step says, and a root."""
    tuned = [
        {"step": "tune", "heard": "D3", "to": "E3"},
        {"step": "loop", "length_s": 0.2},
        {"step": "level", "peak_db": -6},
    ]
    sounds = [
        {**entries.pad, "name": "tuned", "steps": tuned, "rights": "own work"},
        {"name": "swell", "from": "tuned", "steps": [{"step": "riser", "length_s": 0.5}]},
        {"name": "back", "from": "swell", "steps": [{"step": "reverse"}]},
        {**entries.hit, "given": {"root_hz": 220.0}},
    ]
    return kit_folder.kit(sounds)


def test_masters_are_the_same_without_a_cache_into_it_out_of_it_and_afresh(rich_kit, store, ran):
    plain = made(rich_kit, None)
    times = len(ran)
    assert_same(plain, made(rich_kit, store))
    assert len(ran) == 2 * times
    assert_same(plain, made(rich_kit, store))
    assert len(ran) == 2 * times  # no step was run again
    assert_same(plain, made(rich_kit, Store(store.folder, fresh=True)))
    assert len(ran) == 3 * times
    assert plain["tuned"].sound.loop is not None  # so that it was tried
    assert plain["tuned"].sound.root_hz is not None
    assert plain["swell"].sound.whole


def test_out_of_the_cache_samples_are_mapped_not_copied(rich_kit, store):
    made(rich_kit, store)
    samples = made(rich_kit, store)["back"].sound.samples
    base = samples
    while isinstance(base, np.ndarray):
        base = base.base
    assert type(base.obj).__name__ == "mmap"


def test_only_what_follows_a_change_is_made_again(kit_folder, entries, store, ran, monkeypatch):
    monkeypatch.setattr(chain, "WORTH_S", 0.0)  # every step is kept, however cheap
    steps = [{"step": "trim"}, {"step": "fade", "in_ms": 5}, {"step": "level", "peak_db": -6}]
    made(kit_folder.kit([{**entries.pad, "steps": steps}]), store)
    ran.clear()
    steps[2] = {"step": "level", "peak_db": -7}
    made(kit_folder.kit([{**entries.pad, "steps": steps}]), store)
    assert ran == ["level"]
    ran.clear()
    steps[1] = {"step": "fade", "in_ms": 6}
    made(kit_folder.kit([{**entries.pad, "steps": steps}]), store)
    assert ran == ["fade", "level"]


def test_cheap_steps_are_not_kept_but_the_end_is(kit_folder, entries, store, monkeypatch):
    monkeypatch.setattr(chain, "WORTH_S", 1e9)
    made(kit_folder.kit([entries.pad]), store)
    assert len(list(store.folder.rglob("*.entry"))) == 1


def test_the_file_is_not_even_decoded_where_its_master_is_kept(rich_kit, store, monkeypatch):
    made(rich_kit, store)
    monkeypatch.setattr(masters, "read_sound", None)
    made(rich_kit, store)


def test_another_kit_or_name_shares_what_was_made(kit_folder, entries, store, ran):
    made(kit_folder.kit([entries.pad]), store)
    ran.clear()
    made(
        kit_folder.kit([{**entries.pad, "name": "other", "plays": "tones", "slot": 3}], head={"name": "second"}), store
    )
    assert ran == []


def changed_source(folder, entries, samples):
    folder.sound("pad.wav", samples.pad(hz=150.0))
    return entries.pad


CHANGES = {
    "a setting": lambda folder, entries, samples: {**entries.pad, "steps": [TRIM, {"step": "level", "lufs": -21}]},
    "another order": lambda folder, entries, samples: {**entries.pad, "steps": entries.pad["steps"][::-1]},
    "a step less": lambda folder, entries, samples: {**entries.pad, "steps": entries.pad["steps"][1:]},
    "a region": lambda folder, entries, samples: {**entries.pad, "start_s": 0.1},
    "another end": lambda folder, entries, samples: {**entries.pad, "end_s": 0.5},
    "what is known": lambda folder, entries, samples: {**entries.pad, "given": {"root_hz": 140.0}},
    "the source": changed_source,
}  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
def test_nothing_stale_is_served_when_this_changes(kit_folder, entries, samples, store, change):
    child = {"name": "child", "from": "pad", "steps": [{"step": "reverse"}]}
    before = made(kit_folder.kit([entries.pad, child]), store)
    kit = kit_folder.kit([CHANGES[change](kit_folder, entries, samples), child])
    after = made(kit, store)
    assert_same(after, made(kit, None))
    assert before["pad"].key != after["pad"].key
    assert before["child"].key != after["child"].key


def test_the_common_rate_of_a_pack_is_part_of_a_masters_name(kit_folder, entries, store):
    one = made(kit_folder.kit([entries.pad]), store)["pad"]
    other = made(kit_folder.kit([entries.pad], publish={"rate_hz": 48_000}), store)["pad"]
    assert one.key != other.key
    assert other.sound.rate_hz == 48_000


def test_other_code_or_libraries_make_every_sound_again(kit_folder, store, ran, monkeypatch):
    made(kit_folder.kit(), store)
    ran.clear()
    monkeypatch.setattr(masters, "sound_code", lambda: "other")
    made(kit_folder.kit(), store)
    assert sorted(ran) == ["level", "trim", "trim"]


def test_the_same_bytes_under_another_ending_are_another_source(kit_folder, entries, store):
    """libsndfile takes headerless sound for what the file's name says."""
    one = made(kit_folder.kit([entries.pad]), store)["pad"]
    shutil.copy(kit_folder.path / "pad.wav", kit_folder.path / "pad.bin")
    other = made(kit_folder.kit([{**entries.pad, "source": "pad.bin"}]), store)["pad"]
    assert one.key != other.key


def test_a_damaged_entry_is_made_again(rich_kit, store):
    wanted = made(rich_kit, None)
    made(rich_kit, store)  # and let go: what is mapped must not be cut short under whoever reads it
    paths = sorted(store.folder.rglob("*.entry"))
    assert paths
    for place, path in enumerate(paths):
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 2] if place % 2 else whole[:-9] + b"\1" + whole[-8:])
    assert_same(made(rich_kit, store), wanted)
    assert_same(made(rich_kit, store), wanted)


def test_a_source_that_changes_while_it_is_read_is_read_again(kit_folder, entries, samples, store, monkeypatch):
    kit, real, calls = kit_folder.kit([entries.pad]), masters.read_sound, []

    def changing(path, *region):
        sound = real(path, *region)
        if not calls:
            kit_folder.sound("pad.wav", samples.pad(hz=150.0))
        calls.append(path)
        return sound

    monkeypatch.setattr(masters, "read_sound", changing)
    first = made(kit, store)
    assert len(calls) == 2
    assert_same(first, made(kit, None))


def test_a_source_that_never_comes_to_rest_is_refused(kit_folder, entries, samples, store, monkeypatch):
    real, hz = masters.read_sound, iter(range(150, 200))

    def changing(path, *region):
        sound = real(path, *region)
        kit_folder.sound("pad.wav", samples.pad(hz=next(hz)))
        return sound

    monkeypatch.setattr(masters, "read_sound", changing)
    with pytest.raises(SoundFileError, match=r"pad\.wav is being written while it is read\n  hint"):
        made(kit_folder.kit([entries.pad]), store)


def test_a_long_chain_is_begun_after_its_expensive_step(kit_folder, entries, store, ran, monkeypatch):
    """A stretch costs a hundred times what keeping its result does; what is before it is not even looked for."""
    clock = iter(range(5, 10**6))
    monkeypatch.setattr(chain.time, "perf_counter", lambda: next(clock) if ran and ran[-1] == "stack" else 0)
    steps = [{"step": "trim"}, STACK, {"step": "level", "peak_db": -6}]
    made(kit_folder.kit([{**entries.pad, "steps": steps}]), store, jobs=1)
    ran.clear()
    steps[2] = {"step": "level", "peak_db": -9}
    made(kit_folder.kit([{**entries.pad, "steps": steps}]), store, jobs=1)
    assert ran == ["level"]
