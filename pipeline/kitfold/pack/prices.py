"""What a unit of memory and a slot are worth: the prices at which the Lagrangian's lower bound is highest.

Shoham and Gersho ("Efficient bit allocation for an arbitrary set of quantizers", IEEE Trans. ASSP 36(9), 1988), with a
second resource, the slots: at given prices every group takes its cheapest option by itself, and what all take together,
less the price of what there is, is a lower bound on the cost of every choice that fits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Group", "Prices", "Real", "Whole", "best_prices", "bound_at"]

_HALVINGS = 60
_GOLDEN = (5.0**0.5 - 1.0) / 2.0
_GOLDEN_STEPS = 50
Whole = NDArray[np.int64]
Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Group:
    """The options of a group as arrays; `index` is their place in the caller's list."""

    units: Whole
    slots: Whole
    cost: Real
    index: Whole

    def only(self, keep: Whole | NDArray[np.bool_]) -> Group:
        """Return some of the options."""
        return Group(self.units[keep], self.slots[keep], self.cost[keep], self.index[keep])


@dataclass(frozen=True)
class Prices:
    """What a unit and a slot are worth: the Lagrangian's multipliers."""

    unit: float
    slot: float

    def of(self, group: Group) -> Real:
        """Return what each option of a group costs with its units and slots paid for."""
        priced: Real = group.cost + self.unit * group.units + self.slot * group.slots
        return priced


def bound_at(groups: Sequence[Group], prices: Prices, units: int, slots: int) -> float:
    """Return the Lagrangian lower bound on every solution's cost."""
    return float(sum(prices.of(group).min() for group in groups)) - prices.unit * units - prices.slot * slots


class _Dual:
    """The Lagrangian of all groups at once; only the corners of their convex hulls can be the cheapest."""

    def __init__(self, groups: Sequence[Group], units: int, slots: int) -> None:
        hulls = [group.only(_corners(group)) for group in groups]
        width = max((len(hull.cost) for hull in hulls), default=1)
        self.units, self.slots, self.cost = (
            np.array([np.pad(getattr(hull, name), (0, width - len(hull.cost)), mode="edge") for hull in hulls])
            for name in ("units", "slots", "cost")
        )
        self.limits = units, slots

    def value(self, prices: Prices) -> float:
        """Return the lower bound at these prices."""
        priced = self.cost + prices.unit * self.units + prices.slot * self.slots
        return float(priced.min(axis=1).sum()) - prices.unit * self.limits[0] - prices.slot * self.limits[1]

    def over(self, prices: Prices) -> tuple[bool, bool]:
        """Say whether the cheapest choice at these prices takes too many units, and too many slots."""
        places = np.argmin(self.cost + prices.unit * self.units + prices.slot * self.slots, axis=1)
        rows = np.arange(len(places))
        return (
            int(self.units[rows, places].sum()) > self.limits[0],
            int(self.slots[rows, places].sum()) > self.limits[1],
        )

    def unit_price(self, slot: float) -> float:
        """Return the least price of a unit at which the cheapest choice keeps to the units, by halving."""
        if not self.over(Prices(0.0, slot))[0]:
            return 0.0
        high = float(self.cost.max()) + slot * float(self.slots.max()) + 1.0
        low = high * 2.0**-80
        for _ in range(_HALVINGS):
            middle = float(np.sqrt(low * high))
            low, high = (middle, high) if self.over(Prices(middle, slot))[0] else (low, middle)
        return high


def best_prices(groups: Sequence[Group], units: int, slots: int) -> Prices:
    """Find the prices that give the highest bound: a unit's for each price of a slot, that by golden section.

    The bound is concave in both (it is a minimum of planes), so its maximum over one is concave in the other.
    """
    dual = _Dual(groups, units, slots)
    free = Prices(dual.unit_price(0.0), 0.0)
    if not dual.over(free)[1]:
        return free

    def at(slot: float) -> tuple[float, Prices]:
        prices = Prices(dual.unit_price(slot), slot)
        return dual.value(prices), prices

    low, high = 0.0, float(dual.cost.max()) + free.unit * float(dual.units.max())
    best = max((dual.value(free), free), at(high), key=lambda pair: pair[0])
    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    one, other = at(left), at(right)
    for _ in range(_GOLDEN_STEPS):
        best = max(best, one, other, key=lambda pair: pair[0])
        if one[0] >= other[0]:
            high, right, other = right, left, one
            left = high - _GOLDEN * (high - low)
            one = at(left)
        else:
            low, left, one = left, right, other
            right = low + _GOLDEN * (high - low)
            other = at(right)
    return best[1]


def _corners(group: Group) -> Whole:
    """Return the places on the lower convex hull of cost over units, for each number of slots."""
    kept: list[int] = []
    for count in np.unique(group.slots):
        here = np.flatnonzero(group.slots == count)
        hull: list[int] = []
        for place in here[np.argsort(group.units[here], kind="stable")]:
            while len(hull) >= 2 and _bends_up(group, hull[-2], hull[-1], int(place)):
                hull.pop()
            hull.append(int(place))
        kept += hull
    return np.array(kept, dtype=np.int64)


def _bends_up(group: Group, first: int, middle: int, last: int) -> bool:
    """Say whether the middle of three lies on or over the line from the first to the last."""
    units, cost = group.units, group.cost
    return bool(
        (cost[middle] - cost[first]) * (units[last] - units[first])
        >= (cost[last] - cost[first]) * (units[middle] - units[first])
    )
