"""What every check is made with: a figure against its limit, and which of many rows to show."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from kitfold.pack.manifest import Check

__all__ = ["Result", "Row", "claim", "joined", "worst_of"]

Result = Literal["pass", "warn", "fail"]


@dataclass(frozen=True)
class Row:
    """One measured thing.

    Parameters
    ----------
    figure : float
    about : tuple of str, sounds
    advice : str, one sentence, for when it misses the limit, or what gives that: of many rows few are shown
    """

    figure: float
    about: tuple[str, ...]
    advice: str | Callable[[], str]

    def said(self) -> str:
        """Return the sentence."""
        return self.advice if isinstance(self.advice, str) else self.advice()


def claim(
    check: str, result: Result, figure: float, limit: float, unit: str, about: Iterable[str] = (), advice: str = ""
) -> Check:
    """Return a check; one that passes needs no advice."""
    figure, limit = round(figure, 3) + 0.0, round(limit, 3) + 0.0
    advice = advice if result != "pass" else ""
    return Check(check=check, result=result, figure=figure, limit=limit, unit=unit, about=list(about), advice=advice)


def worst_of(check: str, rows: Sequence[Row], limit: float, unit: str, at_least: bool = False) -> list[Check]:
    """Warn of every row that misses the limit; where none does, pass with the one that comes nearest.

    Parameters
    ----------
    check : str, its name
    rows : sequence of Row; none gives no check
    limit : float, the highest figure that passes
    unit : str
    at_least : bool, the limit is the lowest figure that passes
    """
    ordered = sorted(rows, key=lambda row: row.figure, reverse=not at_least)
    missed = [row for row in ordered if (row.figure < limit if at_least else row.figure > limit)]
    if missed:
        return [claim(check, "warn", row.figure, limit, unit, row.about, row.said()) for row in missed]
    return [claim(check, "pass", row.figure, limit, unit, row.about) for row in ordered[:1]]


def joined(words: Sequence[str]) -> str:
    """Write a list as a sentence has it: a, b and c; nothing for none."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
