"""Choose one option from each group so that all fit and the summed cost is least: exactly.

This is the allocation problem of Shoham and Gersho ("Efficient bit allocation for an arbitrary set of quantizers", IEEE
Trans. ASSP 36(9), 1988) with a second resource, the slots: a multiple-choice knapsack. Their Lagrangian gives a lower
bound, and choices on the convex hull a first solution; what lies between is closed by dynamic programming over Pareto
lists, in which a state that cannot beat the best known solution is dropped (Kellerer, Pferschy and Pisinger, "Knapsack
Problems", 2004, chapter 11). Resources are whole numbers, so nothing is ever one unit over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Option", "choose"]

_SLACK = 1e-9
"""Relative margin of a bound: keeps rounding from dropping the optimum."""
Whole = NDArray[np.int64]
Real = NDArray[np.float64]


@dataclass(frozen=True)
class Option:
    """One way to store something.

    Parameters
    ----------
    units : int, memory, >= 0
    slots : int, >= 0
    cost : float, >= 0
    """

    units: int
    slots: int
    cost: float


@dataclass(frozen=True, eq=False)
class _Group:
    """The options of a group as arrays; `index` is their place in the caller's list."""

    units: Whole
    slots: Whole
    cost: Real
    index: Whole

    def only(self, keep: NDArray[np.bool_]) -> _Group:
        return _Group(self.units[keep], self.slots[keep], self.cost[keep], self.index[keep])


@dataclass(frozen=True)
class _Prices:
    """What a unit and a slot are worth: the Lagrangian's multipliers."""

    unit: float
    slot: float

    def of(self, group: _Group) -> Real:
        priced: Real = group.cost + self.unit * group.units + self.slot * group.slots
        return priced


@dataclass(frozen=True, eq=False)
class _States:
    """Partial choices that none other beats: what they take, and where they came from."""

    units: Whole
    slots: Whole
    cost: Real
    before: Whole
    option: Whole

    def only(self, keep: Whole | NDArray[np.bool_]) -> _States:
        return _States(self.units[keep], self.slots[keep], self.cost[keep], self.before[keep], self.option[keep])


def choose(groups: Sequence[Sequence[Option]], units: int, slots: int) -> tuple[int, ...] | None:
    """Choose one option from each group: the least summed cost that fits.

    Of choices that cost the same the one with fewer units is taken, then the one with earlier options.

    Parameters
    ----------
    groups : sequence of sequences of Option, none empty
    units, slots : int, what there is

    Returns
    -------
    tuple of int, the place of each group's option, or None where nothing fits
    """
    arrays = [_undominated(group) for group in groups]
    if not arrays:
        return ()
    prices = _prices(arrays, units, slots)
    best = _first_solution(arrays, prices, units, slots)
    arrays = [_worth_trying(group, arrays, prices, units, slots, best) for group in arrays]
    order = sorted(
        range(len(arrays)), key=lambda n: (-len(arrays[n].cost), n)
    )  # large groups early: bounds bite sooner
    found = _search([arrays[n] for n in order], prices, units, slots, best)
    if found is None:
        return None
    chosen = dict(zip(order, found, strict=True))
    return tuple(int(arrays[n].index[chosen[n]]) for n in range(len(arrays)))


def _undominated(options: Sequence[Option]) -> _Group:
    """Drop options that another is at least as good as in everything."""
    order = sorted(range(len(options)), key=lambda n: (options[n].cost, options[n].units, options[n].slots, n))
    kept: list[int] = []
    for n in order:
        if not any(options[k].units <= options[n].units and options[k].slots <= options[n].slots for k in kept):
            kept.append(n)
    kept.sort()
    return _Group(
        np.array([options[n].units for n in kept], dtype=np.int64),
        np.array([options[n].slots for n in kept], dtype=np.int64),
        np.array([options[n].cost for n in kept]),
        np.array(kept, dtype=np.int64),
    )


def _taken(groups: Sequence[_Group], prices: _Prices) -> tuple[int, int]:
    """Return what the cheapest choice at these prices takes of units and slots."""
    places = [int(np.argmin(prices.of(group))) for group in groups]
    pairs = list(zip(groups, places, strict=True))
    return sum(int(g.units[p]) for g, p in pairs), sum(int(g.slots[p]) for g, p in pairs)


def _prices(groups: Sequence[_Group], units: int, slots: int) -> _Prices:
    """Find prices at which the cheapest choice just fits: one resource after the other, a few rounds."""
    prices = _Prices(0.0, 0.0)
    for _ in range(3):
        prices = _Prices(_price(groups, prices, "unit", units), prices.slot)
        prices = _Prices(prices.unit, _price(groups, prices, "slot", slots))
    return prices


def _price(groups: Sequence[_Group], prices: _Prices, which: str, limit: int) -> float:
    """Return the least price of one resource at which the cheapest choice keeps to its limit, by halving."""

    def over(price: float) -> bool:
        trial = _Prices(price, prices.slot) if which == "unit" else _Prices(prices.unit, price)
        return _taken(groups, trial)[0 if which == "unit" else 1] > limit

    if not over(0.0):
        return 0.0
    high = max(float(group.cost.max()) for group in groups) + 1.0
    low = high * 2.0**-80
    if over(high):
        return high
    for _ in range(60):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if over(middle) else (low, middle)
    return high


def _first_solution(groups: Sequence[_Group], prices: _Prices, units: int, slots: int) -> float:
    """Return the cost of a solution that fits, infinity where the prices lead to none."""
    places = [int(np.argmin(prices.of(group))) for group in groups]
    left_units = units - sum(int(g.units[p]) for g, p in zip(groups, places, strict=True))
    left_slots = slots - sum(int(g.slots[p]) for g, p in zip(groups, places, strict=True))
    if left_units < 0 or left_slots < 0:
        return np.inf
    for n, group in enumerate(groups):  # spend what is left, each group in turn
        place = places[n]
        fits = (group.units - group.units[place] <= left_units) & (group.slots - group.slots[place] <= left_slots)
        better = int(np.flatnonzero(fits)[np.argmin(group.cost[fits])])
        left_units -= int(group.units[better] - group.units[place])
        left_slots -= int(group.slots[better] - group.slots[place])
        places[n] = better
    return float(sum(g.cost[p] for g, p in zip(groups, places, strict=True)))


def _bound(groups: Sequence[_Group], prices: _Prices, units: int, slots: int) -> float:
    """Return the Lagrangian lower bound on every solution's cost."""
    return float(sum(prices.of(group).min() for group in groups)) - prices.unit * units - prices.slot * slots


def _worth_trying(
    group: _Group, groups: Sequence[_Group], prices: _Prices, units: int, slots: int, best: float
) -> _Group:
    """Drop options whose reduced cost alone lifts the bound over the best known solution."""
    if not np.isfinite(best):
        return group
    priced = prices.of(group)
    least = _bound(groups, prices, units, slots) + priced - priced.min()
    return group.only(least <= best + _SLACK * (1.0 + abs(best)))


def _search(groups: Sequence[_Group], prices: _Prices, units: int, slots: int, best: float) -> tuple[int, ...] | None:
    """Grow Pareto lists group by group, bounded from below by the Lagrangian of the groups still to come."""
    zero = np.zeros(1, dtype=np.int64)
    states = _States(zero, zero, np.zeros(1), zero, zero)
    trail: list[_States] = []
    for n, group in enumerate(groups):
        rest = groups[n + 1 :]
        states = _extended(states, group)
        states = states.only(states.units + sum(int(g.units.min()) for g in rest) <= units)
        states = states.only(states.slots + sum(int(g.slots.min()) for g in rest) <= slots)
        priced = states.cost + prices.unit * states.units + prices.slot * states.slots
        states = states.only(priced + _bound(rest, prices, units, slots) <= best + _SLACK * (1.0 + abs(best)))
        states = _pareto(states)
        if not len(states.cost):
            return None
        trail.append(states)
    place = int(np.lexsort((states.slots, states.units, states.cost))[0])
    found = []
    for states in reversed(trail):
        found.append(int(states.option[place]))
        place = int(states.before[place])
    return tuple(reversed(found))


def _extended(states: _States, group: _Group) -> _States:
    """Combine every state with every option."""
    count, options = len(states.cost), len(group.cost)
    before = np.repeat(np.arange(count), options)
    option = np.tile(np.arange(options), count)
    return _States(
        states.units[before] + group.units[option],
        states.slots[before] + group.slots[option],
        states.cost[before] + group.cost[option],
        before,
        option,
    )


def _pareto(states: _States) -> _States:
    """Keep the states that no other matches in units, slots and cost; the first of equals stays."""
    order = np.lexsort((np.arange(len(states.cost)), states.cost, states.units, states.slots))
    states = states.only(order)
    keep = np.ones(len(states.cost), dtype=bool)
    seen = np.empty((0, 2))
    for slots in np.unique(states.slots):
        here = np.flatnonzero(states.slots == slots)
        table = np.stack([states.units[here].astype(float), states.cost[here]], axis=1)
        keep[here] = _improves(table, seen)
        seen = _staircase(np.concatenate([seen, table]))
    return states.only(keep)


def _improves(table: Real, seen: Real) -> NDArray[np.bool_]:
    """Say which rows (units, cost), sorted by units, cost less than all before them and all in `seen` up to them."""
    costs = table[:, 1]
    before = np.concatenate(([np.inf], np.minimum.accumulate(costs)[:-1]))
    if len(seen):
        at = np.searchsorted(seen[:, 0], table[:, 0], side="right") - 1
        before = np.minimum(before, np.where(at >= 0, seen[np.maximum(at, 0), 1], np.inf))
    improves: NDArray[np.bool_] = costs < before
    return improves


def _staircase(table: Real) -> Real:
    """Return (units, least cost up to there), by units."""
    table = table[np.lexsort((table[:, 1], table[:, 0]))]
    table[:, 1] = np.minimum.accumulate(table[:, 1])
    return table
