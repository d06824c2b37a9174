"""Every sound of a kit after its steps: the graph, where a sound comes from, the ceiling, and errors all together."""

import hashlib

import numpy as np
import pytest

from kitfold.errors import StepError
from kitfold.files import read_sound, write_master
from kitfold.measure.level import true_peak_db
from kitfold.plan.load import load_plan
from kitfold.render.masters import CEILING_DBTP, render_masters
from kitfold.render.run import run_steps

LOUD = {"step": "level", "peak_db": 0}
# 2 bits: a step is half of full scale, so that what lies under a quarter becomes exact zero
CRUSHED = [{"step": "level", "peak_db": -30}, {"step": "effect", "name": "bitcrush", "bit_depth": 2}]


def masters_of(kit, jobs=1):
    told = []
    masters = render_masters(load_plan(kit), jobs, told.append)
    assert sorted(told) == sorted(masters)
    return masters


def test_masters_stand_in_the_order_of_the_kit_whatever_is_made_from_what(kit_folder, entries):
    swell = {"name": "swell", "from": "pad", "steps": [{"step": "reverse"}]}
    again = {"name": "again", "from": "swell", "steps": [{"step": "fade", "in_ms": 20}]}
    masters = masters_of(kit_folder.kit([again, swell, entries.hit, entries.pad]))
    assert list(masters) == ["again", "swell", "hit", "pad"]
    assert np.array_equal(masters["swell"].sound.samples, masters["pad"].sound.samples[::-1])


def test_a_master_is_its_source_after_its_steps(kit_folder, entries):
    kit = kit_folder.kit([entries.pad])
    planned = load_plan(kit).sound("pad")
    wanted = run_steps(read_sound(kit_folder.path / "pad.wav"), planned.steps)
    master = masters_of(kit)["pad"]
    assert np.array_equal(master.sound.samples, wanted.at_24_bits().samples)
    assert [one.step for one in master.sound.history] == ["trim", "level"]


def test_a_master_is_exactly_what_its_file_holds(kit_folder, entries, tmp_path):
    """What a device stores can so be made again from the file alone."""
    master = masters_of(kit_folder.kit([entries.pad]))["pad"].sound
    write_master(tmp_path / "master.wav", master)
    assert np.array_equal(read_sound(tmp_path / "master.wav").samples, master.samples)


def test_what_is_known_of_a_source_is_taken_over(kit_folder):
    known = {"root_hz": 220.0, "loop": [1000, 2000], "whole": True}
    sound = masters_of(kit_folder.kit([{"name": "known", "source": "pad.wav", "given": known}]))["known"].sound
    assert (sound.root_hz, sound.loop, sound.whole) == (220.0, (1000, 2000), True)
    assert np.array_equal(sound.samples, read_sound(kit_folder.path / "pad.wav").samples)


def test_a_loop_that_is_known_must_lie_within_its_source(kit_folder):
    known = {"name": "known", "source": "pad.wav", "given": {"loop": [1000, 10**6]}}
    with pytest.raises(StepError, match=r"given.loop must end within the 17640 frames of the source"):
        masters_of(kit_folder.kit([known]))


def test_all_masters_come_to_the_rate_that_a_pack_asks_for_the_ceiling_still_kept(kit_folder, entries):
    loud = {"name": "loud", "source": "hit.wav", "steps": [LOUD]}
    masters = masters_of(kit_folder.kit([entries.pad, loud], publish={"rate_hz": 48_000}))
    for master in masters.values():
        assert master.sound.rate_hz == 48_000
        assert true_peak_db(master.sound) <= CEILING_DBTP + 0.01  # measured to a hundredth
        assert "resample" in [one.step for one in master.sound.history]


def test_a_region_of_the_source_is_all_that_is_taken(kit_folder):
    cut = {"name": "cut", "source": "pad.wav", "start_s": 0.1, "end_s": 0.4, "steps": [{"step": "reverse"}]}
    sound = masters_of(kit_folder.kit([cut]))["cut"].sound
    whole = read_sound(kit_folder.path / "pad.wav").samples
    assert np.array_equal(sound.samples, whole[2205:8820][::-1])


def test_a_sound_made_from_another_carries_its_whole_history_source_and_rights(kit_folder, entries):
    pad = {**entries.pad, "rights": "own work"}
    swell = {"name": "swell", "from": "pad", "steps": [{"step": "reverse"}]}
    own = {**swell, "name": "own", "rights": "CC0-1.0, somebody"}
    masters = masters_of(kit_folder.kit([pad, swell, own]))
    digest = hashlib.sha256((kit_folder.path / "pad.wav").read_bytes()).hexdigest()
    for name in ("pad", "swell", "own"):
        assert (masters[name].source_text, masters[name].source_sha256) == ("pad.wav", digest)
    assert [masters[name].rights for name in ("pad", "swell", "own")] == ["own work", "own work", "CC0-1.0, somebody"]
    assert [one.step for one in masters["swell"].sound.history] == ["trim", "level", "reverse"]


def test_a_master_over_the_ceiling_is_lowered_to_it_and_its_history_says_so(kit_folder, entries):
    sound = masters_of(kit_folder.kit([{**entries.pad, "steps": [LOUD]}]))["pad"].sound
    assert true_peak_db(sound) == pytest.approx(CEILING_DBTP, abs=0.001)  # float32 rounds 140 dB down
    last = sound.history[-1]
    assert (last.step, dict(last.settings)) == ("ceiling", {"true_peak_db": CEILING_DBTP})
    assert last.found["gain_db"] == pytest.approx(-1, abs=0.05)  # its peaks lie between samples by no more
    assert "lowered by 1.0 dB" in last.said[0]


def test_a_sound_made_from_a_lowered_one_starts_from_the_lowered_one(kit_folder, entries):
    child = {"name": "child", "from": "pad", "steps": [{"step": "reverse"}]}
    masters = masters_of(kit_folder.kit([{**entries.pad, "steps": [LOUD]}, child]))
    assert [one.step for one in masters["child"].sound.history] == ["level", "ceiling", "reverse"]


def test_a_master_under_the_ceiling_is_left_alone(kit_folder, entries):
    kit = kit_folder.kit([{**entries.pad, "steps": [{"step": "level", "true_peak_db": CEILING_DBTP - 0.01}]}])
    assert [one.step for one in masters_of(kit)["pad"].sound.history] == ["level"]


def test_a_sound_that_its_steps_have_silenced_is_refused(kit_folder, entries):
    with pytest.raises(StepError, match=r"sound\[2\] \(pad\) is silent after its steps.*\n.*hint"):
        masters_of(kit_folder.kit([entries.hit, {**entries.pad, "steps": CRUSHED}]))


@pytest.mark.parametrize("jobs", [1, 2])
def test_all_that_fails_is_listed_together_in_the_order_of_the_kit(jobs, kit_folder, entries):
    far = {"step": "tune", "heard": "D3", "to": "G3", "limit_semitones": 1}
    sounds = [
        {**entries.pad, "name": "one", "steps": [far]},
        entries.hit,
        {"name": "child", "from": "one", "steps": [{"step": "reverse"}]},
        {**entries.pad, "name": "two", "steps": CRUSHED},
    ]
    with pytest.raises(StepError) as caught:
        render_masters(load_plan(kit_folder.kit(sounds)), jobs, lambda name: None)
    places = [mistake.where for mistake in caught.value.mistakes]
    assert len(places) == 2  # the child is not blamed for what its source could not do
    assert places[0].endswith("sound[1] (one) tune.limit_semitones")
    assert places[1].endswith("sound[4] (two)")


def test_a_bug_of_ours_is_not_dressed_up_as_the_users_mistake(kit_folder, monkeypatch):
    def broken(sound, steps):
        raise ZeroDivisionError("ours")

    monkeypatch.setattr("kitfold.render.masters.run_steps", broken)
    with pytest.raises(ZeroDivisionError):
        render_masters(load_plan(kit_folder.kit()), 2, lambda name: None)


def test_masters_are_the_same_to_the_bit_on_one_thread_and_on_two(kit_folder, entries):
    stacked = {**entries.pad, "name": "stacked", "steps": [{"step": "stack", "intervals": [0, 7]}]}
    swell = {"name": "swell", "from": "stacked", "steps": [{"step": "riser", "beats": 1}]}
    kit = kit_folder.kit([entries.pad, stacked, swell, entries.hit])
    one, two = masters_of(kit, 1), masters_of(kit, 2)
    for name in one:
        assert np.array_equal(one[name].sound.samples, two[name].sound.samples), name
        assert one[name].sound.history == two[name].sound.history
