"""Stored: a sound as codes, and the bytes that they are in a file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from kitfold.errors import PackError
from kitfold.pack.quantise import Codes, Encoding, container_bytes

__all__ = ["Stored", "check_size", "packed"]

_MOST_BYTES = 0xFFFFFFFF  # sizes in RIFF and AIFF headers are 32-bit


@dataclass(frozen=True, eq=False)
class Stored:
    """A sound as a device stores it.

    Parameters
    ----------
    codes : ndarray, (frames, channels), as `quantise` returns them
    rate_hz : int, Hz, > 0
    bits : int, 8, 12, 16, 24, or 32 for float
    encoding : Encoding
    """

    codes: Codes
    rate_hz: int
    bits: int
    encoding: Encoding

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.codes.shape[0])

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.codes.shape[1])


def packed(stored: Stored, order: Literal["<", ">"]) -> bytes:
    """Lay codes out as bytes, lowest (``<``) or highest (``>``) byte first; 12-bit ones left-justified in 16."""
    codes = stored.codes << 4 if stored.bits == 12 else stored.codes
    if stored.bits != 24:
        return codes.astype(codes.dtype.newbyteorder(order)).tobytes()
    octets = np.ascontiguousarray(codes).astype(order + "i4").view(np.uint8).reshape(-1, 4)
    return (octets[:, :3] if order == "<" else octets[:, 1:]).tobytes()


def check_size(stored: Stored, other_bytes: int, where: str) -> None:
    """Refuse a file that its own header could not measure.

    Raises
    ------
    PackError : where the codes and `other_bytes` pass 4 GiB
    """
    size = stored.codes.size * container_bytes(stored.bits) + other_bytes
    if size > _MOST_BYTES:
        raise PackError(
            f"would take {size / 2**30:.2f} GiB; such a file holds less than 4 GiB",
            where=where,
            hint="shorten the sound, or choose a lower rate or fewer bits",
        )
