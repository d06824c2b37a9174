"""Sounds of a build, read from their files' bytes, and the bytes that the sheet carries of them.

What the device stores is carried exactly, code by code; masters are carried as MP3, which libsndfile writes the same
way every time. The songs are new after every change, and FLAC is made twenty times as fast, so as long as they are
short enough they are carried without loss. The song from the device has nothing above half the device's rate and noise
where its steps are: it is carried at that rate and a little finer than those steps.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from kitfold.files import Store
from kitfold.measure.level import HEARD_QUALITY
from kitfold.pack.encode import mp3_of_file
from kitfold.pack.recent import Recent
from kitfold.render.keys import code_digest
from kitfold.render.memo import remembered
from kitfold.threads import uninterrupted

__all__ = ["Codes", "Take", "exact_codes", "flac_bytes", "mp3_bytes", "of_files", "read_slot", "read_take", "song_flac"]

Result = TypeVar("Result")

_RAW = {"unsigned": "PCM_U8", "mu-law": "ULAW", "a-law": "ALAW", "float": "FLOAT"}
_EXCERPT_S, _EXCERPT_PART = 0.1, 10
_BY_FAR = 1.2  # excerpts tell the length of the whole within a few per cent, but where a song is very uneven
_FLAC_EFFORT = 0.6  # libsndfile's scale, 1 smallest: that takes more than twice as long, and saves 1 % of a song
_SIGNED = {8: "PCM_S8", 12: "PCM_16", 16: "PCM_16", 24: "PCM_24"}


@dataclass(frozen=True, eq=False)
class Take:
    """A sound as figures are made from it.

    Parameters
    ----------
    samples : float32, (frames, channels), full scale 1.0
    rate_hz : int
    """

    samples: NDArray[np.float32]
    rate_hz: int

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return len(self.samples) / self.rate_hz


@dataclass(frozen=True)
class Codes:
    """What a device stores, for the page to play.

    Parameters
    ----------
    data : bytes, little-endian, channels interleaved
    width : int, bytes a sample, 1 to 4; whole numbers below 4, float32 at 4
    """

    data: bytes
    width: int


def read_take(data: bytes) -> Take:
    """Read a sound file that says itself what it is."""
    import soundfile

    samples, rate_hz = uninterrupted(soundfile.read, io.BytesIO(data), dtype="float32", always_2d=True)
    return Take(samples, int(rate_hz))


def read_slot(slot: Mapping[str, Any], data: bytes) -> Take:
    """Read a slot's file; the bare codes of a .raw are read as the manifest says."""
    return Take(_read(slot, data, "float32"), int(slot["rate_hz"]))


def exact_codes(slot: Mapping[str, Any], data: bytes) -> Codes:
    """Return a slot's codes without loss: companded ones as the 16 bits that they stand for (ITU-T G.711)."""
    if slot["encoding"] == "float":
        return Codes(_read(slot, data, "float32").astype("<f4").tobytes(), 4)
    codes = _read(slot, data, "int32")  # left-justified
    width = 1 if slot["bits"] == 8 and slot["encoding"] in ("unsigned", "signed") else 3 if slot["bits"] == 24 else 2
    little = codes.astype("<i4").view(np.uint8).reshape(-1, 4)
    return Codes(little[:, 4 - width :].tobytes(), width)


_KEPT: Recent[bytes] = Recent(96)
"""What was compressed lately, by the hash of what it was made from: the next device's page has the same masters."""


def of_files(
    store: Store | None, name: str, files: Sequence[bytes], parts: Sequence[Any], make: Callable[[], Result]
) -> Result:
    """Return what `make` gives of files' bytes, from the store where the same was made before by the same code.

    Parameters
    ----------
    store : Store or None, None: it is made
    name : str, what is made; two functions need two names
    files : sequence of bytes
    parts : JSON values, everything else that the result hangs on
    make : a pure function of both
    """
    digests = [hashlib.sha256(data).hexdigest() for data in files if store is not None]
    return remembered(store, name, [digests, *parts, code_digest("pack", "sheet")], make)


def mp3_bytes(data: bytes, store: Store | None = None) -> bytes:
    """Compress a sound file for listening, at the nearest rate that MP3 knows, of at most two channels."""
    name = hashlib.sha256(data).digest()
    return _KEPT.get(name, lambda: of_files(store, "mp3", [data], [], lambda: mp3_of_file(data)))


def flac_bytes(data: bytes) -> bytes:
    """Compress a 24-bit sound file without loss."""
    import soundfile

    samples, rate_hz = uninterrupted(soundfile.read, io.BytesIO(data), dtype="int32", always_2d=True)
    return _flac(samples, rate_hz, "PCM_24")


def song_flac(data: bytes, rate_hz: int, bits: int, most_bytes: int) -> bytes | None:
    """Compress a song at a rate that leaves nothing of it out, rounded to so many bits and otherwise without loss.

    Parameters
    ----------
    data : bytes, of a sound file
    rate_hz : int, Hz, of the song from the device the highest of the device's rates
    bits : int, <= 16
    most_bytes : int

    Returns
    -------
    bytes, or None where it would be longer than `most_bytes`; excerpts that say so by far spare it to be made
    """
    if len(_flac_at(_excerpts(data), rate_hz, bits)) * _EXCERPT_PART > _BY_FAR * most_bytes:
        return None
    flac = _flac_at(read_take(data), rate_hz, bits)
    return flac if len(flac) <= most_bytes else None


def _excerpts(data: bytes) -> Take:
    """Read every tenth tenth of a second of a sound file."""
    import soundfile

    def read() -> Take:
        with soundfile.SoundFile(io.BytesIO(data)) as file:
            frames = max(1, round(_EXCERPT_S * file.samplerate))
            parts = []
            for start in range(0, max(1, file.frames), frames * _EXCERPT_PART):
                file.seek(start)
                parts.append(file.read(frames, dtype="float32", always_2d=True))
            return Take(np.concatenate(parts), file.samplerate)

    return uninterrupted(read)


def _flac_at(take: Take, rate_hz: int, bits: int) -> bytes:
    """Compress a take that nobody needs afterwards: it is rounded where it lies."""
    samples = take.samples
    if rate_hz < take.rate_hz:
        import soxr

        samples = soxr.resample(samples, take.rate_hz, rate_hz, quality=HEARD_QUALITY)
    steps = np.float32(2.0 ** (bits - 1))  # a power of two: nothing is rounded but by `rint`
    samples *= steps
    np.rint(samples, out=samples)
    codes = np.clip(samples, -steps, steps - 1, out=samples)
    codes *= np.float32(2.0 ** (16 - bits))
    return _flac(codes.astype(np.int16), min(rate_hz, take.rate_hz), "PCM_16")


def _flac(samples: NDArray[np.signedinteger[Any]], rate_hz: int, subtype: str) -> bytes:
    import soundfile

    out = io.BytesIO()
    uninterrupted(
        soundfile.write, out, samples, rate_hz, format="FLAC", subtype=subtype, compression_level=_FLAC_EFFORT
    )
    return out.getvalue()


def _read(slot: Mapping[str, Any], data: bytes, kind: str) -> NDArray[Any]:
    import soundfile

    how: dict[str, Any] = {}
    if str(slot["file"]).lower().endswith(".raw"):
        subtype = _RAW.get(slot["encoding"]) or _SIGNED[slot["bits"]]
        how = {"format": "RAW", "subtype": subtype, "endian": "LITTLE"}
        how |= {"samplerate": slot["rate_hz"], "channels": slot["channels"]}
    samples, _ = uninterrupted(soundfile.read, io.BytesIO(data), dtype=kind, always_2d=True, **how)
    return np.asarray(samples)
