"""Level: the target is met by our meter, which tests/outside/test_loudness.py holds against the standards."""

import numpy as np
import pytest

from kitfold.errors import StepError
from kitfold.measure.level import loudest_lufs, peak_db, true_peak_db
from kitfold.plan.settings import Level
from kitfold.sound import Sound
from kitfold.steps.level import level

RATE = 44_100
NOISE = np.random.default_rng(2).standard_normal((RATE, 2)) * 0.01


@pytest.mark.parametrize(
    ("target", "measure"),
    [({"lufs": -20}, loudest_lufs), ({"peak_db": -3}, peak_db), ({"true_peak_db": -1}, true_peak_db)],
)
@pytest.mark.parametrize("frames", [1, 2, 441, RATE])
def test_every_length_meets_its_target(target, measure, frames):
    levelled = level(Sound(NOISE[:frames], RATE), Level(**target))
    assert measure(levelled) == pytest.approx(next(iter(target.values())), abs=1e-4)  # float32


def test_one_gain_is_used_for_all_and_told():
    source = Sound(NOISE, RATE)
    levelled = level(source, Level(peak_db=-6))
    gain = 10 ** (levelled.found["gain_db"] / 20)
    assert np.allclose(levelled.samples, source.samples * gain, rtol=1e-4)  # told to a thousandth of a dB


def test_a_hit_and_a_pad_of_one_level_come_out_alike():
    hit = np.zeros(RATE)
    hit[100:4000] = NOISE[:3900, 0] * 20
    levels = [loudest_lufs(level(Sound(samples, RATE), Level(lufs=-18))) for samples in (hit, NOISE[:, 0])]
    assert levels[0] == pytest.approx(levels[1], abs=1e-4)  # float32


@pytest.mark.parametrize("frames", [0, 1, 1000])
@pytest.mark.parametrize("target", [{"lufs": -20}, {"peak_db": -3}, {"true_peak_db": -1}])
def test_silence_is_refused_and_says_where(frames, target):
    with pytest.raises(StepError, match=rf"level.{next(iter(target))} cannot set the level of silence(.|\n)*hint"):
        level(Sound(np.zeros((frames, 1)), RATE), Level(**target))


def test_the_remains_of_silence_are_not_raised():
    with pytest.raises(StepError, match="peak is -140 dBFS"):
        level(Sound(np.full(1000, 1e-7), RATE), Level(peak_db=-1))
