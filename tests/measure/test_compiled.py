"""scipy's compiled loops, loaded by themselves: the same to the bit as through scipy, and scipy where they are not."""

import subprocess
import sys

import numpy as np
import pytest
import scipy.fft
import scipy.ndimage

from kitfold.measure import compiled

PARTS = (("fft/_pocketfft", "pypocketfft"), ("ndimage", "_nd_image"))


@pytest.fixture(params=["compiled", "whole"])
def way(request, monkeypatch):
    if request.param == "whole":
        monkeypatch.setattr(compiled, "loaded", lambda folder, name: None)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("axis", [0, 1, -1])
@pytest.mark.parametrize("size", [None, 50, 97, 120])
def test_transforms_are_scipys_to_the_bit(way, kind, axis, size):
    samples = np.random.default_rng(1).standard_normal((97, 60)).astype(kind)
    lines, wanted = compiled.rfft(samples, size, axis=axis), scipy.fft.rfft(samples, size, axis=axis)
    assert lines.dtype == wanted.dtype
    assert np.array_equal(lines, wanted)
    for frames in (None, 31, 200):
        assert np.array_equal(compiled.irfft(lines, frames, axis=axis), scipy.fft.irfft(lines, frames, axis=axis))


def test_whole_numbers_and_real_lines_are_transformed_as_scipy_does(way):
    assert np.array_equal(compiled.rfft([1, 2, 3]), scipy.fft.rfft([1, 2, 3]))
    assert np.array_equal(compiled.irfft(np.arange(5.0), 8), scipy.fft.irfft(np.arange(5.0), 8))


def test_quick_sizes_are_scipys(way):
    for target in (1, 13, 1001, 44_101):
        assert compiled.next_fast_len(target, True) == scipy.fft.next_fast_len(target, True)


@pytest.mark.parametrize("name", ["uniform_filter1d", "maximum_filter1d", "minimum_filter1d"])
@pytest.mark.parametrize("mode", ["nearest", "wrap", "reflect", "constant"])
@pytest.mark.parametrize("size", [1, 4, 9])
def test_moving_filters_are_scipys_to_the_bit(way, name, mode, size):
    values = np.random.default_rng(2).standard_normal(500)
    wanted = getattr(scipy.ndimage, name)(values, size, mode=mode)
    assert np.array_equal(getattr(compiled, name)(values, size, mode=mode), wanted)


def test_this_version_of_scipy_has_them_where_they_are_known():
    assert all(compiled.loaded(*part) for part in PARTS)


def test_where_they_are_elsewhere_scipy_is_loaded_instead():
    assert compiled._loaded("nowhere", "nothing") is None


def test_transforms_and_filters_load_neither_of_scipys_packages():
    code = (
        "import sys, numpy as np; from kitfold.measure import compiled as c; c.rfft(np.ones(8)); "
        "c.uniform_filter1d(np.ones(8), 3); print([n for n in ('scipy.fft', 'scipy.ndimage') if n in sys.modules])"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
