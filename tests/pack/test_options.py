"""Options of one sound: the lengths, variants, loops and copies that are listed, and what forbids each."""

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.pack.asks import Ask
from kitfold.pack.holds import Reach
from kitfold.pack.memory import Memory
from kitfold.pack.options import choices_of
from kitfold.pack.prepare import cut, fade_frames
from kitfold.pack.problem import Candidate, Problem, Variant
from kitfold.sound import Sound

RATE = 1000
ALL = frozenset({"shorten", "loop", "repitch", "drop-copy", "lower-rate"})
HELD = (Ask("s", "i", 0, 1.0),)


def variant(rate_hz=RATE, up_semitones=0, loop=False, seconds=4.0, share=0.01, **changes):
    frames = int(seconds * rate_hz / 2 ** (up_semitones / 12))
    blocks = max(1, -(-frames // 10))
    shares = np.full(2, share) if loop else np.linspace(1.0, share, blocks + 1)
    return Variant(rate_hz, up_semitones, loop, frames, frames if loop else 10, shares, **changes)


def candidate(*variants, **changes):
    values = {
        "held_s": 4.0, "fade_s": 0.0, "asks": (), "required": (), "optional": (), "wish": "auto", "whole": False,
        "spare": 1.0, **changes,
    }  # fmt: skip
    return Candidate(name="a", variants=variants or (variant(),), **values)


def problem(allow=ALL, reach=(-24, 12), memory=None):
    memory = memory or Memory("frames", 10**9, 1, 1, 0, None, 9)
    return Problem((), memory, RATE, Reach(*reach, 5), 120.0, frozenset(allow), "tiny")


def parts_of(one, **changes):
    """Return every part of every option."""
    choices = choices_of(one, problem(**changes))
    return [part for n in range(len(choices.options)) for part in choices.parts(n)]


def kinds(parts):
    return {(part.variant.rate_hz, part.variant.up_semitones, part.variant.loop) for part in parts}


EVERY = (variant(), variant(500, share=0.1), variant(up_semitones=12, share=0.2), variant(500, 12, share=0.3))
LOOPED = variant(loop=True, seconds=0.5, share=0.05)


def test_all_that_is_allowed_is_listed():
    one = candidate(*EVERY, loops={0: (replace(LOOPED, shares=np.full(2, 0.15)),)}, asks=(Ask("s", "i", 0, 0.0),))
    # the lower rate costs less than the octave and takes the same room, so
    # of those two only the lower rate is ever worth it
    assert kinds(parts_of(one)) == {(1000, 0, False), (500, 0, False), (500, 12, False), (1000, 0, True)}


@pytest.mark.parametrize(
    ("wish", "used"),
    [
        ("lower-rate", lambda part: part.variant.rate_hz < RATE),
        ("repitch", lambda part: part.variant.up_semitones != 0),
        ("loop", lambda part: part.variant.loop),
        ("shorten", lambda part: part.frames < part.variant.frames),
        ("drop-copy", lambda part: False),
    ],
)
def test_what_is_not_allowed_is_not_listed_and_the_rest_is(wish, used):
    one = candidate(
        *EVERY, loops={0: (LOOPED,), 7: ()}, asks=(Ask("s", "i", 0, 0.5), Ask("s", "v", 7, 0.5)), optional=(7,)
    )
    assert wish == "drop-copy" or any(used(part) for part in parts_of(one))
    without = choices_of(one, problem(allow=ALL - {wish}))
    assert without.options
    assert not any(used(part) for n in range(len(without.options)) for part in without.parts(n))
    counts = {option.slots for option in without.options}
    assert counts == ({2} if wish == "drop-copy" else {1, 2})


@pytest.mark.parametrize("interval", [1, 7, 12, 24])
def test_what_is_stored_higher_is_listed_only_where_all_its_settings_lie_in_reach(interval):
    up = (variant(), variant(up_semitones=interval, share=0.02))

    def listed(low, *asks):
        return (1000, interval, False) in kinds(parts_of(candidate(*up, asks=asks), reach=(low, 12)))

    assert listed(-interval)
    assert not listed(1 - interval)
    for move in (-5, 5):
        lowest = move - interval
        assert listed(min(lowest, move), Ask("s", "v", move, 0))
        assert not listed(lowest + 1, Ask("s", "v", move, 0))
        assert not listed(lowest + 1, Ask("s", "i", 7, 0), Ask("s", "v", move, 0))
    parts = parts_of(candidate(*up, asks=(Ask("s", "v", -5, 0),)), reach=(-36, 12))
    assert {one.setting for part in parts for one in part.serves if part.variant.up_semitones} == {-5 - interval}


@given(st.integers(1, 3000), st.sampled_from([0, 1, 7, 12, 24]), st.integers(0, 2500), st.sampled_from([-7, 0, 5]))
def test_a_fade_never_reaches_into_a_hold(frames, up_semitones, needs_ms, move):
    """The least length keeps all that the hold needs before the fade that `cut` puts on it."""
    whole = Sound(np.ones(frames), RATE)
    own = variant(up_semitones=up_semitones, seconds=frames / RATE)
    asks = (Ask("s", "i", move, needs_ms / 1000),)
    fade_s = fade_frames(frames, RATE) / RATE
    for part in parts_of(
        candidate(variant(seconds=frames / RATE), own, asks=asks, fade_s=fade_s, held_s=frames / RATE)
    ):
        stored = cut(Sound(np.ones(part.variant.frames), RATE), part.frames)
        untouched = int(np.count_nonzero(stored.samples >= 1.0))
        setting = move - part.variant.up_semitones
        needed = needs_ms / 1000 * 2 ** (setting / 12) * RATE
        # a raised cosine starts at 1 exactly, so one frame of the fade counts as untouched
        assert untouched >= min(needed, part.variant.frames) or part.frames == part.variant.frames
    assert whole.frames == frames


def test_a_band_in_which_the_sound_dies_too_soon_is_not_listed_for_a_hold():
    dull = variant(500, share=0.02, held_s=0.9)
    assert (500, 0, False) not in kinds(parts_of(candidate(variant(held_s=4.0), dull, asks=HELD)))
    assert (500, 0, False) in kinds(parts_of(candidate(variant(held_s=4.0), replace(dull, held_s=1.0), asks=HELD)))
    assert (500, 0, False) in kinds(parts_of(candidate(variant(held_s=4.0), dull)))
    # where nothing lasts, the lower rate is no worse
    assert (500, 0, False) in kinds(parts_of(candidate(variant(held_s=0.8), dull, held_s=0.8, asks=HELD)))


# Loops.


def test_a_hold_that_the_sound_is_too_short_for_is_met_by_the_loop_alone():
    one = candidate(loops={0: (LOOPED,)}, asks=(Ask("s", "i", 0, 9.0),))
    assert kinds(parts_of(one)) == {(1000, 0, True)}
    assert math.isinf(parts_of(one)[0].serves[0].lasts_s)


def test_a_copy_without_a_loop_does_not_play_what_only_the_looped_sound_can_hold():
    """The copy at 7 found no loop and lasts 4 s: the chord of 9 s there is the looped sound's, moved by 7."""
    asks = (Ask("s", "i", 0, 9.0), Ask("s", "v", 7, 9.0), Ask("t", "v", 7, 0.5))
    one = candidate(loops={0: (LOOPED,), 7: ()}, asks=asks, required=(7,))
    choices = choices_of(one, problem())
    assert choices.options
    for n in range(len(choices.options)):
        sound, copy = choices.parts(n)
        assert sound.variant.loop
        assert [(served.ask.chord, served.setting) for served in sound.serves] == [("i", 0), ("v", 7)]
        assert [served.ask.section for served in copy.serves] == ["t"]


def test_where_no_loop_may_be_made_a_sound_too_short_is_whole_and_never_nothing():
    one = candidate(loops={0: (LOOPED,)}, asks=(Ask("s", "i", 0, 9.0),))
    parts = parts_of(one, allow=ALL - {"loop"})
    assert [(part.frames, part.variant.loop) for part in parts] == [(4000, False)]


def test_a_loop_that_its_own_steps_made_is_kept_whatever_is_allowed():
    one = candidate(loops={0: (LOOPED,)}, looped=True)
    for allow in (ALL, ALL - {"loop"}, frozenset()):
        assert kinds(parts_of(one, allow=allow)) == {(1000, 0, True)}


def test_a_loop_is_never_cut():
    assert {part.frames for part in parts_of(candidate(loops={0: (LOOPED,)}, asks=HELD)) if part.variant.loop} == {500}


# The list is complete.


@st.composite
def sounds(draw):
    variants = [variant(seconds=draw(st.sampled_from([0.05, 0.3, 0.5])), share=0.01)]
    seconds = variants[0].frames / RATE
    if draw(st.booleans()):
        variants.append(variant(500, seconds=seconds, share=draw(st.sampled_from([0.01, 0.1]))))
    if draw(st.booleans()):
        variants.append(variant(up_semitones=12, seconds=seconds, share=draw(st.sampled_from([0.01, 0.2]))))
    moves = draw(st.lists(st.sampled_from([-7, 0, 7]), max_size=3, unique=True))
    asks = tuple(Ask("s", "i", move, draw(st.sampled_from([0.0, 0.1, 0.2]))) for move in moves)
    optional = tuple(move for move in moves if move and draw(st.booleans()))
    loops = {}
    if draw(st.booleans()):
        loops = {root: (variant(loop=True, seconds=0.1 + abs(root) / 1000, share=0.05),) for root in (0, *optional)}
    return candidate(
        *variants, asks=asks, optional=optional, loops=loops, held_s=seconds, whole=draw(st.booleans()),
        strain=dict.fromkeys((-14, -7, 7, 14), 0.02),
    )  # fmt: skip


@given(sounds(), st.sampled_from([1, 64]), st.none() | st.sampled_from([0.1, 0.25]))
def test_no_listed_option_is_beaten_by_a_listed_one_of_its_copies(one, block, longest):
    memory = Memory("frames", 10**9, 1, block, 3, longest, 9)
    choices = choices_of(one, problem(memory=memory))
    for n, option in enumerate(choices.options):
        parts = choices.parts(n)
        assert option.units == sum(memory.cost(part.frames) for part in parts)
        assert option.slots == len(parts)
        shares = sum(part.share for part in parts) + sum(share for _, share in choices.dropped(n))
        assert option.cost == pytest.approx(shares, rel=1e-12)  # the same sum, in another order
        assert longest is None or all(part.frames <= longest * part.variant.rate_hz for part in parts)
    for (m, first), (n, second) in product(enumerate(choices.options), repeat=2):
        if choices.dropped(m) == choices.dropped(n) and m != n:
            assert not (first.units <= second.units and first.cost <= second.cost)


@given(sounds())
def test_a_whole_block_more_is_always_a_choice(one):
    """Of a sound without copies every block of every variant is listed, or beaten by one that is."""
    alone = replace(one, optional=(), asks=())
    listed = choices_of(alone, problem()).options
    for own in alone.variants:
        for frames in {own.frames, *range(RATE // 10, own.frames, own.block_frames)} if not one.whole else {own.frames}:
            if frames >= min(own.frames, own.rate_hz // 10):
                assert any(
                    option.units <= max(frames, min(own.frames, RATE // 10))
                    and option.cost <= own.share_at(frames) + 1e-12
                    for option in listed
                )


def test_many_copies_are_combined_in_a_moment_and_keep_the_smallest_and_the_whole():
    moves = tuple(range(-6, 7))
    asks = tuple(Ask("s", "i", move, 0.5) for move in moves)
    one = candidate(*EVERY, asks=asks, required=tuple(move for move in moves if move))
    choices = choices_of(one, problem())
    sizes = [option.units for option in choices.options]
    assert max(sizes) == 13 * 4000
    smallest = choices.parts(int(np.argmin(sizes)))
    assert sum(part.frames for part in smallest) == min(sizes)
    assert all(part.frames == part.least_frames for part in smallest)
    assert len(sizes) < 20_000
