"""The chooser against trying everything, and its speed on a kit of realistic size."""

from __future__ import annotations

import itertools
import time

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from kitfold.pack.choose import Option, choose

OPTION = st.builds(Option, st.integers(0, 30), st.integers(0, 3), st.integers(0, 40).map(float))
GROUPS = st.lists(st.lists(OPTION, min_size=1, max_size=6), min_size=1, max_size=6)


def _totals(groups, places):
    picked = [group[place] for group, place in zip(groups, places, strict=True)]
    return sum(o.cost for o in picked), sum(o.units for o in picked), sum(o.slots for o in picked)


def _by_trying_everything(groups, units, slots):
    every = itertools.product(*(range(len(group)) for group in groups))
    fitting = [t for t in (_totals(groups, places) for places in every) if t[1] <= units and t[2] <= slots]
    return min(fitting)[0] if fitting else None


@settings(max_examples=150, deadline=None)
@given(GROUPS, st.integers(0, 120), st.integers(0, 12))
def test_same_optimum_as_trying_everything(groups, units, slots):
    places, best = choose(groups, units, slots), _by_trying_everything(groups, units, slots)
    if best is None:
        assert places is None
        return
    cost, used, filled = _totals(groups, places)
    assert used <= units
    assert filled <= slots
    assert cost == best  # whole-number costs add exactly


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.lists(st.builds(Option, st.integers(0, 30), st.integers(0, 3), st.floats(0, 1)), min_size=1, max_size=6),
        min_size=1,
        max_size=6,
    ),
    st.integers(0, 120),
    st.integers(0, 12),
)
def test_same_optimum_with_costs_of_any_size(groups, units, slots):
    places, best = choose(groups, units, slots), _by_trying_everything(groups, units, slots)
    assert (places is None) == (best is None)
    if places is not None:
        cost, used, filled = _totals(groups, places)
        assert (used <= units, filled <= slots) == (True, True)
        assert cost <= best + 1e-9  # rounding of sums of numbers under 1


@settings(max_examples=60, deadline=None)
@given(GROUPS, st.integers(0, 120), st.integers(0, 12))
def test_of_equal_costs_none_takes_fewer_units(groups, units, slots):
    places = choose(groups, units, slots)
    if places is not None:
        every = itertools.product(*(range(len(group)) for group in groups))
        fitting = [t for t in (_totals(groups, one) for one in every) if t[1] <= units and t[2] <= slots]
        assert _totals(groups, places)[:2] == min(t[:2] for t in fitting)


def test_nothing_to_choose_is_an_empty_choice():
    assert choose([], 0, 0) == ()


def test_equal_costs_take_fewer_units_then_earlier_options():
    same = [Option(5, 1, 1.0), Option(3, 1, 1.0), Option(3, 1, 1.0)]
    assert choose([same], 10, 5) == (1,)


def _kit(count, options, seed):
    """Make groups whose cost falls with length as a decaying tail's does: realistic, and strongly correlated."""
    random = np.random.default_rng(seed)
    groups = []
    for _ in range(count):
        whole = int(random.integers(20_000, 160_000))
        decay = random.uniform(2, 9)
        lengths = np.linspace(0.2, 1.0, options) * whole
        costs = np.exp(-decay * lengths / whole) - np.exp(-decay)
        groups.append([Option(int(n), 1, float(c)) for n, c in zip(lengths, costs, strict=True)])
    return groups


def test_sixty_four_sounds_by_forty_candidates_at_three_memories_are_feasible_and_bounded():
    groups = _kit(64, 40, 7)
    whole = sum(group[-1].units for group in groups)
    for share in (0.9, 0.6, 0.35):
        limit = int(whole * share)
        places = choose(groups, limit, 64)
        assert places is not None
        assert _totals(groups, places)[1] <= limit


def test_sixty_four_sounds_by_forty_candidates_with_copies_take_under_a_second_at_any_number_of_slots():
    """The goal; with as many slots as sounds no copy may stay, which must not be found by trying."""
    groups = [
        [*group, *(Option(2 * one.units, 2, 0.7 * one.cost - 0.01) for one in group if one.cost > 0.02)]
        for group in _kit(64, 20, 3)
    ]
    whole = sum(group[19].units for group in groups)
    for slots in (128, 90, 64):
        for share in (1.5, 0.9, 0.6, 0.35):
            started = time.process_time()  # what other work on the machine takes doesn't count
            places = choose(groups, int(whole * share), slots)
            assert time.process_time() - started < 1.0
            _, used, filled = _totals(groups, places)
            assert used <= whole * share
            assert filled <= slots


def test_half_the_sounds_at_full_cost_are_found_where_the_prices_lead_nowhere():
    """All or nothing, all alike: every price takes all or none, and exactly half fit."""
    groups = [[Option(0, 1, 1.0), Option(10, 1, 0.0)] for _ in range(40)]
    cost, used, _ = _totals(groups, choose(groups, 205, 40))
    assert (cost, used) == (20.0, 200)


def test_what_cannot_fit_is_said_to_be_impossible():
    assert choose([[Option(5, 1, 0.0)], [Option(6, 1, 0.0)]], 10, 2) is None
    assert choose([[Option(5, 1, 0.0)], [Option(5, 1, 0.0)]], 10, 1) is None
