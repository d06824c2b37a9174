"""How the page writes numbers."""

from __future__ import annotations

__all__ = ["signed"]


def signed(number: float) -> str:
    """Write a number with its sign, a true minus: −5, 0, +3."""
    return f"{number:+g}".replace("-", "−") if number else "0"
