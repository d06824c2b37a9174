"""The scales under a sound's two figures: where seconds and frequencies stand, in percent of the figure's width."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10

from kitfold.sheet.figures import BANDS_HZ

__all__ = ["BAND_TICKS", "Tick", "time_ticks"]

_MOST_STEPS = 4
_EDGE_PERCENT = 6.0  # nearer to an edge than that, a figure is written inwards


@dataclass(frozen=True)
class Tick:
    """One place of a scale.

    Parameters
    ----------
    x : float, percent
    text : str
    at : float, percent: where the text stands, which may have to keep clear of the edge
    """

    x: float
    text: str
    at: float

    @property
    def anchor(self) -> str:
        """Which side of the text stands at its place, so that it stays under the figure."""
        return "start" if self.at < _EDGE_PERCENT else "end" if self.at > 100.0 - _EDGE_PERCENT else "middle"


def time_ticks(span_s: float) -> tuple[Tick, ...]:
    """Return the seconds to write under an outline: steps of 1, 2 or 5, four at most.

    Parameters
    ----------
    span_s : float, s, what the whole figure covers; 0: there is nothing to write
    """
    if span_s <= 0.0:
        return ()
    steps = (digit * 10.0**power for power in range(-3, 5) for digit in (1, 2, 5))
    step = next(one for one in steps if span_s / one <= _MOST_STEPS)
    places = [(round(100.0 * i * step / span_s, 2), f"{i * step:g} s") for i in range(floor(span_s / step + 1e-9) + 1)]
    return tuple(Tick(x, text, x) for x, text in places)


def _band_tick(hz: float, text: str, at: float | None = None) -> Tick:
    """Place a frequency among bands that lie a tenth of a decade apart."""
    x = round(100.0 * log10(hz / BANDS_HZ[0]) * 10.0 / (len(BANDS_HZ) - 1), 2)
    return Tick(x, text, x if at is None else at)


# the last ends with its figure, for on a phone half of it is wider than what is left there
BAND_TICKS = (_band_tick(100.0, "100 Hz"), _band_tick(1000.0, "1 k"), _band_tick(10000.0, "10 kHz", at=100.0))
