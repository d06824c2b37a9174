"""Steps: pure functions from a sound and its settings to a sound. `STEPS` is the one list of them.

A step is loaded when it is first asked for, so that a command pays only for what it uses.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

from kitfold.sound import Sound

__all__ = ["STEPS", "Step", "step_named"]

Step = Callable[[Sound, Any], Sound]

STEPS: dict[str, str] = {
    "trim": "kitfold.steps.trim",
    "fold": "kitfold.steps.fold",
    "tune": "kitfold.steps.tune",
    "stack": "kitfold.steps.stack",
    "transpose": "kitfold.steps.transpose",
    "riser": "kitfold.steps.riser",
    "reverse": "kitfold.steps.reverse",
    "fade": "kitfold.steps.fade",
    "filter": "kitfold.steps.filter",
    "effect": "kitfold.steps.effect",
    "loop": "kitfold.steps.loop",
    "level": "kitfold.steps.level",
}
"""Every step and the module that has it. The function bears the step's name; `plan.settings` has its settings."""


def step_named(name: str) -> Step:
    """Return the function of a step.

    Raises
    ------
    KeyError : where there is no such step (the plan has refused it before)
    """
    step: Step = getattr(import_module(STEPS[name]), name)
    return step
