"""Reverse: the same samples, last first."""

import numpy as np
import pytest

from kitfold.plan.settings import Reverse
from kitfold.sound import Sound
from kitfold.steps.reverse import reverse


def test_the_last_sample_comes_first():
    sound = reverse(Sound([[0.1, 0.2], [0.3, 0.4], [0.5, 0.6]], 8000, root_hz=50.0), Reverse())
    assert np.array_equal(sound.samples, np.array([[0.5, 0.6], [0.3, 0.4], [0.1, 0.2]], dtype=np.float32))
    assert sound.root_hz == 50.0


@pytest.mark.parametrize("frames", [0, 1, 7])
def test_twice_reversed_is_the_source(frames):
    source = Sound(np.random.default_rng(1).uniform(-1, 1, (frames, 2)), 8000)
    assert np.array_equal(reverse(reverse(source, Reverse()), Reverse()).samples, source.samples)
