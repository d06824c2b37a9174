"""What is made from what."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.plan.graph import cycle_in


@pytest.mark.parametrize(
    ("made_from", "cycle"),
    [
        ({}, ()),
        ({"a": None}, ()),
        ({"a": "b", "b": "c", "c": None}, ()),
        ({"a": "a"}, ("a", "a")),
        ({"a": "b", "b": "c", "c": "a"}, ("a", "b", "c", "a")),
        ({"x": None, "tail": "a", "a": "b", "b": "a"}, ("a", "b", "a")),  # what leads into the circle is no part of it
        ({"a": "gone"}, ()),
    ],
)
def test_a_cycle_is_named_in_full(made_from, cycle):
    assert cycle_in(made_from) == cycle


NAMES = st.sampled_from("abcdefg")


@given(st.dictionaries(NAMES, st.none() | NAMES))
def test_a_cycle_is_found_exactly_where_following_never_ends(made_from):
    def ends(name):
        for _ in range(8):  # seven names: whoever is not at an end after seven goes round
            if name is None:
                return True
            name = made_from.get(name)
        return False

    cycle = cycle_in(made_from)
    assert bool(cycle) == (not all(ends(name) for name in made_from))
    assert all(made_from[one] == other for one, other in pairwise(cycle))
    assert not cycle or cycle[0] == cycle[-1]
