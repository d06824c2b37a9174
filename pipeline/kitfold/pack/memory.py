"""A device's memory, counted exactly as the device counts it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from kitfold.plan.device import Device
from kitfold.units import seconds_to_frames

__all__ = ["Memory", "memory_of"]

Count = TypeVar("Count", int, NDArray[np.int64])
"""One number, or an array of them."""


@dataclass(frozen=True)
class Memory:
    """What a device has, and what a slot costs.

    Parameters
    ----------
    unit : ``"frames"`` or ``"bytes"``
    limit : int, in that unit
    per_frame : int, units that one frame of all channels costs
    block : int, units that memory is given out in
    overhead : int, units spent by each used slot on top
    longest_s : float or None, seconds, the longest that a slot may be
    slots : int
    """

    unit: Literal["frames", "bytes"]
    limit: int
    per_frame: int
    block: int
    overhead: int
    longest_s: float | None
    slots: int

    def cost(self, frames: Count) -> Count:
        """Return what a slot of so many frames takes: whole blocks, and its overhead."""
        return -(-frames * self.per_frame // self.block) * self.block + self.overhead

    def frames_within(self, units: Count) -> Count:
        """Return the most frames that a slot may have so that it takes at most `units`; negative if none may be."""
        return (units - self.overhead) // self.block * self.block // self.per_frame

    def filled(self, frames: Count) -> Count:
        """Return the most frames that fit into the memory which so many frames take anyway."""
        return self.frames_within(self.cost(frames))


def memory_of(device: Device) -> Memory:
    """Return a device's memory at its highest rate: in bytes where it says bytes, else in frames of one channel."""
    if device.memory_bytes is not None:
        return Memory(
            "bytes",
            device.memory_bytes,
            device.bytes_per_frame,
            device.block_bytes,
            device.slot_overhead_bytes,
            device.slot_max_s,
            device.slots,
        )
    limit = seconds_to_frames(device.memory_s or 0, device.top_rate_hz)
    return Memory("frames", limit, device.channels, 1, 0, device.slot_max_s, device.slots)
