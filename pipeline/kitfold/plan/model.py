"""The base of every model that a file is read into: frozen, strict, unknown keys refused."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, StringConstraints

__all__ = ["NAME_PATTERN", "Model", "Name", "RefusedError"]

NAME_PATTERN = r"^[a-z0-9-]{1,32}$"
Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
"""A kit's, sound's or section's name: a-z 0-9 -, 1 to 32 characters."""


class RefusedError(ValueError):
    """What a model refuses, with what to do about it.

    Parameters
    ----------
    what : str, what was found and what is allowed
    hint : str
    """

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.hint = hint


class Model(BaseModel):
    """A frozen set of values that checked itself when it was made.

    Strict: a number in quotes is not a number, and true is not 1. Lists arrive as tuples (see `plan.load`).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
