"""Gain: hot in memory, balanced when played; by hand and as laws."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.pack.balance import Gain, Levels, balance

# A sound's true peak lies above its loudness: by 0 dB (a clipped square) to 40 dB (a click), before any gain.
LEVELS = st.lists(
    st.builds(
        lambda wanted, folded, lufs, crest: Levels(wanted, lufs + folded, lufs + folded + crest),
        st.floats(-40, -6), st.floats(-6, 0), st.floats(-50, -6), st.floats(0, 40),
    ),
    min_size=1, max_size=9,
)  # fmt: skip


def test_with_a_level_per_slot_each_is_stored_at_the_ceiling_and_played_lower():
    # stored at -1 dBTP: gains +5 and +11; loudness then -15 and -9; wanted -20 and -26: so 5 and 17 dB down; the least
    # of them is taken off both, since 0 is the most that a device plays
    hot = balance([Levels(-20, -20, -6), Levels(-26, -20, -12)], slot_level=True)
    assert hot == (Gain(5, 0.0), Gain(11, -12.0))


def test_without_a_level_per_slot_the_kit_shares_one_gain():
    # both at their wanted loudness already; the louder peak, -6 dBTP, may rise by 5 dB, and the other with it
    assert balance([Levels(-20, -20, -6), Levels(-26, -26, -12)], slot_level=False) == (Gain(5, 0.0), Gain(5, 0.0))


def test_without_a_level_per_slot_what_the_fold_took_is_given_back_in_memory():
    # the second lost 3 LU in the fold: it gets 3 dB more than the first
    assert balance([Levels(-20, -20, -6), Levels(-20, -23, -12)], slot_level=False) == (Gain(5, 0.0), Gain(8, 0.0))


def test_a_kit_of_nothing_has_no_gains():
    assert balance([], True) == balance([], False) == ()


@given(LEVELS)
def test_play_db_is_0_or_less_and_the_loudest_plays_at_0(levels):
    gains = balance(levels, slot_level=True)
    assert max(gain.play_db for gain in gains) == 0
    assert all(gain.play_db <= 0 for gain in gains)


@given(LEVELS)
def test_with_a_level_per_slot_every_slot_is_as_hot_as_the_ceiling(levels):
    for one, gain in zip(levels, balance(levels, slot_level=True), strict=True):
        assert one.true_peak_db + gain.store_db == pytest.approx(-1.0, abs=1e-9)


@given(LEVELS, st.booleans())
def test_what_is_played_keeps_the_balance_that_was_wanted(levels, slot_level):
    gains = balance(levels, slot_level)
    off = [one.lufs + gain.store_db + gain.play_db - one.wanted_lufs for one, gain in zip(levels, gains, strict=True)]
    assert max(off) - min(off) <= 0.1 + 1e-9  # play_db is rounded to 0.1 dB, each by 0.05 at most; 0.2 LU are allowed


@given(LEVELS)
def test_without_a_level_per_slot_nothing_is_over_the_ceiling_and_the_hottest_is_on_it(levels):
    peaks = [
        one.true_peak_db + gain.store_db for one, gain in zip(levels, balance(levels, slot_level=False), strict=True)
    ]
    assert max(peaks) == pytest.approx(-1.0, abs=1e-9)
    assert {gain.play_db for gain in balance(levels, slot_level=False)} == {0.0}
