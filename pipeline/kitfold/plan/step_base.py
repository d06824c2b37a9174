"""What the settings of all steps share: common ranges, and how settings become concrete."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar, Self

from pydantic import Field

from kitfold.plan.key import Key
from kitfold.plan.model import Model

__all__ = ["LONGEST_S", "Context", "GainDb", "Hertz", "Milliseconds", "Seconds", "Semitones", "StepSettings"]

Semitones = Annotated[float, Field(ge=-48, le=48)]
GainDb = Annotated[float, Field(ge=-60, le=12)]
LONGEST_S = 600
"""The longest that a source or a riser may be."""
Seconds = Annotated[float, Field(gt=0, le=LONGEST_S)]
Milliseconds = Annotated[float, Field(ge=0, le=60_000)]
Hertz = Annotated[float, Field(ge=10, le=96_000)]


@dataclass(frozen=True)
class Context:
    """What a step's defaults may draw on: the kit's key, tempo and tuning.

    Parameters
    ----------
    key : Key
    tempo : float, beats per minute
    a4_hz : float, Hz
    middle_c : str, ``"C4"`` or ``"C3"``
    """

    key: Key
    tempo: float
    a4_hz: float = 440.0
    middle_c: str = "C4"


class StepSettings(Model):
    """What all settings share: a name, a sentence, and how to become concrete."""

    step: ClassVar[str]
    does: ClassVar[str]

    @property
    def needs(self) -> frozenset[str]:
        """Which of ``key`` and ``tempo`` the kit must say for these settings to mean anything."""
        return frozenset()

    def resolved(self, context: Context) -> Self:
        """Return these settings with everything that the kit decides filled in.

        Raises
        ------
        ValueError : where they make no sense in this kit
        """
        return self
