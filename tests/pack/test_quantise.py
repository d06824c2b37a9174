"""Quantising: codes, rails, ends, silence and the noise's seed; the theory is in tests/outside."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from kitfold.pack.quantise import ALLOWED_BITS, container_bytes, content_seed, dequantise, quantise

KINDS = [(encoding, bits) for encoding, depths in ALLOWED_BITS.items() for bits in depths]
PCM = [(encoding, bits) for encoding, bits in KINDS if encoding in ("signed", "unsigned")]
SILENCE = {"signed": 0, "float": 0, "mu-law": 0xFF, "a-law": 0xD5}  # ITU-T G.711, from memory: the positive smallest


def silence(encoding, bits):
    return 1 << (bits - 1) if encoding == "unsigned" else SILENCE[encoding]


@pytest.mark.parametrize("dither", [False, True])
@pytest.mark.parametrize(("encoding", "bits"), KINDS)
@pytest.mark.parametrize("shape", [(0, 1), (1, 1), (2, 2), (1000, 2), (7,)])
def test_all_zero_input_stays_all_zero(encoding, bits, shape, dither):
    codes = quantise(np.zeros(shape), bits, encoding, dither, seed=3)
    assert codes.shape == shape
    assert (codes == silence(encoding, bits)).all()


def test_8_bit_unsigned_sits_on_128_with_no_offset():
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, (200_000, 1))
    codes = quantise(noise, 8, "unsigned")
    offset = np.mean(codes.astype(float) - 128 - noise * 128)
    # a floor would give -0.5; the mean of 200,000 errors of 1/sqrt(12) strays by 0.00065: four of those
    assert abs(offset) < 0.0026


@pytest.mark.parametrize(("encoding", "bits"), PCM)
def test_rounds_to_the_nearest_step(encoding, bits):
    half = 1 << (bits - 1)
    steps = np.array([[0], [0.6], [-0.6], [0.4], [-0.4], [2.51], [-2.51], [0]])
    codes = quantise(steps / half, bits, encoding).astype(int).ravel()
    assert list(codes - (half if encoding == "unsigned" else 0)) == [0, 1, -1, 0, 0, 3, -3, 0]


@pytest.mark.parametrize(("encoding", "bits"), PCM)
@pytest.mark.parametrize("dither", [False, True])
def test_clips_at_the_rails_instead_of_wrapping(encoding, bits, dither):
    half = 1 << (bits - 1)
    codes = quantise(np.array([[0], [1.0], [-1.0], [7.5], [-7.5], [0]]), bits, encoding, dither, seed=1).astype(int)
    codes = codes.ravel() - (half if encoding == "unsigned" else 0)
    assert (codes[3], codes[4]) == (half - 1, -half)
    assert half - 1 - 1 <= codes[1] <= half - 1  # the noise may take it one step down
    assert -half <= codes[2] <= -half + 1


@pytest.mark.parametrize("dither", [False, True])
@pytest.mark.parametrize(("encoding", "bits"), KINDS)
@pytest.mark.parametrize("frames", [1, 2, 3, 500])
def test_first_and_last_stored_frame_are_exact_zero_and_undithered(encoding, bits, frames, dither):
    sound = np.full((frames, 2), 0.25)
    codes = quantise(sound, bits, encoding, dither, seed=5)
    assert (codes[[0, -1]] == silence(encoding, bits)).all()
    assert (codes[1:-1] != silence(encoding, bits)).all()


def test_a_loop_that_runs_to_the_last_frame_keeps_it():
    codes = quantise(np.full((9, 1), 0.25), 16, "signed", zero_ends=False)
    assert (codes == 8192).all()


@pytest.mark.parametrize("encoding", ["mu-law", "a-law", "float"])
def test_companded_and_float_codes_are_never_dithered(encoding):
    sound = np.random.default_rng(2).uniform(-0.3, 0.3, (1000, 1))
    bits = ALLOWED_BITS[encoding][0]
    assert np.array_equal(quantise(sound, bits, encoding, True, seed=9), quantise(sound, bits, encoding))


def test_the_same_seed_gives_the_same_codes_and_another_gives_others():
    sound = np.random.default_rng(2).uniform(-0.3, 0.3, (1000, 2))
    first, again, other = (quantise(sound, 8, "signed", True, seed) for seed in (7, 7, 8))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_the_seed_comes_from_the_content_alone():
    sound = np.random.default_rng(2).uniform(-0.3, 0.3, (100, 2)).astype(np.float32)
    assert content_seed(sound) == content_seed(np.asfortranarray(sound))
    changed = sound.copy()
    changed[50, 1] = np.nextafter(changed[50, 1], 1)
    assert content_seed(changed) != content_seed(sound)


def test_channels_have_noise_of_their_own_and_a_silent_channel_has_none():
    sound = np.full((5000, 3), 0.25)
    sound[:, 2] = 0
    noise = quantise(sound, 8, "signed", True, seed=4).astype(float)[1:-1] - 32
    assert (noise[:, 2] == -32).all()
    assert abs(np.corrcoef(noise[:, 0], noise[:, 1])[0, 1]) < 4 / np.sqrt(5000)  # four deviations of independent noise


@pytest.mark.parametrize(("encoding", "bits"), PCM)
def test_codes_survive_the_way_to_samples_and_back(encoding, bits):
    half = 1 << (bits - 1)
    low = 0 if encoding == "unsigned" else -half
    codes = np.unique(np.linspace(low, low + 2 * half - 1, 65_536).astype(np.int64))
    back = quantise(dequantise(codes, bits, encoding), bits, encoding, zero_ends=False)
    assert np.array_equal(back, codes)


@given(
    samples=hnp.arrays(np.float32, hnp.array_shapes(min_dims=2, max_dims=2, max_side=40),
                       elements=st.floats(-2, 2, width=32)),
    kind=st.sampled_from(PCM),
)  # fmt: skip
def test_the_error_is_at_most_half_a_step_inside_the_rails(samples, kind):
    encoding, bits = kind
    got = dequantise(quantise(samples, bits, encoding, zero_ends=False), bits, encoding)
    step = 2.0 ** (1 - bits)
    assert np.abs(got - np.clip(samples, -1, 1 - step)).max() <= step / 2


def test_the_input_is_left_as_it_was():
    sound = np.full((10, 1), 0.5, np.float32)
    before = sound.copy()
    quantise(sound, 8, "unsigned", True, seed=1)
    assert np.array_equal(sound, before)


def test_float_codes_are_the_samples_themselves_with_no_negative_zero():
    codes = quantise(np.array([[0], [-0.0], [1.5], [-0.1], [0]]), 32, "float")
    assert codes.dtype == np.float32
    assert np.array_equal(codes, np.array([[0], [0], [1.5], [-0.1], [0]], np.float32))
    assert not np.signbit(codes[:3]).any()


def test_each_depth_takes_the_bytes_of_its_container():
    assert [container_bytes(bits) for bits in (8, 12, 16, 24, 32)] == [1, 2, 2, 3, 4]


@pytest.mark.parametrize(("encoding", "bits"), [("mu-law", 16), ("float", 24), ("signed", 20)])
def test_a_depth_that_an_encoding_does_not_have_is_refused(encoding, bits):
    with pytest.raises(ValueError, match=f"{encoding} comes in"):
        quantise(np.zeros((1, 1)), bits, encoding)
    with pytest.raises(ValueError, match=f"{encoding} comes in"):
        dequantise(np.zeros((1, 1), np.int32), bits, encoding)
