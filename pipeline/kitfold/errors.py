"""Everything that can go wrong, as one tree.

    KitfoldError
    ├── PlanError        the kit, a device, a recipe or the command line asks for something impossible   (exit 2)
    ├── SoundFileError   a sound file cannot be read or written                                          (exit 2)
    ├── StepError        a step cannot do what it was asked to do with this sound                        (exit 2)
    ├── FitError         the kit does not fit the device, whatever is cut                                (exit 1)
    └── PackError        a build or pack cannot be written, read or swapped in                           (exit 2)

A message says where, what was found and what is allowed; `hint` says what to do. `main` alone turns an
exception into an exit code.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["FitError", "KitfoldError", "Mistake", "PackError", "PlanError", "SoundFileError", "StepError"]


@dataclass(frozen=True)
class Mistake:
    """One thing that is wrong, and where.

    Parameters
    ----------
    where : str, file and key path, e.g. ``"kit.toml: sound[2].trim.fade_ms"``
    what : str, what was found and what is allowed
    hint : str, what to do about it; may be empty
    """

    where: str
    what: str
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.where} {self.what}" if self.where else self.what
        return f"{text}\n  hint: {self.hint}" if self.hint else text


class KitfoldError(Exception):
    """The root of the tree: one or more mistakes, reported together.

    Parameters
    ----------
    what : str or iterable of Mistake
        A sentence, or mistakes that were collected before.
    where : str, file, key path, sound or step that the sentence is about
    hint : str, what to do about it
    """

    exit_code = 2

    def __init__(self, what: str | Iterable[Mistake], *, where: str = "", hint: str = "") -> None:
        self.mistakes = (Mistake(where, what, hint),) if isinstance(what, str) else tuple(what)
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))

    def __reduce__(self) -> tuple[type[KitfoldError], tuple[tuple[Mistake, ...]]]:
        """Travel whole: by default an exception takes its text along and nothing else."""
        return type(self), (self.mistakes,)

    def about(self, where: str) -> KitfoldError:
        """Return the same error with `where` put in front of each mistake's own place."""
        return type(self)(
            Mistake(f"{where} {mistake.where}".rstrip(), mistake.what, mistake.hint) for mistake in self.mistakes
        )


class PlanError(KitfoldError):
    """The kit, a device, a recipe or the command line asks for something that cannot be."""


class SoundFileError(KitfoldError):
    """A sound file cannot be read, used or written."""


class StepError(KitfoldError):
    """A step cannot do what it was asked to do with this sound."""


class FitError(KitfoldError):
    """The kit does not fit the device."""

    exit_code = 1


class PackError(KitfoldError):
    """A build or pack cannot be written, read or swapped in."""
