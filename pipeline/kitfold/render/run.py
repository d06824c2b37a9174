"""Run a list of steps over a sound: one loop, no sound arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from kitfold.errors import StepError
from kitfold.plan.recipe import PlannedStep
from kitfold.sound import Sound
from kitfold.steps import step_named

__all__ = ["run_steps"]


def run_steps(sound: Sound, steps: Sequence[PlannedStep]) -> Sound:
    """Return a sound after its steps, with what was done in its history.

    Parameters
    ----------
    sound : Sound
    steps : sequence of PlannedStep, in order

    Raises
    ------
    StepError : where a step cannot do what it was asked; says which step
    """
    for planned in steps:
        try:
            sound = step_named(planned.step)(sound, planned.settings)
        except StepError as error:
            raise StepError(replace(one, where=_place(one.where, planned)) for one in error.mistakes) from error
        sound = sound.logged(planned.step, planned.settings.model_dump(mode="json"))
    return sound


def _place(where: str, planned: PlannedStep) -> str:
    """Name the place of a mistake as the kit writes it: a step knows its name, the kit may know it by `as`."""
    if where.startswith(f"{planned.step}."):
        return planned.label + where.removeprefix(planned.step)
    return f"{planned.label} {where}".rstrip()
