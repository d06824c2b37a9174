"""What is known of a master is measured once, whatever number of devices and threads ask for it."""

import gc
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from kitfold.pack import ready, roots
from kitfold.pack.kit import pack_kit
from kitfold.pack.known import Known
from kitfold.plan.load import load_plan
from kitfold.render.masters import render_masters
from kitfold.sound import Sound


def tone():
    return Sound(np.sin(np.arange(1000) / 9.0), 8000)


def test_a_sound_is_measured_once_and_another_one_anew():
    asked = []

    def measure(sound):
        asked.append(sound)
        return sound.peak()

    peak, one, other = Known(measure), tone(), tone()
    assert [peak(one), peak(one), peak(other)] == [one.peak()] * 3
    assert asked == [one, other]  # equal, but not the same


def test_what_is_known_goes_with_its_sound():
    peak, one = Known(Sound.peak), tone()
    peak(one)
    assert len(peak.kept) == 1
    del one
    gc.collect()
    assert len(peak.kept) == 0


def test_threads_that_ask_at_once_get_the_same():
    peak, sounds = Known(Sound.peak), [tone() for _ in range(20)]
    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(peak, sounds * 5)) == {sounds[0].peak()}


def test_an_error_is_not_kept():
    def fails(sound):
        raise ValueError

    with pytest.raises(ValueError):  # noqa: PT011
        Known(fails)(tone())


def test_a_kit_for_two_devices_measures_each_masters_root_and_loudness_once(kit_folder, monkeypatch):
    asked = {"root": 0, "lufs": 0}

    def counted(name, measure):
        def count(sound):
            asked[name] += 1
            return measure(sound)

        return Known(count)

    monkeypatch.setattr(roots, "_root", counted("root", roots.find_root))
    monkeypatch.setattr(ready, "_master_lufs", counted("lufs", ready.loudest_lufs))
    for name, rate_hz in (("one", 8000), ("two", 11_025)):
        kit_folder.device(name, rate_hz=rate_hz, memory_s=8)
    plan = load_plan(kit_folder.kit(head={"device": ["one", "two"]}), None)
    masters = render_masters(plan, 1, lambda name: None)
    for device in plan.devices:
        pack_kit(plan, device, masters, 2, lambda name: None)
    assert asked == {"root": len(masters), "lufs": len(masters)}
