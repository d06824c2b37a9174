"""The broadcast chunk: what a file is, who made it, and how loud it is, in the form that broadcasters read.

Source: EBU Tech 3285, "Specification of the Broadcast Wave Format", version 2.0, May 2011. Its loudness fields are
16-bit signed numbers, round(100 x the value), halves away from zero; from -99.99 to 99.99 (LoudnessRange from 0); what
is not known is 0x7FFF (the two rules from memory; the fields' order and sizes read against two other writers).
Coding history: EBU R 98.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from kitfold.plan.names import plain_letters

__all__ = ["UNKNOWN", "Loudness", "bext_chunk", "hundredths"]

UNKNOWN = 0x7FFF
"""What a loudness field says where the value is not known."""
_MOST = 9999
_VERSION = 2
_FIXED = "<256s32s32s10s8sIIH64s5h180s"


@dataclass(frozen=True)
class Loudness:
    """How loud a sound is, as EBU R 128 says it; None for what is not known.

    Parameters
    ----------
    integrated_lufs : float or None, gated (ITU-R BS.1770); needs 400 ms
    range_lu : float or None (EBU Tech 3342)
    true_peak_db : float or None, dBTP
    momentary_lufs : float or None, of the loudest 400 ms
    short_term_lufs : float or None, of the loudest 3 s; needs as much
    """

    integrated_lufs: float | None = None
    range_lu: float | None = None
    true_peak_db: float | None = None
    momentary_lufs: float | None = None
    short_term_lufs: float | None = None


def bext_chunk(
    description: str, originator: str, reference: str, loudness: Loudness, history: str = ""
) -> tuple[bytes, bytes]:
    """Say what a sound is and how loud it is.

    Parameters
    ----------
    description : str, cut to 256 ASCII letters; programs that show little show the first 64
    originator, reference : str, cut to 32 ASCII letters each
    loudness : Loudness
    history : str, lines of the coding history, each ending in CR LF

    Returns
    -------
    (id, data) : for `wav.device_file`: 602 bytes and the history. Date, time and time reference are empty and the UMID
        is zero: the same kit gives the same bytes whenever it is made.
    """
    values = (
        hundredths(loudness.integrated_lufs),
        UNKNOWN if loudness.range_lu is None or loudness.range_lu < 0 else hundredths(loudness.range_lu),
        hundredths(loudness.true_peak_db),
        hundredths(loudness.momentary_lufs),
        hundredths(loudness.short_term_lufs),
    )
    texts = (_ascii(description, 256), _ascii(originator, 32), _ascii(reference, 32))
    fixed = struct.pack(_FIXED, *texts, b"", b"", 0, 0, _VERSION, b"", *values, b"")
    return b"bext", fixed + "".join(letter for letter in history if ord(letter) < 128).encode("ascii")


def hundredths(value: float | None) -> int:
    """Return a level as the chunk's loudness fields hold it: -22.645 is -2265; what they cannot hold is unknown."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    scaled = int(math.copysign(math.floor(abs(round(100.0 * value, 6)) + 0.5), value))  # 6: doubles of -22.645 lie off
    return scaled if abs(scaled) <= _MOST else UNKNOWN


def _ascii(text: str, most: int) -> bytes:
    """Return a text in plain letters and on one line; a full field has no zero byte behind it."""
    line = "".join(letter if letter.isprintable() else " " for letter in plain_letters(text))
    return line.strip().encode("ascii")[:most]
