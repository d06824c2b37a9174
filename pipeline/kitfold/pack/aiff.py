"""AIFF: device files for samplers that want signed 8 bits, or the highest byte first.

Sources: Apple, "Audio Interchange File Format: AIFF, version 1.3", 1989 (COMM, SSND, points left-justified in whole
bytes, the rate as an 80-bit extended number of IEEE 754); Apple, "AIFF-C draft", 1991 (FVER, compression types).
"""

from __future__ import annotations

import struct

from kitfold.pack.stored import Stored, check_size, packed

__all__ = ["aiff_bytes"]

_VERSION = 0xA2805140  # FVER: AIFF-C version 1, the only one
_COMPRESSION = {"unsigned": b"raw ", "mu-law": b"ulaw", "a-law": b"alaw", "float": b"fl32"}
_POINT_BITS = {"mu-law": 16, "a-law": 16}  # of the sound before it was companded


def aiff_bytes(stored: Stored, where: str = "AIFF") -> bytes:
    """Make an AIFF file of exactly these codes; an AIFF-C where they are not signed PCM.

    Parameters
    ----------
    stored : Stored; unsigned codes have 8 bits, 12 bits travel left-justified in 16, and the header says so
    where : str, what an error calls the file

    Returns
    -------
    bytes

    Raises
    ------
    PackError : where the file would pass 4 GiB
    """
    check_size(stored, 100, where)  # 100: more than all headers together
    compression = _COMPRESSION.get(stored.encoding)
    common = struct.pack(">HIH", stored.channels, stored.frames, _POINT_BITS.get(stored.encoding, stored.bits))
    common += _extended(stored.rate_hz)
    chunks = [(b"COMM", common), (b"SSND", struct.pack(">II", 0, 0) + packed(stored, ">"))]
    if compression:
        chunks[0] = (b"COMM", common + compression + bytes(2))  # an empty name, padded
        chunks.insert(0, (b"FVER", struct.pack(">I", _VERSION)))
    body = b"".join(_chunk(name, data) for name, data in chunks)
    return b"FORM" + struct.pack(">I", 4 + len(body)) + (b"AIFC" if compression else b"AIFF") + body


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack(">I", len(data)) + data + bytes(len(data) % 2)


def _extended(number: int) -> bytes:
    """Write a positive whole number as an 80-bit extended: exponent biased by 16383, then its digits, all written."""
    exponent = number.bit_length() - 1
    return struct.pack(">HQ", 16383 + exponent, number << (63 - exponent))
