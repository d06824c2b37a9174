"""The cost of a change ranks what a sampler does to a sound as an outside psychoacoustic measure does.

Referee: zimtohrli (Apache-2.0, from PyPI), which shares no code with kitfold. Sounds: those of the testing half that
come with the project or with pretty_midi; nothing was fitted on them. The whole table: tests/benchmarks/referee.py.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import spearmanr

from kitfold.measure.audible import audible_error_db, hear
from kitfold.sound import Sound

pytest.importorskip("zimtohrli", reason="the referee, zimtohrli, isn't installed (pip install zimtohrli)")

_PATH = Path(__file__).parents[1] / "benchmarks" / "referee_sounds.py"
_SPEC = importlib.util.spec_from_file_location("referee_sounds", _PATH)
made = importlib.util.module_from_spec(_SPEC)
sys.modules["referee_sounds"] = made  # NamedTuple looks its module up
_SPEC.loader.exec_module(made)

EVERY = (
    3  # of each sound every third version, others for the next sound, so that all kinds come up and it takes seconds
)
KINDS = ("cut", "rate", "depth", "repitch", "loop")
QUIET = 0.02  # under this share the referee's distances are mostly its rounding; ratios of them say nothing


@pytest.fixture(scope="module")
def sounds():
    every = made.sounds(sources=("recorded", "demo"))
    _, testing = made.halves(list(every))
    return {name: every[name] for name in testing}


@pytest.fixture(scope="module")
def judged(sounds):
    """Kind, our cost in dB and the referee's distance, over that from silence, of every version."""
    rows = []
    for number, samples in enumerate(sounds.values()):
        reference, of_all = hear(Sound(samples, made.RATE_HZ)), made.of_all(samples)
        for version in made.versions(samples)[number % EVERY :: EVERY]:
            if version.kind in KINDS:
                ours = audible_error_db(reference, Sound(version.samples, made.RATE_HZ))
                rows.append((version.kind, ours, made.in_step(samples, version.samples) / of_all))
    return tuple(np.array(column) for column in zip(*rows, strict=True))


def test_costs_rank_as_the_referee_ranks(judged):
    kinds, ours, theirs = judged
    assert len(ours) > 80
    assert spearmanr(ours, theirs).statistic >= 0.95  # the goal is 0.93; 0.961 is what it reaches today
    up = kinds == "repitch"
    assert spearmanr(ours[up], theirs[up]).statistic >= 0.90  # 0.910 today, the hardest kind to rank by itself


def test_costs_of_different_kinds_lie_on_one_scale(judged):
    kinds, ours, theirs = judged
    one, other = np.triu_indices(len(ours), 1)
    equal = np.maximum(theirs[one], theirs[other]) <= 1.1 * np.minimum(theirs[one], theirs[other])
    pairs = equal & (kinds[one] != kinds[other]) & (theirs[one] > QUIET) & (theirs[other] > QUIET)
    assert pairs.sum() > 50
    assert np.median(np.abs(ours[one] - ours[other])[pairs]) <= 3.0  # the goal
    # and ten times the referee's distance is about 10 dB: a scale that squeezed everything together would pass too
    heard = theirs > QUIET
    slope = np.polyfit(10 * np.log10(theirs[heard]), ours[heard], 1)[0]
    assert 0.7 < slope < 1.4


def test_the_referee_must_be_kept_in_step(sounds):
    """Why it is asked about pieces: left to align as it likes, it calls most of a steady note's end nothing."""
    organ = sounds["pipe-organ"]
    cut, dithered = made.cut_to(organ, 0.3), made.depth(organ, 8, "signed", True, 0.0)
    assert made.whole(organ, cut) < made.whole(organ, dithered)  # two thirds of silence, less than a little hiss
    assert made.in_step(organ, cut) > made.in_step(organ, dithered)
