"""Fade: raised cosines, checked against their closed form."""

import numpy as np
import pytest

from kitfold.plan.settings import Fade
from kitfold.sound import Sound
from kitfold.steps.fade import fade

RATE = 8000


def ones(frames, channels=1):
    return Sound(np.ones((frames, channels)), RATE)


def test_a_fade_is_a_raised_cosine_from_exact_zero_to_exact_zero():
    faded = fade(ones(4000, 2), Fade(in_ms=100, out_ms=50)).samples
    ins, outs = np.arange(800), np.arange(400)
    assert faded[:800, 0] == pytest.approx(0.5 - 0.5 * np.cos(np.pi * ins / 800), abs=1e-7)  # float32's own step
    assert faded[-1 - outs, 1] == pytest.approx(0.5 - 0.5 * np.cos(np.pi * outs / 400), abs=1e-7)
    assert not faded[0].any()
    assert not faded[-1].any()
    assert (faded[800:-400] == 1.0).all()


def test_a_fade_of_nothing_changes_nothing():
    assert (fade(ones(100), Fade()).samples == 1.0).all()


@pytest.mark.parametrize("frames", [0, 1, 2, 50])
def test_a_fade_longer_than_the_sound_takes_all_of_it(frames):
    faded = fade(ones(frames), Fade(out_ms=60_000)).samples[:, 0]
    assert faded == pytest.approx(np.sin(np.pi / 2 * np.arange(frames)[::-1] / max(frames, 1)) ** 2, abs=1e-7)


def test_where_both_fades_meet_both_apply():
    faded = fade(ones(100), Fade(in_ms=12.5, out_ms=12.5)).samples[:, 0]
    assert faded[50] == pytest.approx(0.5 * np.sin(np.pi / 2 * 49 / 100) ** 2, abs=1e-7)
