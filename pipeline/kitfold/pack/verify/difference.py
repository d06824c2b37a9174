"""What verify finds: one difference a line, safe to print whatever a stranger's file holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from kitfold.files.tree import Flaw

__all__ = ["Difference", "clean_text", "from_flaws"]

_LONGEST = 160


@dataclass(frozen=True)
class Difference:
    """One thing that is not as the manifest, or the one form of a pack, says.

    Parameters
    ----------
    file : str, relative to the pack or build; ``zip`` for the archive's own bytes
    what : str, the figure or property
    expected, found : str
    """

    file: str
    what: str
    expected: str
    found: str

    def __str__(self) -> str:
        file, what, expected, found = self.to_json().values()
        return f"{file}: {what}: expected {expected}, found {found}"

    def to_json(self) -> dict[str, str]:
        """Return it as --json prints it."""
        values = (self.file, self.what, self.expected, self.found)
        return dict(zip(("file", "what", "expected", "found"), map(clean_text, values), strict=True))


def from_flaws(flaws: Iterable[Flaw]) -> list[Difference]:
    """Return what a folder or an archive found wrong with itself."""
    return [Difference(flaw.file, flaw.what, flaw.expected, flaw.found) for flaw in flaws]


def clean_text(text: str) -> str:
    """Return text that cannot move a terminal's cursor or fill its window: escapes for what is not printable, cut."""
    short = text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"
    return "".join(letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in short)
