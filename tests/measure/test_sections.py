"""Second-order sections: scipy's loop loaded by itself is scipy's loop, and the K-weighting is the standard's."""

import subprocess
import sys

import numpy as np
import pytest
from pyloudnorm import Meter
from scipy.signal import butter, sosfilt

from kitfold.measure import sections as module
from kitfold.measure.sections import K_WEIGHTING, filtered


@pytest.fixture
def sound():
    return np.random.default_rng(5).standard_normal((5000, 2))


@pytest.mark.parametrize("loop", [module._compiled_loop(), module._whole_scipy], ids=["by itself", "whole scipy"])
def test_both_loops_give_what_scipy_gives_to_the_bit(loop, sound, monkeypatch):
    monkeypatch.setattr(module, "_loop", lambda: loop)
    rows = butter(5, 900, "highpass", fs=44_100, output="sos")
    assert np.array_equal(filtered(sound, rows), sosfilt(rows, sound, axis=0))


def test_where_scipy_keeps_its_loop_elsewhere_its_public_function_is_called(sound, monkeypatch):
    def gone():
        raise ImportError("elsewhere")

    monkeypatch.setattr(module, "_compiled_loop", gone)
    module._loaded.cache_clear()
    try:
        assert np.array_equal(filtered(sound, K_WEIGHTING), sosfilt(K_WEIGHTING, sound, axis=0))
    finally:
        module._loaded.cache_clear()


def test_many_threads_may_be_the_first_at_once():
    """In a process of its own: a compiled module that two threads load at once refuses the second."""
    code = """
import importlib.util, threading, time
import numpy as np
from kitfold.measure import sections
from kitfold.measure.sections import K_WEIGHTING, filtered
made = importlib.util.module_from_spec
importlib.util.module_from_spec = lambda spec: (made(spec), time.sleep(0.1))[0]
sections._whole_scipy = lambda *given: 1 / 0
ready, failed = threading.Barrier(8), []
def first():
    ready.wait()
    try:
        filtered(np.ones((10, 1)), K_WEIGHTING)
    except BaseException as error:
        failed.append(error)
threads = [threading.Thread(target=first) for _ in range(8)]
[one.start() for one in threads]
[one.join() for one in threads]
assert not failed, failed
"""
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize("frames", [0, 1])
def test_no_frames_and_one_are_ordinary(frames):
    assert filtered(np.zeros((frames, 2)), K_WEIGHTING).shape == (frames, 2)


def test_the_k_weighting_is_brecht_de_mans_derivation_of_the_standard():
    """pyloudnorm's `DeMan` filters: derived from ITU-R BS.1770-4 for any rate, apart from this table."""
    stages = Meter(48_000, filter_class="DeMan")._filters.values()
    derived = np.array([[*stage.b, *stage.a] for stage in stages])
    assert pytest.approx(derived, abs=1e-8) == K_WEIGHTING  # the standard prints 14 digits; the derivation is a fit
