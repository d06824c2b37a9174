"""Values as JSON and blocks: what goes in comes out, nothing else goes in, and nothing can be smuggled out."""

import json
import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.render.values import packed, unpacked
from kitfold.sound import Done, Sound


@dataclass(frozen=True)
class Gain:
    store_db: float
    play_db: float


@dataclass(frozen=True)
class Other:
    gain: Gain


def through(value, kinds=()):
    """Return a value after the way to the disk and back."""
    text, blocks = packed(value, kinds)
    return unpacked(json.loads(json.dumps(text)), [memoryview(bytes(block)) for block in blocks], kinds)


scalars = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text() | st.binary()
values = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.lists(inner, max_size=4).map(tuple)
        | st.dictionaries(st.text() | st.just("$"), inner, max_size=4)
        | st.dictionaries(st.integers(), inner, max_size=4)
    ),
    max_leaves=20,
)


@given(values)
def test_what_goes_in_comes_out_with_its_type(value):
    found = through(value)
    assert found == value
    assert repr(found) == repr(value)  # 1, 1.0 and True, tuples and lists, -0.0


def test_infinite_and_undefined_numbers_come_out():
    assert through(math.inf) == math.inf
    assert math.isnan(through(math.nan))


@pytest.mark.parametrize("kind", ["f4", "f8", "i2", "i4", "i8", "u1", "u2", "?"])
@pytest.mark.parametrize("shape", [(), (0,), (3,), (4, 2), (0, 2)])
def test_arrays_come_out_bit_for_bit_read_only_and_in_the_order_of_c(kind, shape):
    array = np.asarray(np.random.default_rng(1).integers(0, 200, shape)).astype(kind)
    for given_ in (array, array.copy(order="F")):
        found = through(given_)
        assert (found.dtype, found.shape, found.tobytes()) == (array.dtype, shape, array.tobytes())
        assert found.flags.c_contiguous
        assert not found.flags.writeable


def test_what_was_made_is_given_as_it_will_be_read():
    """Else the order of a sum could hang on whether it was made or read, and with it the last bit."""
    turned = np.asfortranarray(np.arange(6.0).reshape(3, 2))
    text, blocks = packed(turned)
    assert unpacked(text, blocks).flags.c_contiguous


def test_a_sound_comes_out_whole():
    done = Done("trim", {"a": 1.5}, {"hz": 2}, ("said",))
    sound = Sound(np.arange(8.0).reshape(4, 2) / 8, 8000, 220.5, True, (done, done), {"x": 1}, ("more",), (1, 3))
    found = through(sound)
    for name in ("rate_hz", "root_hz", "whole", "history", "found", "said", "loop"):
        assert getattr(found, name) == getattr(sound, name)
    assert np.array_equal(found.samples, sound.samples)
    assert isinstance(found.loop, tuple)


def test_dataclasses_that_are_named_come_out():
    assert through((Other(Gain(-1.0, -2.0)),), (Gain, Other)) == (Other(Gain(-1.0, -2.0)),)


@pytest.mark.parametrize("value", [Gain(0, 0), object(), {1, 2}, 1j, np.array(["a"]), np.array([1j]), len])
def test_anything_else_does_not_go_in(value):
    with pytest.raises(TypeError, match="cannot be kept"):
        packed(value)


def test_numbers_of_numpy_come_out_as_pythons():
    found = through([np.float64(0.1), np.int64(3), np.bool_(True)])
    assert [type(one) for one in found] == [float, int, bool]


@pytest.mark.parametrize(
    "planted",
    [
        {"$": "kind", "name": "Popen", "of": {}},
        {"$": "nonsense"},
        {"$": "array", "type": "|O", "shape": [1], "block": 0},
        {"$": "array", "type": "<f4", "shape": [10**6], "block": 0},
        {"$": "array", "type": "<f4", "shape": [1], "block": 9},
        {"$": "bytes", "block": "x"},
        {"$": "Sound", "samples": {"type": "<f4", "shape": [1], "block": 0}, "rest": {}},
        {"$": "dict", "of": [1]},
    ],
)
def test_what_was_never_packed_is_refused(planted):
    with pytest.raises((ValueError, TypeError, KeyError, IndexError)):
        unpacked(planted, [memoryview(b"\0" * 8)])
