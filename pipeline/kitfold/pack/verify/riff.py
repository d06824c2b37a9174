"""The chunks of a WAV file, walked with distrust: what it says of its own size, its note and its loop.

Source: IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0", 1991 (RIFF); Microsoft, "New
Multimedia Data Types and Data Techniques", 1994 (sample chunk), as in `kitfold.pack.chunks`.
"""

from __future__ import annotations

import struct

from kitfold.pack.verify.claims import Claim
from kitfold.pack.verify.difference import Difference

__all__ = ["riff_chunks", "riff_differences"]

_SMPL, _LOOP = struct.Struct("<9I"), struct.Struct("<6I")
_SEMITONE = 1 << 32
_NEAR_SEMITONES = 0.5  # a file may say the note itself, or where within its semitone the sound really lies
_MOST_CHUNKS = 256


def riff_chunks(data: bytes) -> list[tuple[bytes, bytes]] | None:
    """Return the chunks of a WAV file that fills its bytes exactly; None where they do not add up.

    Parameters
    ----------
    data : bytes, of the whole file
    """
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE" or len(data) != 8 + int.from_bytes(data[4:8], "little"):
        return None
    chunks: list[tuple[bytes, bytes]] = []
    place = 12
    while place < len(data):
        if place + 8 > len(data) or len(chunks) == _MOST_CHUNKS:
            return None
        size = int.from_bytes(data[place + 4 : place + 8], "little")
        end = place + 8 + size
        if end + size % 2 > len(data):
            return None
        name = data[place : place + 4]
        chunks.append((name, b"" if name == b"data" else data[place + 8 : end]))
        place = end + size % 2
    return chunks


def riff_differences(data: bytes, claim: Claim) -> list[Difference]:
    """Compare what a WAV file says beside its sound with what is claimed of it: its chunks, its loop, its note.

    Parameters
    ----------
    data : bytes, of the whole file
    claim : Claim
    """
    chunks = riff_chunks(data)
    if chunks is None:
        return [Difference(claim.listed, "RIFF", "chunks that fill the file", "chunks that do not")]
    sampler = [body for name, body in chunks if name == b"smpl"]
    if not sampler:
        needed = claim.loop is not None
        return [Difference(claim.listed, "smpl chunk", "there, with the loop", "missing")] if needed else []
    if len(sampler) > 1 or len(sampler[0]) < _SMPL.size:
        return [Difference(claim.listed, "smpl chunk", "one, whole", f"{len(sampler)}, {len(sampler[0])} bytes")]
    return _of_sampler(sampler[0], claim)


def _of_sampler(body: bytes, claim: Claim) -> list[Difference]:
    _, _, _, note, fraction, _, _, count, _ = _SMPL.unpack_from(body)
    found, loops = [], _loops(body, count)
    wanted = [] if claim.loop is None else [(claim.loop["start"], claim.loop["end"])]
    if loops != wanted:
        found.append(Difference(claim.listed, "loop in its smpl chunk", str(wanted), str(loops)))
    if claim.root.pitched and claim.root.midi is not None:
        midi = min(max(claim.root.midi - claim.play_semitones, 0), 127)
        if abs(note + fraction / _SEMITONE - midi) > _NEAR_SEMITONES:
            found.append(
                Difference(claim.listed, "note in its smpl chunk", str(midi), f"{note + fraction / _SEMITONE:.2f}")
            )
    return found


def _loops(body: bytes, count: int) -> list[tuple[int, int]] | str:
    """Return loops as (start, end), end exclusive, or what is wrong with them."""
    if len(body) != _SMPL.size + count * _LOOP.size:
        return f"{count} loops in {len(body)} bytes"
    fields = [_LOOP.unpack_from(body, _SMPL.size + n * _LOOP.size) for n in range(count)]
    return [(start, last + 1) for _, _, start, last, _, _ in fields]
