"""Choose one option from each group so that all fit and the summed cost is least: exactly.

This is the allocation problem of Shoham and Gersho ("Efficient bit allocation for an arbitrary set of quantizers", IEEE
Trans. ASSP 36(9), 1988) with a second resource, the slots: a multiple-choice knapsack. Their Lagrangian gives a lower
bound and tells every option's reduced cost: what taking it adds to that bound at least. What lies between is closed by
dynamic programming over Pareto lists (Kellerer, Pferschy and Pisinger, "Knapsack Problems", 2004, chapter 11), which
drops whatever lies further over the bound than a margin. The margin starts small and is doubled until a choice is found
within it; that one is the best, since nothing within the margin was dropped. Resources are whole numbers, so nothing is
ever one unit over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.pack.prices import Group, Prices, Real, Whole, best_prices, bound_at

__all__ = ["Option", "choose"]

_SLACK = 1e-11
"""Relative margin of a bound: keeps rounding from dropping the optimum, and is the smallest margin that is tried."""
_FIRST_MARGIN = 1e-7  # of what the best choice can be over the bound at most


@dataclass(frozen=True, slots=True)  # a large kit has a hundred thousand
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
class _States:
    """Partial choices that none other beats: what they take, how far over the bound, and where they came from."""

    units: Whole
    slots: Whole
    cost: Real
    over: Real
    before: Whole
    option: Whole

    def only(self, keep: Whole | NDArray[np.bool_]) -> _States:
        fields = (self.units, self.slots, self.cost, self.over, self.before, self.option)
        return _States(*(field[keep] for field in fields))  # type: ignore[arg-type]


def choose(groups: Sequence[Sequence[Option]], units: int, slots: int) -> tuple[int, ...] | None:
    """Choose one option from each group: the least summed cost that fits.

    Of choices that cost the same the one with fewer units is taken, then the one with fewer slots; the same groups give
    the same choice.

    Parameters
    ----------
    groups : sequence of sequences of Option, none empty
    units, slots : int, what there is

    Returns
    -------
    tuple of int, the place of each group's option, or None where nothing fits
    """
    if not groups:
        return ()
    arrays = _possible([_undominated(group) for group in groups], units, slots)
    if arrays is None or not _feasible(arrays, units, slots):
        return None
    prices = best_prices(arrays, units, slots)
    most = sum(float(group.cost.max()) for group in arrays)
    bound = bound_at(arrays, prices, units, slots)
    slack = _SLACK * (1.0 + most)
    margin = slack
    while True:
        found = _search(arrays, prices, units, slots, margin + slack)
        if found is not None:
            return tuple(int(group.index[place]) for group, place in zip(arrays, found, strict=True))
        margin = max(2.0 * margin, _FIRST_MARGIN * (most - bound))


def _undominated(options: Sequence[Option]) -> Group:
    """Drop options that another is at least as good as in everything."""
    units = np.array([option.units for option in options], dtype=np.int64)
    slots = np.array([option.slots for option in options], dtype=np.int64)
    cost = np.array([option.cost for option in options], dtype=np.float64)
    kept = np.sort(_frontier(units, slots, cost))
    return Group(units[kept], slots[kept], cost[kept], kept)


def _frontier(units: Whole, slots: Whole, cost: Real) -> Whole:
    """Return the places of what no other matches in units, slots and cost; the first of equals stays."""
    kept: list[Whole] = []
    seen = np.zeros(0, dtype=np.int64)
    for count in np.unique(slots):
        here = np.flatnonzero(slots == count)
        both = np.concatenate([seen, here])  # what takes fewer slots comes first among equals
        order = both[np.lexsort((np.arange(len(both)), cost[both], units[both]))]
        least = np.minimum.accumulate(np.concatenate([[np.inf], cost[order]]))
        seen = order[cost[order] < least[:-1]]
        kept.append(seen[slots[seen] == count])
    return np.concatenate(kept) if kept else seen


def _possible(groups: Sequence[Group], units: int, slots: int) -> list[Group] | None:
    """Drop options that cannot fit even beside the smallest of all others; None where a group loses all."""
    left_units = units - sum(int(group.units.min()) for group in groups)
    left_slots = slots - sum(int(group.slots.min()) for group in groups)
    fitting = []
    for group in groups:
        keep = (group.units - group.units.min() <= left_units) & (group.slots - group.slots.min() <= left_slots)
        if not keep.any():
            return None
        fitting.append(group.only(keep))
    return fitting


def _feasible(groups: Sequence[Group], units: int, slots: int) -> bool:
    """Say whether anything fits: the fewest units by number of slots, group by group."""
    smallest = [np.lexsort((group.slots, group.units))[0] for group in groups]
    sums = [sum(int(of[n]) for of, n in zip(own, smallest, strict=True)) for own in _units_and_slots(groups)]
    if sums[0] > units or sums[1] <= slots:
        return sums[0] <= units
    nobody = np.iinfo(np.int64).max // 2
    least = np.full(slots + 1, nobody, dtype=np.int64)
    least[0] = 0
    for group in groups:
        grown = np.full(slots + 1, nobody, dtype=np.int64)
        for more in np.unique(group.slots[group.slots <= slots]):
            used = least[: slots + 1 - more] + group.units[group.slots == more].min()
            np.minimum(grown[more:], used, out=grown[more:])
        least = np.minimum(grown, nobody)
    return bool(least.min() <= units)


def _units_and_slots(groups: Sequence[Group]) -> tuple[list[Whole], list[Whole]]:
    return [group.units for group in groups], [group.slots for group in groups]


def _search(groups: Sequence[Group], prices: Prices, units: int, slots: int, margin: float) -> tuple[int, ...] | None:
    """Find the best choice that costs at most `margin` over the bound; None where there is none.

    A choice's cost is the bound, its options' reduced costs, and what it leaves unspent at its price: none is negative.
    """
    reduced = [prices.of(group) - prices.of(group).min() for group in groups]
    near = [np.flatnonzero(own <= margin) for own in reduced]
    left = [(group.only(keep), own[keep]) for group, own, keep in zip(groups, reduced, near, strict=True)]
    order = sorted(range(len(left)), key=lambda n: (-int(np.ptp(left[n][0].units)), n))  # so that little is left open
    trail = _grown([left[n] for n in order], prices, units, slots, margin)
    if trail is None:
        return None
    last = trail[-1]
    place = int(np.lexsort((last.slots, last.units, last.cost))[0])
    found = [0] * len(groups)
    for n, states in zip(reversed(order), reversed(trail), strict=False):
        found[n] = int(near[n][states.option[place]])
        place = int(states.before[place])
    return tuple(found)


def _grown(
    groups: Sequence[tuple[Group, Real]], prices: Prices, units: int, slots: int, margin: float
) -> list[_States] | None:
    """Grow Pareto lists group by group; None where all states have left the margin."""
    zero = np.zeros(1, dtype=np.int64)
    states = _States(zero, zero, np.zeros(1), np.zeros(1), zero, zero)
    trail = []
    fewest, most = _still_to_come([group for group, _ in groups])
    for n, (group, reduced) in enumerate(groups):
        states = _extended(states, group, reduced)
        left_units, left_slots = units - states.units, slots - states.slots
        unspent = prices.unit * np.maximum(left_units - most[n, 0], 0)
        unspent += prices.slot * np.maximum(left_slots - most[n, 1], 0)
        fits = (left_units >= fewest[n, 0]) & (left_slots >= fewest[n, 1])
        states = states.only(fits & (states.over + unspent <= margin))
        if not len(states.cost):
            return None
        states = states.only(_frontier(states.units, states.slots, states.cost))
        trail.append(states)
    return trail


def _still_to_come(groups: Sequence[Group]) -> tuple[Whole, Whole]:
    """Return the fewest and the most units and slots that the groups behind each one take: (groups, 2)."""

    def behind(values: list[tuple[int, int]]) -> Whole:
        table = np.array(values, dtype=np.int64).reshape(-1, 2)
        total: Whole = np.cumsum(table[::-1], axis=0)[::-1] - table
        return total

    return (
        behind([(int(group.units.min()), int(group.slots.min())) for group in groups]),
        behind([(int(group.units.max()), int(group.slots.max())) for group in groups]),
    )


def _extended(states: _States, group: Group, reduced: Real) -> _States:
    """Combine every state with every option."""
    count, options = len(states.cost), len(group.cost)
    before = np.repeat(np.arange(count), options)
    option = np.tile(np.arange(options), count)
    return _States(
        states.units[before] + group.units[option],
        states.slots[before] + group.slots[option],
        states.cost[before] + group.cost[option],
        states.over[before] + reduced[option],
        before,
        option,
    )
