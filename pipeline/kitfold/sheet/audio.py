"""Sounds of a build, read from their files' bytes, and the bytes that the sheet carries of them.

What the device stores is carried exactly, code by code; masters and long previews are carried as MP3, which libsndfile
writes the same way every time.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Codes", "Take", "exact_codes", "flac_bytes", "mp3_bytes", "read_slot", "read_take"]

MP3_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
"""Sampling rates of MPEG-1, MPEG-2 (ISO/IEC 11172-3 and 13818-3, 2.4.2.3) and MPEG 2.5 layer III."""
MP3_EFFORT = 0.5  # libsndfile's scale, 0 best to 1 smallest: about 95 kbit/s for a stereo pad, by measurement
_RAW = {"unsigned": "PCM_U8", "mu-law": "ULAW", "a-law": "ALAW", "float": "FLOAT"}
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

    samples, rate_hz = soundfile.read(io.BytesIO(data), dtype="float32", always_2d=True)
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


def mp3_bytes(take: Take) -> bytes:
    """Compress a sound for listening, at the nearest rate that MP3 knows, of at most two channels."""
    import soundfile

    rate_hz, samples = take.rate_hz, take.samples[:, :2]
    if rate_hz not in MP3_RATES_HZ:
        import soxr

        rate_hz = min((rate for rate in MP3_RATES_HZ if rate >= take.rate_hz), default=48000)
        samples = soxr.resample(samples, take.rate_hz, rate_hz)
    out = io.BytesIO()
    how = {"bitrate_mode": "VARIABLE", "compression_level": MP3_EFFORT}
    soundfile.write(out, samples, rate_hz, format="MP3", subtype="MPEG_LAYER_III", **how)
    return out.getvalue()


def flac_bytes(data: bytes) -> bytes:
    """Compress a 24-bit sound file without loss."""
    import soundfile

    samples, rate_hz = soundfile.read(io.BytesIO(data), dtype="int32", always_2d=True)
    out = io.BytesIO()
    soundfile.write(out, samples, rate_hz, format="FLAC", subtype="PCM_24")
    return out.getvalue()


def _read(slot: Mapping[str, Any], data: bytes, kind: str) -> NDArray[Any]:
    import soundfile

    how: dict[str, Any] = {}
    if str(slot["file"]).lower().endswith(".raw"):
        subtype = _RAW.get(slot["encoding"]) or _SIGNED[slot["bits"]]
        how = {"format": "RAW", "subtype": subtype, "endian": "LITTLE"}
        how |= {"samplerate": slot["rate_hz"], "channels": slot["channels"]}
    samples, _ = soundfile.read(io.BytesIO(data), dtype=kind, always_2d=True, **how)
    return np.asarray(samples)
