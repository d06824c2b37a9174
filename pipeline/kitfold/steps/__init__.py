"""Steps: pure functions from a sound and its settings to a sound. `STEPS` is the one list of them.

A step is loaded when it is first asked for, so that a command pays only for what it uses.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from importlib import import_module
from typing import Any

from kitfold.sound import Sound

__all__ = ["KEEP_LOOP", "STEPS", "Step", "step_named"]

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

KEEP_LOOP = frozenset({"fold", "tune", "transpose", "filter", "loop", "level"})
"""Steps after which a loop still goes round without a seam (`tune` and `transpose`: by varispeed). Before any other one
the loop is taken away, and the history says so: trim, fade and riser change one end of the sound, reverse turns it
round, what an effect or a layer of a stack sounds like hangs on what came before."""


def step_named(name: str) -> Step:
    """Return the function of a step.

    Raises
    ------
    KeyError : where there is no such step (the plan has refused it before)
    """
    step: Step = getattr(import_module(STEPS[name]), name)
    return step if name in KEEP_LOOP else partial(_played_once, name, step)


def _played_once(name: str, step: Step, sound: Sound, settings: Any) -> Sound:
    """Run a step that no loop survives."""
    if sound.loop is None:
        return step(sound, settings)
    result = step(sound.with_samples(sound.samples, loop=None), settings)
    again = "" if result.whole else f"; put the step loop after {name}"  # what has to end as it does must not loop
    return result.telling(f"its loop is gone: {name} changes what it joined{again}")
