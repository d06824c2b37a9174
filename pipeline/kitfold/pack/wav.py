"""Device files: the bytes of a .wav, .aif or .raw that holds exactly the codes that a device stores.

The same codes give the same bytes: nothing here carries a time. WAV is written here, because no library writes 12-bit
WAV or chosen chunks; AIFF goes through libsndfile.

Sources: IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0", 1991 (RIFF, WAVE);
Microsoft, "New Multimedia Data Types and Data Techniques", 1994 (fact chunk, format tags 3, 6 and 7); Microsoft,
WAVEFORMATEXTENSIBLE (valid bits, left-justified); Apple, "Audio Interchange File Format 1.3", 1989 (left-justified).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray

from kitfold.errors import PackError
from kitfold.pack.quantise import Codes, Encoding, container_bytes, law_levels

__all__ = ["FILE_KINDS", "Stored", "device_file", "file_problem", "takes_chunks", "wav_bytes"]

FILE_KINDS = (".wav", ".aif", ".aiff", ".raw")
"""The endings that a device's file names may have."""

_FORMAT_TAGS = {"unsigned": 1, "signed": 1, "float": 3, "a-law": 6, "mu-law": 7}
_EXTENSIBLE = 0xFFFE
_SUBFORMAT_PCM = bytes.fromhex("0100000000001000800000aa00389b71")  # KSDATAFORMAT_SUBTYPE_PCM
_SPEAKERS = {1: 0x4, 2: 0x3}  # front centre; front left and right
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
        return _pack(stored)
    return _aiff_bytes(stored, file_name)


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
    _check_size(stored, 100 + sum(9 + len(data) for _, data in extra), where)  # 100: more than all headers together
    head = [(b"fmt ", _format_chunk(stored))]
    if _FORMAT_TAGS[stored.encoding] != 1:
        head.append((b"fact", struct.pack("<I", stored.frames)))
    body = b"".join(_chunk(name, data) for name, data in [*head, (b"data", _pack(stored)), *extra])
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


def _check_size(stored: Stored, other_bytes: int, where: str) -> None:
    size = stored.codes.size * container_bytes(stored.bits) + other_bytes
    if size > _MOST_BYTES:
        raise PackError(
            f"would take {size / 2**30:.2f} GiB; such a file holds less than 4 GiB",
            where=where,
            hint="shorten the sound, or choose a lower rate or fewer bits",
        )


def _pack(stored: Stored) -> bytes:
    """Lay codes out as little-endian bytes, 12-bit ones left-justified."""
    codes = np.ascontiguousarray(_left_justified(stored))
    if stored.bits == 24:
        return codes.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    return codes.astype(codes.dtype.newbyteorder("<")).tobytes()


def _left_justified(stored: Stored) -> Codes:
    return stored.codes << 4 if stored.bits == 12 else stored.codes


def _aiff_bytes(stored: Stored, where: str) -> bytes:
    """Make an AIFF (or, for 8-bit unsigned, companded and float codes, an AIFF-C) through libsndfile."""
    import soundfile

    _check_size(stored, 256, where)
    subtype, values = _for_libsndfile(stored)
    file = io.BytesIO()
    soundfile.write(file, values, stored.rate_hz, format="AIFF", subtype=subtype)
    data = bytearray(file.getvalue())
    if stored.bits == 12:  # libsndfile writes 16; sampleSize follows the channels and frames
        struct.pack_into(">H", data, data.index(b"COMM") + 14, 12)
    if stored.encoding == "float":  # libsndfile puts the time of writing into PEAK, after its version
        struct.pack_into(">I", data, data.index(b"PEAK") + 12, 0)
    return bytes(data)


def _for_libsndfile(stored: Stored) -> tuple[str, NDArray[np.generic]]:
    """Choose libsndfile's name for an encoding, and integers whose top bits are the codes: it shifts, never rounds."""
    codes = _left_justified(stored)
    if stored.encoding == "float":
        return "FLOAT", codes
    if stored.encoding == "mu-law":
        levels = law_levels("mu-law").copy()
        levels[0x7F] = -1  # the negative zero: 0 itself is coded as the positive one
        return "ULAW", levels[codes]
    if stored.encoding == "a-law":
        return "ALAW", law_levels("a-law")[codes]
    if stored.bits == 8:
        signed = codes.astype(np.int16) - (128 if stored.encoding == "unsigned" else 0)
        return "PCM_U8" if stored.encoding == "unsigned" else "PCM_S8", signed << 8
    return ("PCM_24", codes << 8) if stored.bits == 24 else ("PCM_16", codes)
