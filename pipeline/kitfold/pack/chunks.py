"""Chunks: what a WAV file tells a sampler beside the sound itself.

Source: IBM and Microsoft, "New Multimedia Data Types and Data Techniques", revision 3.0, 1994, "Sample Chunk" (from
memory). All fields are 32-bit, lowest byte first: manufacturer, product, sample period in nanoseconds, unity note,
pitch fraction, SMPTE format and offset, number of loops, bytes that follow the loops; then a loop's identifier, type,
start, end, fraction and play count. A loop's end is the last frame that is played, not the one after it.
"""

from __future__ import annotations

import struct

__all__ = ["smpl_chunk"]

_UNPITCHED_NOTE = 60  # middle C: a player that tracks the keyboard plays the sound as it is there (common practice)
_HIGHEST_NOTE = 127
_SEMITONE = 1 << 32  # the fraction counts up from the unity note; 0x80000000 is 50 cents
_FORWARD, _FOR_EVER = 0, 0


def smpl_chunk(rate_hz: int, midi: float | None, loop: tuple[int, int] | None) -> tuple[bytes, bytes]:
    """Tell a sampler which note a sound plays and where it goes round.

    Parameters
    ----------
    rate_hz : int, Hz, > 0
    midi : float or None, the note that the sound plays at its own rate, with its fraction: 50.25 is D3 and 25 cents;
        below 0 and above 127 the end of the scale is written; None for a sound without a root
    loop : (start, end) or None, frames, end exclusive

    Returns
    -------
    (id, data) : for `wav.device_file`: 36 bytes, 24 more with a loop
    """
    note, fraction = _split(_UNPITCHED_NOTE if midi is None else midi)
    period_ns = round(1e9 / rate_hz)
    data = struct.pack("<9I", 0, 0, period_ns, note, fraction, 0, 0, 0 if loop is None else 1, 0)
    if loop is not None:
        start, end = loop
        data += struct.pack("<6I", 0, _FORWARD, start, end - 1, 0, _FOR_EVER)
    return b"smpl", data


def _split(midi: float) -> tuple[int, int]:
    """Split a note into whole semitones and the fraction above, in 2^-32 of a semitone."""
    units = round(min(max(midi, 0.0), _HIGHEST_NOTE + 1.0) * _SEMITONE)
    units = min(units, (_HIGHEST_NOTE + 1) * _SEMITONE - 1)
    return units // _SEMITONE, units % _SEMITONE
