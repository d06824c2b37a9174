"""Memory, counted as devices count it, by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.pack.memory import Memory, memory_of
from kitfold.plan.device import Device


def device(**changes):
    return Device(**{"name": "d", "rate_hz": 18_000, "bits": 8, "encoding": "unsigned", "slots": 9, **changes})


def test_seconds_are_frames_of_one_channel_at_the_highest_rate():
    memory = memory_of(device(memory_s=22))
    assert (memory.unit, memory.limit) == ("frames", 396_000)  # 22 * 18000
    assert memory.cost(100) == 100
    assert memory_of(device(memory_s=2, rate_hz=(9000, 18_000))).limit == 36_000


def test_stereo_takes_two_frames_of_memory_for_each_of_its_own():
    assert memory_of(device(memory_s=22, channels=2)).cost(100) == 200


def test_bytes_come_in_whole_blocks_and_every_slot_has_its_overhead():
    memory = memory_of(
        device(
            bits=16, encoding="signed", channels=2, memory_bytes=18_000_000, block_bytes=2048, slot_overhead_bytes=96
        )
    )
    # 1000 frames of 2 x 2 bytes are 4000 bytes: 2 blocks of 2048, and 96 on top
    assert memory.cost(1000) == 2 * 2048 + 96
    assert memory.cost(1024) == 2 * 2048 + 96  # exactly two blocks
    assert memory.cost(1025) == 3 * 2048 + 96
    assert memory.cost(0) == 96


def test_twelve_bits_take_two_bytes():
    assert memory_of(device(bits=12, encoding="signed", memory_bytes=10)).cost(3) == 6


def test_the_longest_slot_is_counted_in_frames():
    assert memory_of(device(memory_s=22)).longest_s is None
    assert memory_of(device(memory_s=22, slot_max_s=1.5)).longest_s == 1.5


MEMORIES = st.builds(
    Memory,
    st.just("bytes"),
    st.just(10**6),
    st.integers(1, 12),
    st.integers(1, 5000),
    st.integers(0, 300),
    st.none(),
    st.just(4),
)


@given(memory=MEMORIES, units=st.integers(0, 10**6))
def test_the_most_frames_within_an_amount_are_the_most(memory, units):
    frames = memory.frames_within(units)
    if frames >= 0:
        assert memory.cost(frames) <= units
    assert memory.cost(max(frames, -1) + 1) > units


@given(memory=MEMORIES, frames=st.integers(0, 10**5))
def test_a_cost_is_whole_blocks_that_hold_the_frames_and_no_more(memory, frames):
    blocks, left = divmod(memory.cost(frames) - memory.overhead, memory.block)
    assert left == 0
    assert blocks * memory.block >= frames * memory.per_frame
    assert (blocks - 1) * memory.block < frames * memory.per_frame or blocks == 0


def test_a_device_says_its_memory_once():
    with pytest.raises(ValueError, match="not both"):
        device(memory_s=1, memory_bytes=1)
