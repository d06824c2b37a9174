"""The settings of every step, each documented once, here.

`kitfold steps`, the README's table and error messages read these models. A step's settings are complete and concrete
once `resolved` has filled what the kit says (key, tempo, tuning); only then may a step run.
"""

from __future__ import annotations

from typing import Literal, Self

from pydantic import ConfigDict, Field, model_validator

from kitfold.plan.effects import EFFECTS, check_effect
from kitfold.plan.step_base import LONGEST_S, Context, GainDb, Hertz, Milliseconds, Seconds, Semitones, StepSettings
from kitfold.plan.tune import Tune

__all__ = [
    "SETTINGS",
    "Effect",
    "Fade",
    "Filter",
    "Fold",
    "Level",
    "Loop",
    "Reverse",
    "Riser",
    "Stack",
    "Transpose",
    "Trim",
    "Tune",
]


class Trim(StepSettings):
    """Settings of `trim`."""

    step = "trim"
    does = "cuts silence at both ends, keeps the attack whole, fades the cut to exact zero"

    head_db: float = Field(-50, ge=-120, lt=0, description="level under the peak that counts as the start")
    tail_db: float = Field(-60, ge=-120, lt=0, description="level under the peak that counts as the end")
    pre_ms: Milliseconds = Field(2, description="kept before the start")
    fade_ms: Milliseconds = Field(10, description="fade to zero at the end")


class Fold(StepSettings):
    """Settings of `fold`."""

    step = "fold"
    does = "mixes to fewer channels, choosing the way that cancels least"

    channels: Literal[1, 2] = Field(1, description="channels wanted")
    method: Literal["auto", "mid", "left", "right"] = Field("auto", description="how stereo becomes mono")


class Stack(StepSettings):
    """Settings of `stack`."""

    step = "stack"
    does = (
        "adds octave and fifth layers that keep their length; "
        "leaves out, and says so, an interval that the source already carries"
    )

    intervals: tuple[Semitones, ...] = Field((0, 7, 12), min_length=1, max_length=8, description="semitones")
    gains_db: tuple[GainDb, ...] | None = Field(
        None, min_length=1, max_length=8, description="one a layer; default 0, -8, -10, then 2 less each"
    )
    temperament: Literal["equal", "just"] = Field("equal", description="just: whole-number ratios, beat-free")
    spread_cents: float = Field(0, ge=0, le=50, description="layers detuned alternately up and down by this")

    @model_validator(mode="after")
    def _one_gain_each(self) -> Self:
        if self.gains_db is not None and len(self.gains_db) != len(self.intervals):
            raise ValueError(
                f"gains_db must have as many values as intervals ({len(self.intervals)}), got {len(self.gains_db)}"
            )
        if len(set(self.intervals)) != len(self.intervals):
            raise ValueError(f"intervals must differ from each other, got {list(self.intervals)}")
        return self

    def resolved(self, context: Context) -> Self:
        """Return these settings with a gain for every layer."""
        falling = (0.0, *(-6.0 - 2.0 * place for place in range(1, 8)))
        return self.model_copy(update={"gains_db": self.gains_db or falling[: len(self.intervals)]})


class Transpose(StepSettings):
    """Settings of `transpose`."""

    step = "transpose"
    does = "moves the pitch; varispeed does what a sampler does"

    semitones: Semitones = Field(description="how far, up or down")
    method: Literal["keep-length", "varispeed"] = Field("keep-length", description="varispeed changes the length")


class Riser(StepSettings):
    """Settings of `riser`.

    Give `beats` or `length_s`, not both; with neither it is 4 beats.
    """

    step = "riser"
    does = "turns a tail into a swell whose peak lies on the beat, then a short release"

    beats: float | None = Field(None, gt=0, le=256, description="length up to the peak, at the kit's tempo")
    length_s: Seconds | None = Field(None, description="length up to the peak")
    decay_s: Seconds | None = Field(None, description="reverberation time of the tail; default: from rise_db")
    rise_db: float = Field(30, gt=0, le=90, description="how far the level rises at least")
    open_hz: Hertz | None = Field(None, description="a low-pass that opens from here; default: none")
    release_ms: Milliseconds = Field(50, description="fade after the peak")
    hit: bool = Field(False, description="the source's attack starts on the beat")

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        if self.beats is not None and self.length_s is not None:
            raise ValueError("takes beats or length_s, not both")
        return self

    @property
    def needs(self) -> frozenset[str]:
        """The tempo, unless the length is said in seconds."""
        return frozenset({"tempo"} if self.length_s is None else ())

    def resolved(self, context: Context) -> Self:
        """Return these settings with the length in seconds; `beats` is then spent.

        Raises
        ------
        ValueError : where the beats last longer than a `length_s` may
        """
        if self.length_s is not None:
            return self
        beats = 4.0 if self.beats is None else self.beats
        length_s = beats * 60.0 / context.tempo
        if length_s > LONGEST_S:
            raise ValueError(
                f"{beats:g} beats last {length_s:g} s at {context.tempo:g} beats a minute; allowed are {LONGEST_S} s"
            )
        return self.model_copy(update={"length_s": length_s, "beats": None})


class Reverse(StepSettings):
    """`reverse` has no settings."""

    step = "reverse"
    does = "plays it backwards"


class Fade(StepSettings):
    """Settings of `fade`."""

    step = "fade"
    does = "fades in and out"

    in_ms: Milliseconds = Field(0, description="fade in")
    out_ms: Milliseconds = Field(0, description="fade out, to exact zero")


class Filter(StepSettings):
    """Settings of `filter`."""

    step = "filter"
    does = "high- and low-pass"

    highpass_hz: Hertz | None = Field(None, description="corner (-3 dB)")
    lowpass_hz: Hertz | None = Field(None, description="corner (-3 dB)")
    slope_db: Literal[6, 12, 18, 24, 36, 48] = Field(12, description="per octave")

    @model_validator(mode="after")
    def _something_to_do(self) -> Self:
        if self.highpass_hz is None and self.lowpass_hz is None:
            raise ValueError("needs highpass_hz, lowpass_hz or both")
        if self.highpass_hz is not None and self.lowpass_hz is not None and self.highpass_hz >= self.lowpass_hz:
            raise ValueError(f"highpass_hz ({self.highpass_hz:g}) must lie below lowpass_hz ({self.lowpass_hz:g})")
        return self


class Effect(StepSettings):
    """Settings of `effect`: beside `name` and `tail_s`, the settings of that effect, named as pedalboard names them."""

    model_config = ConfigDict(extra="allow")
    step = "effect"
    does = "an effect of pedalboard's own, from a list of safe ones"

    name: str = Field(description=f"one of {', '.join(EFFECTS)}")
    tail_s: float = Field(0, ge=0, le=60, description="silence added first, for the effect to ring in")

    @model_validator(mode="after")
    def _allowed(self) -> Self:
        check_effect(self.name, self.model_extra or {})
        return self


class Loop(StepSettings):
    """Settings of `loop`."""

    step = "loop"
    does = "finds or makes a seamless sustain loop"

    method: Literal["auto", "find", "freeze"] = Field("auto", description="find: in the sound; freeze: its spectrum")
    length_s: float = Field(1.5, ge=0.1, le=60, description="about how long the loop lasts")
    crossfade_ms: float = Field(150, ge=5, le=5000, description="before the loop's end, and into a frozen one")


class Level(StepSettings):
    """Settings of `level`.

    Give one of the three; with none it is `lufs = -20`.
    """

    step = "level"
    does = "sets loudness (of the loudest 400 ms, so it serves any length) or peak"

    lufs: float | None = Field(None, ge=-70, le=0, description="loudness of the loudest 400 ms (default -20)")
    peak_db: float | None = Field(None, ge=-70, le=0, description="sample peak, dBFS")
    true_peak_db: float | None = Field(None, ge=-70, le=0, description="true peak, dBTP")

    @model_validator(mode="after")
    def _one_target(self) -> Self:
        if sum(value is not None for value in (self.lufs, self.peak_db, self.true_peak_db)) > 1:
            raise ValueError("takes one of lufs, peak_db and true_peak_db")
        return self

    def resolved(self, context: Context) -> Self:
        """Return these settings with the default loudness where no target was given."""
        if self.lufs is None and self.peak_db is None and self.true_peak_db is None:
            return self.model_copy(update={"lufs": -20.0})
        return self


SETTINGS: dict[str, type[StepSettings]] = {
    model.step: model
    for model in (Trim, Fold, Tune, Stack, Transpose, Riser, Reverse, Fade, Filter, Effect, Loop, Level)
}
"""Every step's settings by its name, in the order of the README's table."""
