"""Holds: the arithmetic of varispeed, by hand, and copies that are exactly those needed."""

from itertools import combinations
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.pack.asks import Ask
from kitfold.pack.holds import Reach, Served, copies_for, lasts_s, serve

REACH = Reach(-12, 12, 5)


def ask(semitones, needs_s=0.0):
    return Ask("shore", "i", semitones, needs_s)


# lasts = held * 2^(-setting / 12): an octave up halves, an octave down doubles; 4 s at +7: 4 / 2^(7/12) =
# 4 / 1.498307 = 2.669680; at -4: 4 * 2^(4/12) = 4 * 1.259921 = 5.039684; at +1: 4 / 1.059463 = 3.775497.
@pytest.mark.parametrize(
    ("setting", "seconds"), [(0, 4.0), (12, 2.0), (-12, 8.0), (7, 2.669680), (-4, 5.039684), (1, 3.775497), (24, 1.0)]
)
def test_a_sound_lasts_by_the_ratio_of_its_setting(setting, seconds):
    assert lasts_s(4.0, setting) == pytest.approx(seconds, abs=5e-7)  # the last place written above


def test_the_nearest_root_that_reaches_and_lasts_plays():
    assert serve(ask(7, 1.0), (0, 5, 12), 4.0, REACH) == Served(ask(7, 1.0), 5, 2, lasts_s(4.0, 2))


def test_a_root_that_does_not_last_gives_way_to_one_further_off_that_does():
    # 7 up from 0 lasts 2.67 s; 5 down from 12 lasts 4 * 2^(5/12) = 5.339 s
    served = serve(ask(7, 3.0), (0, 12), 4.0, REACH)
    assert (served.root, served.setting, served.ok) == (12, -5, True)
    assert served.lasts_s == pytest.approx(5.339, abs=5e-4)


def test_of_two_equally_near_the_higher_root_plays_since_down_lasts_longer():
    assert serve(ask(3), (0, 6), 4.0, REACH).root == 6


def test_where_none_lasts_the_one_that_lasts_longest_plays():
    served = serve(ask(7, 9.0), (0, 12), 4.0, REACH)
    assert (served.root, served.ok) == (12, False)


def test_where_none_reaches_nothing_plays():
    served = serve(ask(13), (0,), 4.0, REACH)
    assert (served.root, served.ok) == (None, False)


@pytest.mark.parametrize(("semitones", "ok"), [(-12, True), (12, True), (-13, False), (13, False)])
def test_the_devices_range_includes_its_ends(semitones, ok):
    assert serve(ask(semitones), (0,), 4.0, REACH).ok is ok


def test_a_copy_that_does_not_loop_leaves_a_long_hold_to_the_sound_that_does():
    # the copy at 5 has no loop and 4 s; the sound itself goes round for ever
    lasting = {0: inf, 5: 4.0}
    assert serve(ask(5, 3.0), (0, 5), lasting.__getitem__, REACH).root == 5
    served = serve(ask(5, 9.0), (0, 5), lasting.__getitem__, REACH)
    assert (served.root, served.setting, served.lasts_s) == (0, 5, inf)


def test_where_none_lasts_the_loop_that_another_has_makes_it_no_longer():
    # 2 s at +7 lasts 1.33 s, 4 s seven down from 14 lasts 5.99 s
    served = serve(ask(7, 9.0), (0, 14), {0: 2.0, 14: 4.0}.__getitem__, Reach(-12, 12, 5))
    assert (served.root, served.setting, served.ok) == (14, -7, False)


def test_a_copy_that_could_not_loop_is_not_required_for_a_hold_that_it_would_break():
    asks = [ask(0, 9.0), ask(5, 9.0)]
    assert copies_for(asks, "auto", lambda root: inf if root == 0 else 4.0, REACH)[0] == ()
    assert copies_for(asks, "auto", lambda root: 4.0 if root == 0 else inf, REACH)[0] == (5,)


def test_a_hold_is_kept_at_exactly_its_length():
    assert serve(ask(12, 2.0), (0,), 4.0, REACH).ok
    assert not serve(ask(12, 2.0001), (0,), 4.0, REACH).ok


# Copies.


def test_what_the_device_reaches_and_holds_needs_no_copy():
    # 5 up: 4 * 2^(-5/12) = 2.997 s
    assert copies_for([ask(5, 2.99), ask(-4, 5.03), ask(0, 4.0)], "auto", 4.0, REACH) == ((), ())


def test_a_hold_that_is_too_short_when_moved_up_needs_a_copy():
    assert copies_for([ask(5, 3.0), ask(0, 4.0)], "auto", 4.0, REACH) == ((5,), ())


def test_one_copy_serves_its_neighbours():
    # at 4 s all three need a setting of 0 or less: the copy at 7 plays 3 and 5 at -4 and -2
    assert copies_for([ask(3, 4.0), ask(5, 4.0), ask(7, 4.0)], "auto", 4.0, REACH)[0] == (7,)


def test_what_lies_out_of_reach_needs_a_copy():
    assert copies_for([ask(-13), ask(0)], "auto", 4.0, REACH)[0] == (-13,)
    assert copies_for([ask(5), ask(-3)], "auto", 4.0, Reach(0, 0, 5))[0] == (-3, 5)


def test_a_later_copy_that_does_an_earlier_ones_work_replaces_it():
    # 20 down is out of reach, so is 13 down, held 4 s: from a copy at -20 it would be 7 up, 2.67 s. But the copy at -13
    # that it therefore needs plays 20 down at -7 as well, and for 6 s: one copy is enough.
    assert copies_for([ask(-20, 1.0), ask(-13, 4.0)], "auto", 4.0, REACH)[0] == (-13,)


def test_what_no_copy_could_hold_needs_none():
    assert copies_for([ask(5, 9.0)], "auto", 4.0, REACH)[0] == ()


def test_beyond_the_natural_range_copies_are_optional_the_most_useful_first():
    asks = [ask(6), ask(7), ask(8), ask(-9)]
    # 6, 7 and 8 are served within 5 semitones by any of them: three notes; -9 is one
    required, optional = copies_for(asks, "auto", 4.0, REACH)
    assert required == ()
    assert optional[0] in (6, 7, 8)
    assert optional[1:] == (-9,)


def test_none_stores_no_copy_and_all_stores_every_move():
    asks = [ask(5, 9.0), ask(0), ask(-3), ask(13)]
    assert copies_for(asks, "none", 4.0, REACH) == ((), ())
    assert copies_for(asks, "all", 4.0, REACH) == ((-3, 5, 13), ())


ASKS = st.lists(st.builds(ask, st.integers(-26, 26), st.sampled_from([0.0, 1.0, 2.0, 3.5, 4.0, 6.0])), max_size=7)
REACHES = st.builds(Reach, st.integers(-24, 0), st.integers(0, 24), st.sampled_from([0.0, 3.0, 5.0]))


def played(asks, roots, reach, held_s=4.0):
    """Say whether every note is played, and lasts if a copy of its own would."""
    served = [serve(one, (0, *roots), held_s, reach) for one in asks]
    return all(one.ok or (one.root is not None and one.ask.needs_s > held_s) for one in served)


@given(asks=ASKS, reach=REACHES)
def test_the_copies_required_are_enough_and_none_of_them_is_in_vain(asks, reach):
    required, optional = copies_for(asks, "auto", 4.0, reach)
    assert played(asks, required, reach)
    for fewer in combinations(required, max(0, len(required) - 1)):
        assert not required or not played(asks, fewer, reach)
    assert not set(required) & set(optional)


@given(asks=ASKS, reach=REACHES)
def test_with_all_copies_every_note_lies_within_the_natural_range(asks, reach):
    required, optional = copies_for(asks, "auto", 4.0, reach)
    for one in asks:
        served = serve(one, (0, *required, *optional), 4.0, reach)
        # what could not be held at home may be held by a copy that another note needs, however far up that lies
        assert not served.ok or abs(served.setting) <= reach.natural or one.semitones in (0, *required, *optional)


def test_a_note_that_nothing_holds_gets_no_optional_copy_for_it_would_not_play_it():
    # 12 down lasts 8 s of the 9 that are needed; a copy at -12 would last 4 s, so the device goes on playing it 12 down
    assert copies_for([ask(-12, 9.0)], "auto", 4.0, REACH) == ((), ())
