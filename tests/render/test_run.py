"""A list of steps over a sound: in order, each settled in its history, each error saying which step."""

import numpy as np
import pytest

from kitfold.errors import StepError
from kitfold.plan.recipe import PlannedStep
from kitfold.plan.settings import Fade, Level, Reverse, Transpose, Tune
from kitfold.render.run import run_steps
from kitfold.sound import Sound
from kitfold.steps.fade import fade
from kitfold.steps.reverse import reverse

RATE_HZ = 22050


def planned(settings, label=None):
    return PlannedStep(settings.step, label or settings.step, settings)


def tone(hz=220.0, seconds=0.5, gain=0.4):
    return Sound(gain * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ), RATE_HZ)


def test_no_steps_return_the_sound_itself():
    sound = tone()
    assert run_steps(sound, ()) is sound


def test_steps_run_in_the_order_of_the_list():
    sound, faded = tone(), Fade(in_ms=200)
    first = run_steps(sound, [planned(faded), planned(Reverse())])
    other = run_steps(sound, [planned(Reverse()), planned(faded)])
    assert np.array_equal(first.samples, reverse(fade(sound, faded), Reverse()).samples)
    assert np.array_equal(other.samples, fade(reverse(sound, Reverse()), faded).samples)
    assert not np.array_equal(first.samples, other.samples)


def test_the_history_lists_every_step_with_all_its_settings():
    done = run_steps(tone(), [planned(Fade(out_ms=50)), planned(Transpose(semitones=3, method="varispeed"))]).history
    assert [one.step for one in done] == ["fade", "transpose"]
    assert done[0].settings == {"in_ms": 0.0, "out_ms": 50.0}  # the default too
    assert done[1].settings == {"semitones": 3.0, "method": "varispeed"}


def test_what_a_step_found_stands_at_that_step_and_at_no_other():
    sound = run_steps(tone(), [planned(Level(peak_db=-12)), planned(Reverse())])
    level, turned = sound.history
    # 0.4 is -7.96 dBFS; the tone's own peak lies within a thousandth of it
    assert level.found["gain_db"] == pytest.approx(-12 + 7.96, abs=0.01)
    assert (dict(turned.found), turned.said) == ({}, ())
    assert (dict(sound.found), sound.said) == ({}, ())


def test_an_earlier_history_is_kept_in_front():
    sound = run_steps(run_steps(tone(), [planned(Reverse())]), [planned(Fade(in_ms=1))])
    assert [one.step for one in sound.history] == ["reverse", "fade"]


@pytest.mark.parametrize("label", ["tune", "home"])
def test_an_error_says_once_which_step_it_was_by_what_the_kit_calls_it(label):
    settings = Tune(to="A#3", limit_semitones=0.5, a4_hz=440, middle_c="C4")
    with pytest.raises(StepError, match=r"1\.00 semitones") as caught:
        run_steps(tone(), [planned(Reverse()), planned(settings, label)])
    assert [one.where for one in caught.value.mistakes] == [f"{label}.limit_semitones"]
    assert all(one.hint for one in caught.value.mistakes)


def test_an_error_without_a_place_of_its_own_gets_the_step_as_its_place(monkeypatch):
    def broken(sound, settings):
        raise StepError("cannot")

    monkeypatch.setattr("kitfold.render.run.step_named", lambda name: broken)
    with pytest.raises(StepError) as caught:
        run_steps(tone(), [planned(Reverse(), "backwards")])
    assert [one.where for one in caught.value.mistakes] == ["backwards"]
