"""Device files: the bytes of a .wav, .aif or .raw that holds exactly the codes that a device stores.

The same codes give the same bytes: nothing here carries a time. WAV and AIFF are written here, because libsndfile
has no 12-bit WAV, takes no chunks from Python, puts the time into float files, and counts an AIFF's pad as a frame.

Sources: IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0", 1991 (RIFF, WAVE);
Microsoft, "New Multimedia Data Types and Data Techniques", 1994 (fact chunk, format tags 3, 6 and 7); Microsoft,
WAVEFORMATEXTENSIBLE (valid bits, left-justified).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from pathlib import PurePath

from kitfold.errors import PackError
from kitfold.pack.aiff import aiff_bytes
from kitfold.pack.quantise import Encoding, container_bytes
from kitfold.pack.stored import Stored, check_size, packed

__all__ = ["FILE_KINDS", "Stored", "device_file", "file_problem", "takes_chunks", "wav_bytes"]

FILE_KINDS = (".wav", ".aif", ".aiff", ".raw")
"""The endings that a device's file names may have."""

_FORMAT_TAGS = {"unsigned": 1, "signed": 1, "float": 3, "a-law": 6, "mu-law": 7}
_EXTENSIBLE = 0xFFFE
_SUBFORMAT_PCM = bytes.fromhex("0100000000001000800000aa00389b71")  # KSDATAFORMAT_SUBTYPE_PCM
_SPEAKERS = {1: 0x4, 2: 0x3}  # front centre; front left and right


def takes_chunks(file_name: str) -> bool:
    """Say whether a file of this name can carry RIFF chunks (loop points, notes)."""
    return PurePath(file_name).suffix.lower() == ".wav"


def file_problem(file_name: str, bits: int, encoding: Encoding) -> str:
    """Say why a kind of file cannot hold such codes; an empty string where it can."""
    kind = PurePath(file_name).suffix.lower()
    if kind not in FILE_KINDS:
        return f"ends in {kind or 'nothing'!r}; allowed are {', '.join(FILE_KINDS)}"
    if kind == ".wav" and encoding in ("unsigned", "signed") and (bits == 8) != (encoding == "unsigned"):
        return f"cannot hold {bits}-bit {encoding} codes: a WAV has 8 bits unsigned and more bits signed"
    if kind in (".aif", ".aiff") and encoding == "unsigned" and bits != 8:
        return f"cannot hold {bits}-bit unsigned codes: an AIFF has more than 8 bits signed"
    return ""


def device_file(file_name: str, stored: Stored, chunks: Iterable[tuple[bytes, bytes]] = ()) -> bytes:
    """Make the file that a device loads, of the kind that its name ends in.

    Parameters
    ----------
    file_name : str, ends in one of `FILE_KINDS`
    stored : Stored
    chunks : iterable of (id, data), for a .wav only: see `wav_bytes`

    Returns
    -------
    bytes; a .raw is the bare codes, little-endian, 12-bit ones left-justified in 16

    Raises
    ------
    PackError : where that kind of file cannot hold these codes, or would pass 4 GiB
    ValueError : for chunks with anything but a .wav: ask `takes_chunks` first
    """
    problem = file_problem(file_name, stored.bits, stored.encoding)
    if problem:
        raise PackError(problem, where=file_name, hint="change file_name, bits or encoding in the device file")
    if takes_chunks(file_name):
        return wav_bytes(stored, chunks, where=file_name)
    if tuple(chunks):
        raise ValueError(f"{file_name} cannot carry RIFF chunks")
    if PurePath(file_name).suffix.lower() == ".raw":
        return packed(stored, "<")
    return aiff_bytes(stored, file_name)


def wav_bytes(stored: Stored, chunks: Iterable[tuple[bytes, bytes]] = (), where: str = "WAV") -> bytes:
    """Make a WAV file of exactly these codes, with any further chunks behind the sound.

    Parameters
    ----------
    stored : Stored; 12 bits travel left-justified in 16, and the header says so (WAVE_FORMAT_EXTENSIBLE)
    chunks : iterable of (id, data): id four ASCII bytes; appended in order, odd sizes padded with one zero byte
    where : str, what an error calls the file

    Returns
    -------
    bytes

    Raises
    ------
    PackError : where the file would pass 4 GiB
    ValueError : for a chunk id that is not four printable ASCII bytes
    """
    extra = list(chunks)
    for name, _ in extra:
        if len(name) != 4 or not all(32 <= byte < 127 for byte in name):
            raise ValueError(f"a chunk id is four printable ASCII bytes, got {name!r}")
    check_size(stored, 100 + sum(9 + len(data) for _, data in extra), where)  # 100: more than all headers together
    head = [(b"fmt ", _format_chunk(stored))]
    if _FORMAT_TAGS[stored.encoding] != 1:
        head.append((b"fact", struct.pack("<I", stored.frames)))
    body = b"".join(_chunk(name, data) for name, data in [*head, (b"data", packed(stored, "<")), *extra])
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _format_chunk(stored: Stored) -> bytes:
    width = container_bytes(stored.bits)
    tag = _EXTENSIBLE if stored.bits == 12 else _FORMAT_TAGS[stored.encoding]
    frame_bytes = width * stored.channels
    rates = (stored.channels, stored.rate_hz, stored.rate_hz * frame_bytes, frame_bytes, 8 * width)
    basic = struct.pack("<HHIIHH", tag, *rates)
    if tag == _EXTENSIBLE:
        return basic + struct.pack("<HHI", 22, stored.bits, _SPEAKERS.get(stored.channels, 0)) + _SUBFORMAT_PCM
    return basic if tag == 1 else basic + struct.pack("<H", 0)
