"""Chunks: what a WAV file tells a sampler beside the sound itself. All numbers are stored lowest byte first.

Sources: IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0", 1991 (``cue ``, ``LIST`` of
types ``adtl`` and ``INFO``; texts end in a zero byte, chunks are padded to even sizes); Microsoft, "New Multimedia Data
Types and Data Techniques", revision 3.0, 1994, "Sample Chunk" and "Instrument Chunk". The broadcast chunk is in
`kitfold.pack.bext`.

The sample chunk's fields are 32-bit: manufacturer, product, sample period in nanoseconds, unity note, pitch fraction,
SMPTE format and offset, number of loops, bytes that follow the loops; then a loop's identifier, type, start, end,
fraction and play count. A loop's end is the last frame that is played, not the one after it.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

__all__ = ["Chunk", "Mark", "cue_chunks", "info_chunk", "inst_chunk", "padded", "smpl_chunk"]

Chunk = tuple[bytes, bytes]
"""A chunk's four letters and its data, for `wav.device_file`."""

_UNPITCHED_NOTE = 60  # middle C: a player that tracks the keyboard plays the sound as it is there (common practice)
_HIGHEST_NOTE = 127
_SEMITONE = 1 << 32  # the fraction counts up from the unity note; 0x80000000 is 50 cents
_FORWARD, _FOR_EVER = 0, 0
_SOFTEST, _HARDEST = 1, 127  # velocities of MIDI notes that sound: 0 is a note's end


@dataclass(frozen=True)
class Mark:
    """A place in a sound: a frame from its start, and what it is called."""

    frame: int
    text: str


def smpl_chunk(rate_hz: int, midi: float | None, loop: tuple[int, int] | None) -> Chunk:
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


def inst_chunk(midi: float | None, reach: tuple[int, int] = (0, _HIGHEST_NOTE)) -> Chunk:
    """Tell a sampler which note a sound plays, how to set it straight, and which keys suit it.

    Parameters
    ----------
    midi : float or None, the note with its fraction, as for `smpl_chunk`
    reach : (lowest, highest) note for which the sound is meant; clipped to 0 to 127

    Returns
    -------
    (id, data) : 7 bytes: the nearest note; the shift in cents, -50 to 50, *needed to hit that note exactly*, so that a
        sound 25 cents sharp says -25; gain 0 dB; lowest and highest note; lowest and highest velocity
    """
    heard = float(_UNPITCHED_NOTE) if midi is None else min(max(midi, 0.0), float(_HIGHEST_NOTE))
    note = round(heard)
    low, high = (min(max(end, 0), _HIGHEST_NOTE) for end in reach)
    return b"inst", struct.pack("<BbbBBBB", note, round(100 * (note - heard)), 0, low, high, _SOFTEST, _HARDEST)


def cue_chunks(marks: Sequence[Mark]) -> list[Chunk]:
    """Mark places in a sound, each with its name; nothing where there is nothing to mark.

    Returns
    -------
    list of (id, data) : ``cue `` and the ``LIST`` of type ``adtl`` with a ``labl`` for each
    """
    if not marks:
        return []
    cue, labels = struct.pack("<I", len(marks)), b"adtl"
    for name, mark in enumerate(marks, 1):
        cue += struct.pack("<II4sIII", name, mark.frame, b"data", 0, 0, mark.frame)
        labels += padded(b"labl", struct.pack("<I", name) + _text(mark.text))
    return [(b"cue ", cue), (b"LIST", labels)]


def info_chunk(texts: Mapping[str, str]) -> Chunk:
    """Say what a sound is called, whose it is, and what may be done with it.

    Parameters
    ----------
    texts : mapping, an ``INFO`` identifier such as ``INAM`` to its text; empty ones are left out

    Returns
    -------
    (id, data) : a ``LIST`` of type ``INFO``; UTF-8, which readers of today expect and ASCII is part of (common
        practice: the 1991 document names no encoding)
    """
    data = b"INFO"
    for name, text in texts.items():
        if text.strip():
            data += padded(name.encode("ascii"), _text(text))
    return b"LIST", data


def padded(name: bytes, data: bytes) -> bytes:
    """Return a chunk as it stands in a file: its size does not count the zero byte behind odd data."""
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _text(text: str) -> bytes:
    """Return a text on one line with the zero byte that ends it."""
    line = "".join(letter if letter.isprintable() else " " for letter in text)
    return line.encode("utf-8", "replace") + b"\0"


def _split(midi: float) -> tuple[int, int]:
    """Split a note into whole semitones and the fraction above, in 2^-32 of a semitone."""
    units = round(min(max(midi, 0.0), _HIGHEST_NOTE + 1.0) * _SEMITONE)
    units = min(units, (_HIGHEST_NOTE + 1) * _SEMITONE - 1)
    return units // _SEMITONE, units % _SEMITONE
