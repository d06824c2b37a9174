"""What a kit that does not fit is told: figures that are right, and remedies that work when they are tried."""

import re
from dataclasses import replace
from math import ceil

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.errors import FitError
from kitfold.pack.asks import Ask
from kitfold.pack.fit import fit
from kitfold.pack.holds import Reach, copies_for
from kitfold.pack.memory import Memory
from kitfold.pack.problem import Candidate, Problem, Variant
from kitfold.pack.remedies import amount

RATE = 1000
REACH = Reach(-12, 12, 5)


def candidate(name, frames=4000, asks=(), wish="auto", whole=False):
    required, optional = copies_for(asks, wish, frames / RATE, REACH)
    blocks = ceil(frames / 10)
    lost = 1 - np.arange(blocks + 1) / blocks
    plain = Variant(RATE, 0, False, frames, 10, lost)
    return Candidate(name, (plain,), frames / RATE, 0.0, tuple(asks), required, optional, wish, whole, 1.0)


def problem(*candidates, limit=10_000, slots=9, memory=None, allow=frozenset({"shorten", "drop-copy"})):
    return Problem(
        candidates, memory or Memory("frames", limit, 1, 1, 0, None, slots), RATE, REACH, 120.0, allow, "tiny"
    )


def held(seconds, semitones=0, chord="i"):
    return Ask("shore", chord, semitones, seconds)


def refusal(given_problem):
    with pytest.raises(FitError) as error:
        fit(given_problem)
    return error.value


def rebuilt(one, **changes):
    """Return a sound as a build would see it after its entry was changed: its copies are chosen anew."""
    values = {"asks": one.asks, "wish": one.wish, **changes}
    required, optional = copies_for(values["asks"], values["wish"], one.held_s, REACH)
    return replace(one, **values, required=required, optional=optional)


def applied(text, given_problem):
    """Do what a remedy says, reading its words as a user would."""
    sounds = given_problem.candidates
    if match := re.match(r"leave out (\S+)", text):
        return replace(given_problem, candidates=tuple(one for one in sounds if one.name != match[1]))
    if match := re.match(r'set copies = "none" for (\S+)', text):
        return replace(
            given_problem,
            candidates=tuple(rebuilt(one, wish="none") if one.name == match[1] else one for one in sounds),
        )
    if match := re.match(r"allow `(.+)` in fit.allow", text):
        return replace(given_problem, allow=given_problem.allow | {match[1]})
    match = re.match(r"play it no slower than ([\d.]+) beats a minute", text)
    times = float(match[1]) / given_problem.tempo_slowest
    assert times > 1
    changed = [
        rebuilt(one, asks=tuple(replace(ask, needs_s=ask.needs_s / times) for ask in one.asks)) for one in sounds
    ]
    return replace(given_problem, candidates=tuple(changed))


def enough(error):
    remedies = re.split(r"; or ", error.mistakes[0].hint)
    return [text for text in remedies if text.endswith(", which is enough")]


def test_what_is_over_is_said_in_seconds_and_frames():
    # two sounds held 4 s each are 8 s, the memory is 7.5 s: 0.5 s over
    error = refusal(problem(candidate("a", asks=[held(4.0)]), candidate("b", asks=[held(4.0)]), limit=7500))
    assert str(error).startswith(
        "the kit does not fit tiny: it needs 8.00 s (8,000 frames) after every cut that the song allows, "
        "and has 7.50 s (7,500 frames): 0.50 s (500 frames) over\n  hint: "
    )


def test_what_is_over_is_said_in_bytes_where_the_device_counts_them():
    # 4000 frames of 2 bytes are 8000 bytes: 16 blocks of 512 = 8192, and 96 on top; 8000 are there: 288 over
    error = refusal(problem(candidate("a", whole=True), memory=Memory("bytes", 8000, 2, 512, 96, None, 9)))
    assert "it needs 8.3 kB (8,288 bytes)" in str(error)
    assert "and has 8.0 kB (8,000 bytes): 0.3 kB (288 bytes) over" in str(error)


def test_the_slowest_tempo_that_fits_is_found_to_a_tenth():
    # 8 s at 120 must become 7.5 s: 120 * 8 / 7.5 = 128.0 beats a minute
    error = refusal(problem(candidate("a", asks=[held(4.0)]), candidate("b", asks=[held(4.0)]), limit=7500))
    assert "play it no slower than 128.0 beats a minute (tempo_slowest is 120), which is enough" in str(error)


def test_too_many_slots_are_said_with_their_number():
    error = refusal(problem(candidate("a"), candidate("b"), candidate("c"), slots=2, limit=99_999))
    assert "3 slots are needed and 2 are there: 1 over" in str(error)
    assert "leave out a (frees up to 4.00 s (4,000 frames), 1 slot), which is enough" in str(error) or (
        "leave out a (frees up to 0.10 s (100 frames), 1 slot), which is enough" in str(error)
    )


def test_one_slot_is_one_and_the_line_about_slots_says_what_to_do_too():
    error = refusal(problem(candidate("a", whole=True), candidate("b", whole=True), slots=1, limit=3000))
    slots = str(error.mistakes[1])
    assert slots.startswith("the kit does not fit tiny: 2 slots are needed and 1 is there: 1 over")
    assert "hint: leave out 1 sound or copy" in slots


def test_where_no_remedy_is_enough_alone_those_that_are_together_are_named():
    """Four sounds of 1.5 s in 3.5 s: two stay, so two must go, whichever."""
    given_problem = problem(*(candidate(name, 1500, whole=True) for name in "abcd"), limit=3500)
    error = refusal(given_problem)
    assert not enough(error)
    said = error.mistakes[0].hint.partition("none of these is enough alone; together: ")[2]
    gone = re.findall(r"leave out (\w)", said)
    assert len(gone) == 2
    kept = tuple(one for one in given_problem.candidates if one.name not in gone)
    assert fit(replace(given_problem, candidates=kept))


def test_a_hold_that_is_longer_than_a_slot_is_said_in_a_sentence():
    error = refusal(problem(candidate("pad", asks=[held(3.5)]), memory=Memory("frames", 9000, 1, 1, 0, 2.0, 9)))
    assert "pad must be 3.50 s long for its longest hold, and a slot holds 2.00 s" in str(error)


def test_memory_and_slots_are_both_reported():
    error = refusal(problem(candidate("a", whole=True), candidate("b", whole=True), slots=1, limit=3000))
    assert len(error.mistakes) == 2


def test_the_cheapest_remedy_that_is_enough_comes_first():
    error = refusal(problem(candidate("big", 5000, whole=True), candidate("small", 1000, whole=True), limit=5500))
    assert error.mistakes[0].hint.startswith(
        "leave out small (frees up to 1.00 s (1,000 frames), 1 slot), which is enough"
    )


def test_allowing_to_shorten_is_a_remedy_where_it_helps():
    assert "allow `shorten` in fit.allow, which is enough" in str(
        refusal(problem(candidate("a"), limit=500, allow=frozenset()))
    )
    assert "allow `shorten`" not in str(refusal(problem(candidate("a"), limit=50, allow=frozenset())))


def test_allowing_to_loop_is_a_remedy_where_it_helps_and_loops_are_looked_for_only_then():
    """A pad held 4 s in 2 s; its loop of half a second is known only to the problem that may loop."""
    one, made = candidate("pad", asks=[held(4.0)]), []
    loop = Variant(RATE, 0, True, 500, 500, np.full(2, 0.1))

    def looping():
        made.append(1)
        return (replace(one, loops={0: (loop,)}), candidate("other", whole=True))

    given_problem = replace(problem(one, limit=2000), looping=looping)
    assert "allow `loop` in fit.allow, which is enough" in str(refusal(given_problem))
    assert made
    assert fit(given_problem.allowing("loop")).stored[0].variant.loop
    # the other is no sound of this problem, so it is none of the one that may loop
    assert [one.name for one in given_problem.allowing("loop").candidates] == ["pad"]
    made.clear()
    fit(replace(given_problem, memory=replace(given_problem.memory, limit=9000)))
    assert not made
    assert "allow `loop`" not in str(refusal(problem(one, limit=2000)))


def test_a_kit_of_one_sound_is_not_told_to_leave_it_out():
    assert "leave out" not in str(refusal(problem(candidate("a", whole=True), limit=500)))


def test_what_is_made_from_a_sound_is_left_out_with_it():
    """A riser of a pad cannot stay without the pad, nor what is made from the riser."""
    pad, other = candidate("pad", 4000, whole=True), candidate("hit", 1000, whole=True)
    riser = replace(candidate("riser", 3000, whole=True), made_from="pad")
    swell = replace(candidate("swell", 500, whole=True), made_from="riser")
    error = refusal(problem(pad, riser, swell, other, limit=4600))
    assert "leave out pad with riser and swell, made from it (frees up to 7.50 s" in str(error)
    assert "leave out riser with swell, made from it (frees up to 3.50 s" in str(error)
    error = refusal(problem(pad, riser, swell, other, limit=600))
    assert "together: leave out pad with riser and swell, made from it" in str(error) or "nor is leaving out" in str(
        error
    )


def test_dropping_a_copy_that_makes_the_sound_itself_longer_is_not_called_enough():
    """Held 4 s at +7 and 1 s at home: with the copy 4 + 1 s; without it 4 * 2^(7/12) = 5.99 s of 5.5 s."""
    asks = (held(1.0), held(4.0, 7, "v"))
    one = candidate("a", 10_000, asks=asks, wish="all")
    other = candidate("b", 1000, whole=True)
    error = refusal(problem(one, other, limit=5500))
    assert 'set copies = "none" for a (frees' in str(error)
    assert not any("copies" in text for text in enough(error))


def test_amounts_are_written_with_their_unit():
    assert amount(36_000, Memory("frames", 1, 1, 1, 0, None, 1), 18_000) == "2.00 s (36,000 frames)"
    assert amount(18_000_000, Memory("bytes", 1, 1, 1, 0, None, 1), 18_000) == "18,000.0 kB (18,000,000 bytes)"


@st.composite
def problems(draw):
    moves = st.tuples(st.integers(-14, 14), st.sampled_from([0.0, 0.5, 1.0, 2.0]))
    candidates = []
    for name in "abcd"[: draw(st.integers(1, 4))]:
        asks = tuple(held(needs_s, move) for move, needs_s in dict(draw(st.lists(moves, max_size=4))).items())
        wish = draw(st.sampled_from(["none", "auto", "all"]))
        candidates.append(candidate(name, draw(st.integers(200, 3000)), asks, wish, draw(st.booleans())))
    allow = frozenset(draw(st.sets(st.sampled_from(["shorten", "drop-copy"]))))
    return problem(*candidates, limit=draw(st.integers(100, 6000)), slots=draw(st.integers(1, 6)), allow=allow)


@given(problems())
def test_every_remedy_that_is_called_enough_is_enough(given_problem):
    try:
        fit(given_problem)
    except FitError as error:
        for text in enough(error):
            fit(applied(text, given_problem))
        if gone := re.findall(r"leave out (\w)", error.mistakes[0].hint.partition("together: ")[2]):
            fit(replace(given_problem, candidates=tuple(x for x in given_problem.candidates if x.name not in gone)))
