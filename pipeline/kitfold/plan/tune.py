"""The settings of `tune`, which have to do with notes, keys and names more than the others."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from kitfold.plan.step_base import Context, StepSettings
from kitfold.units import PITCH_CLASSES, parse_note, parse_pitch_class

__all__ = ["Tune"]


class Tune(StepSettings):
    """Settings of `tune`.

    `to` is ``tonic``, ``nearest``, ``key``, a note (``"D3"``), a pitch class (``"D"``) or several pitch classes. Once
    resolved it is a note or a tuple of pitch classes, the nearest of which is taken.
    """

    step = "tune"
    does = "finds the root and moves it to a note"

    to: str | Annotated[tuple[str, ...], Field(min_length=1, max_length=12)] = Field(
        "tonic", description="tonic, nearest, key, a note (D3) or pitch classes"
    )
    heard: str | None = Field(None, description="the source's note: overrides what was found")
    method: Literal["varispeed", "keep-length"] = Field("varispeed", description="how the pitch is moved")
    limit_semitones: float = Field(6, ge=0, le=48, description="a longer way is an error")
    a4_hz: float | None = Field(None, ge=220, le=880, description="tuning reference; default the kit's")
    middle_c: Literal["C4", "C3"] | None = Field(None, description="what MIDI 60 is called; default the kit's")

    @model_validator(mode="after")
    def _notes_are_notes(self) -> Self:
        if self.middle_c is not None:
            self._check_notes(self.middle_c)
            return self
        try:  # the kit says what MIDI 60 is called: here only what is no note under either name is refused
            self._check_notes("C4")
        except ValueError:
            self._check_notes("C3")
        return self

    @property
    def needs(self) -> frozenset[str]:
        """The key, where that is what is tuned to."""
        return frozenset({"key"} if self.to in ("tonic", "key") else ())

    def _check_notes(self, middle_c: str) -> None:
        if isinstance(self.to, tuple):
            for text in self.to:
                parse_pitch_class(text)
        elif self.to not in ("tonic", "nearest", "key"):
            _check_target(self.to, middle_c)
        if self.heard is not None:
            _check_heard(self.heard, middle_c)

    def resolved(self, context: Context) -> Self:
        """Return these settings with the kit's key and tuning filled in.

        Raises
        ------
        ValueError : for a note that is none where middle C is called what the kit says
        """
        words = {
            "tonic": (PITCH_CLASSES[context.key.tonic],),
            "key": tuple(PITCH_CLASSES[pitch_class] for pitch_class in context.key.scale),
            "nearest": PITCH_CLASSES,
        }
        to = words.get(self.to, self.to) if isinstance(self.to, str) else self.to
        middle_c = self.middle_c or context.middle_c
        self._check_notes(middle_c)
        return self.model_copy(update={"to": to, "a4_hz": self.a4_hz or context.a4_hz, "middle_c": middle_c})


def _check_heard(text: str, middle_c: str) -> None:
    try:
        parse_note(text, middle_c)
    except ValueError as error:
        raise ValueError(f"heard must be a note like A3; {error}") from None


def _check_target(text: str, middle_c: str) -> None:
    try:
        if text[-1:].isdigit():
            parse_note(text, middle_c)
        else:
            parse_pitch_class(text)
    except ValueError as error:
        raise ValueError(f"to must be tonic, nearest, key, a note like D3 or a pitch class like D; {error}") from None
