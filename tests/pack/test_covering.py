"""Tables of who covers whom are what `share_under`, the model of two sounds, says of every two."""

import numpy as np
import pytest

from kitfold.measure.masking import Pattern, share_under
from kitfold.pack.covering import Section, table_of

FILTERS = 40
LONG = (1.0, 2.0, 1.0)


def patterns(random, counts):
    """Give a sound's notes chord by chord: so many each, some of them inaudible."""
    return [
        Pattern(random.uniform(0, 9, (n, FILTERS)), random.uniform(size=(n, FILTERS)) < random.choice([0.0, 0.7]))
        for n in counts
    ]


@pytest.fixture
def played():
    random = np.random.default_rng(4)
    return {f"s{n}": patterns(random, random.integers(0, 4, len(LONG))) for n in range(7)}


def percent(one, other):
    """Average over the chords in which both play, each as long as it lasts."""
    both = [(share_under(a, b), long) for a, b, long in zip(one, other, LONG, strict=True) if len(a.own) and len(b.own)]
    return 100 * sum(share * long for share, long in both) / sum(long for _, long in both) if both else 0.0


def test_one_against_all_is_each_against_one(played):
    section = Section(played, LONG)
    for one in played.values():
        against = section.against(one)
        assert against.loses.tolist() == pytest.approx([percent(one, other) for other in played.values()], rel=1e-12)
        assert against.covers.tolist() == pytest.approx([percent(other, one) for other in played.values()], rel=1e-12)


def test_what_lasts_less_or_is_a_swell_covers_nothing(played):
    lasting, able = np.array([1.0, 2, 2, 3, 1, 1, 1]), np.array([True, True, True, True, True, True, False])
    table = table_of(Section(played, LONG), played, lasting, able)
    wanted = [
        [
            percent(one, other) if able[n] and lasting[n] >= lasting[m] and m != n else -1
            for n, other in enumerate(played.values())
        ]
        for m, one in enumerate(played.values())
    ]
    assert np.allclose(table, wanted, rtol=1e-12)


def test_without_sounds_there_is_an_empty_table():
    assert table_of(Section({}, LONG), {}, np.zeros(0), np.zeros(0, np.bool_)).shape == (0, 0)
