"""How the page writes numbers."""

from __future__ import annotations

import math

__all__ = ["decibels", "record_seconds", "signed"]


def signed(number: float) -> str:
    """Write a number with its sign, a true minus: −5, 0, +3."""
    return f"{number:+g}".replace("-", "−") if number else "0"


def decibels(level_db: float) -> str:
    """Write a level or a cost, always with one decimal and a true minus: −8.0 dB, 0.0 dB."""
    rounded = round(level_db, 1) + 0.0  # no minus zero
    return f"{rounded:{'+' if rounded else ''}.1f} dB".replace("-", "−")


def record_seconds(seconds: float) -> str:
    """Write how long to record, never rounded up: what a slot takes more than it should is missing elsewhere."""
    return f"{math.floor(seconds * 1000.0 + 1e-3) / 1000.0:.3f}"
