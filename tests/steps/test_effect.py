"""Effect: every one of the list runs, repeats to the byte and keeps its length; one of them against its closed form."""

import numpy as np
import pytest

import kitfold.steps.effect as module
from kitfold.errors import StepError
from kitfold.plan.effects import EFFECTS
from kitfold.plan.settings import Effect
from kitfold.sound import Sound
from kitfold.steps.effect import effect

RATE = 44_100


def noise(frames, channels):
    return Sound(np.random.default_rng(3).uniform(-0.2, 0.2, (frames, channels)), RATE, root_hz=100.0)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("name", EFFECTS)
def test_an_effect_repeats_to_the_byte_keeps_length_and_leaves_its_input_alone(name, channels):
    source = noise(3000, channels)
    before = source.samples.tobytes()
    first, second = (effect(source, Effect(name=name, tail_s=0.1)) for _ in range(2))
    assert first.samples.shape == (3000 + 4410, channels)
    assert first.samples.tobytes() == second.samples.tobytes()
    assert source.samples.tobytes() == before
    assert first.root_hz == 100.0


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [0, 1, 2, 3])
def test_few_frames_are_still_frames_and_not_channels(frames, channels):
    # clipping at -60 dB: every sample is held to a thousandth, whatever the array's shape might be taken for
    clipped = effect(noise(frames, channels), Effect(name="clipping", threshold_db=-60.0))
    assert clipped.samples.shape == (frames, channels)
    assert np.max(np.abs(clipped.samples), initial=0.0) <= 0.001001


def test_a_delay_rings_in_the_tail_where_it_should():
    click = Sound(np.eye(1, 1000).T, RATE)
    heard = effect(click, Effect(name="delay", tail_s=0.2, delay_seconds=0.1, feedback=0.5, mix=0.5)).float64()[:, 0]
    assert np.flatnonzero(np.abs(heard) > 0.01) == pytest.approx([0, 4410, 8820], abs=1)  # a frame: its interpolation
    assert heard[8820 - 1 : 8822].sum() / heard[4410 - 1 : 4412].sum() == pytest.approx(0.5, abs=0.01)


def test_the_settings_reach_the_effect():
    wet = effect(noise(500, 1), Effect(name="reverb", wet_level=0.0, dry_level=0.0))
    assert not wet.samples.any()


def test_what_is_no_number_is_an_error_that_names_the_effect(monkeypatch):
    monkeypatch.setattr(module, "_played", lambda dry, settings, rate_hz: np.full_like(dry, np.nan))
    with pytest.raises(StepError, match=r"effect chorus gave values that are no numbers.*'mix': 0\.5"):
        effect(noise(100, 1), Effect(name="chorus", mix=0.5))
