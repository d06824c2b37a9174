"""The laws of steps, one table: what every step keeps, and what each declares to keep beside that.

For all: nothing NaN, the length that its formula says, the input unchanged, the same bytes twice. Declared by some:
channels apart equal channels together; a gain before it is the same gain after it (or makes no difference).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from kitfold.errors import StepError
from kitfold.plan.key import parse_key
from kitfold.plan.settings import SETTINGS
from kitfold.plan.step_base import Context
from kitfold.sound import Sound
from kitfold.steps import STEPS, step_named
from kitfold.steps.shift import varispeed_frames
from kitfold.units import seconds_to_frames

RATE = 22_050
CONTEXT = Context(key=parse_key("D minor"), tempo=120)
Frames = Callable[[Sound, Sound], int]


def same(source: Sound, result: Sound) -> int:
    return source.frames


def trimmed(source: Sound, result: Sound) -> int:
    cut_s = result.found.get("head_cut_s", 0.0) + result.found.get("tail_cut_s", 0.0)
    return source.frames - seconds_to_frames(cut_s, source.rate_hz)


def by_varispeed(source: Sound, result: Sound) -> int:
    ratio = 2 ** (result.found.get("moved_cents", 0.0) / 1200)
    return varispeed_frames(source.frames, ratio)


def swell(source: Sound, result: Sound) -> int:
    return seconds_to_frames(0.5, RATE) + seconds_to_frames(0.05, RATE)  # one beat at 120, and the release


def up_to_the_loop_s_end(source: Sound, result: Sound) -> int:
    return result.loop[1] if result.loop else source.frames


@dataclass(frozen=True)
class Law:
    """A step with settings, and what it declares: `gain` "commutes", or makes no difference ("ignored"), or neither."""

    step: str
    keys: dict[str, Any]
    frames: Frames = same
    apart: bool = False
    gain: str = "commutes"
    channels: int | None = None
    refuses_silence: bool = False

    def __str__(self) -> str:
        return "-".join([self.step, *map(str, self.keys.values())])

    def __call__(self, sound: Sound) -> Sound:
        return step_named(self.step)(sound, SETTINGS[self.step](**self.keys).resolved(CONTEXT))


LAWS = [
    Law("trim", {}, trimmed),
    Law("fold", {}, channels=1),
    Law("fold", {"channels": 2}, apart=True),
    Law("tune", {"to": "D3", "heard": "D#3"}, by_varispeed),
    Law("tune", {"to": "D3", "heard": "D#3", "method": "keep-length"}),
    Law("stack", {"intervals": (0, 7), "spread_cents": 5}),
    Law("transpose", {"semitones": -3}),
    Law(
        "transpose",
        {"semitones": 5, "method": "varispeed"},
        lambda source, result: varispeed_frames(source.frames, 2 ** (5 / 12)),
        apart=True,
    ),
    Law("riser", {"beats": 1}, swell, gain=""),  # its chance is seeded by the samples: other samples, another wash
    Law("reverse", {}, apart=True),
    Law("fade", {"in_ms": 5, "out_ms": 30}, apart=True),
    Law("filter", {"highpass_hz": 60, "lowpass_hz": 3000, "slope_db": 24}, apart=True),
    Law("effect", {"name": "low-shelf", "cutoff_frequency_hz": 200, "gain_db": 6}, apart=True),
    Law(
        "effect",
        {"name": "reverb", "room_size": 0.5, "tail_s": 0.25},
        lambda source, result: source.frames + seconds_to_frames(0.25, RATE),
    ),
    Law("loop", {"method": "find", "length_s": 0.2}, up_to_the_loop_s_end),
    Law("loop", {"method": "freeze", "length_s": 0.2, "crossfade_ms": 40}, up_to_the_loop_s_end),
    Law("level", {"lufs": -20}, gain="ignored", refuses_silence=True),
    Law("level", {"peak_db": -3}, gain="ignored", refuses_silence=True),
    Law("level", {"true_peak_db": -3}, gain="ignored", refuses_silence=True),
]


def pluck(channels: int = 2, frames: int = RATE, gain: float = 1.0) -> Sound:
    """A D#3 with a little noise, fading, each channel its own: no step finds it easy."""
    time_s = np.arange(frames) / RATE
    noise = np.random.default_rng(11).standard_normal((frames, 2))
    tone = sum(np.sin(2 * np.pi * 155.56 * n * time_s + n) / n for n in range(1, 12))
    both = np.stack([tone, 0.7 * np.roll(tone, 5)], axis=1) + 0.003 * noise
    return Sound(gain * 0.2 * (both * np.exp(-4 * time_s)[:, None])[:, :channels], RATE)


def silence(channels: int, frames: int) -> Sound:
    return Sound(np.zeros((frames, channels)), RATE)


SOUNDS = {
    "stereo": pluck(),
    "mono": pluck(1),
    "one frame": Sound([[0.5, -0.25]], RATE),
    "two frames": Sound([[0.5], [-0.25]], RATE),
    "no frames": silence(2, 0),
    "silence": silence(2, 3000),
    "a constant": Sound(np.full((3000, 1), 0.25), RATE),
}

every_law = pytest.mark.parametrize("law", LAWS, ids=str)
every_sound = pytest.mark.parametrize("name", SOUNDS)


def test_every_step_stands_under_the_laws():
    assert {law.step for law in LAWS} == set(STEPS) == set(SETTINGS)


@every_sound
@every_law
def test_what_comes_out_is_finite_and_as_long_as_the_formula_says_and_the_input_is_unchanged(law, name):
    source = SOUNDS[name]
    before = source.samples.tobytes()
    if law.refuses_silence and not source.samples.any():
        with pytest.raises(StepError, match="silence"):
            law(source)
        return
    result = law(source)
    assert np.isfinite(result.samples).all()
    assert result.frames == law.frames(source, result)
    assert result.channels == (law.channels or source.channels)
    assert result.rate_hz == source.rate_hz
    assert source.samples.tobytes() == before
    assert (source.said, dict(source.found)) == ((), {})


@every_law
def test_the_same_sound_gives_the_same_bytes_twice(law):
    first, second = law(pluck()), law(pluck())
    assert first.samples.tobytes() == second.samples.tobytes()
    assert (first.said, dict(first.found)) == (second.said, dict(second.found))


@pytest.mark.parametrize("law", [law for law in LAWS if law.apart], ids=str)
def test_channels_apart_equal_channels_together(law):
    together = law(pluck()).samples
    apart = [law(Sound(pluck().samples[:, channel], RATE)).samples for channel in (0, 1)]
    assert np.array_equal(together, np.concatenate(apart, axis=1))


@pytest.mark.parametrize("law", [law for law in LAWS if law.gain], ids=str)
def test_a_gain_before_is_a_gain_after_or_makes_no_difference(law):
    # half: exact in binary, so that what rounds differently cannot be told from what works differently
    plain, halved = law(pluck()).samples, law(pluck(gain=0.5)).samples
    wanted = plain if law.gain == "ignored" else 0.5 * plain
    assert np.max(np.abs(halved - wanted)) <= 2e-6 * np.max(np.abs(plain))  # float32 rounding, a few steps of it


@every_law
def test_silence_stays_silent(law):
    if not law.refuses_silence:
        assert not law(silence(2, 5000)).samples.any()
