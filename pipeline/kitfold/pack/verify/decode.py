"""A sound file decoded as its manifest claims it: rate, channels, bits and frames must be what the file really has."""

from __future__ import annotations

import io
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, cast

from kitfold.pack.quantise import ALLOWED_BITS, Encoding, container_bytes
from kitfold.pack.verify.claims import Claim
from kitfold.pack.verify.difference import Difference

if TYPE_CHECKING:
    from kitfold.sound import Sound

__all__ = ["MOST_SOUND_BYTES", "MOST_SOUND_S", "decoded"]

MOST_SOUND_BYTES = 1 << 29
"""What a sound file may take to be measured: over ten minutes of stereo at 96 kHz and 24 bits, kitfold's longest."""

MOST_SOUND_S = 1200
"""... and how long it may last: twice kitfold's longest source, since a loop may be played out."""

_LOUDEST = 100.0  # +40 dBFS: what a source may have, see `files.read`; no sum of its squares overflows
_FORMATS = {"wav": ("WAV", "WAVEX"), "aif": ("AIFF",), "aiff": ("AIFF",)}
_SUBTYPES = {
    ("unsigned", 8): "PCM_U8",
    ("signed", 8): "PCM_S8",
    ("signed", 12): "PCM_16",
    ("signed", 16): "PCM_16",
    ("signed", 24): "PCM_24",
    ("mu-law", 8): "ULAW",
    ("a-law", 8): "ALAW",
    ("float", 32): "FLOAT",
}
_RATES_HZ = (1_000, 192_000)


def decoded(data: bytes, claim: Claim, found: list[Difference]) -> Sound | None:
    """Decode a file; None, and why in `found`, where it is not what is claimed.

    Parameters
    ----------
    data : bytes, of the whole file
    claim : Claim
    found : list of Difference, grows
    """
    encoding = cast(Encoding, claim.encoding)
    if claim.bits not in ALLOWED_BITS.get(encoding, ()) or not _RATES_HZ[0] <= claim.rate_hz <= _RATES_HZ[1]:
        form = f"{claim.bits} bits {claim.encoding} at {claim.rate_hz} Hz"
        found.append(Difference(claim.listed, "encoding", "one that a device can have", form))
        return None
    if claim.seconds > MOST_SOUND_S:
        found.append(Difference(claim.listed, "seconds", f"at most {MOST_SOUND_S}", f"{claim.seconds:g}"))
        return None
    sound_bytes = claim.frames * claim.channels * container_bytes(claim.bits)
    if sound_bytes > len(data):
        found.append(Difference(claim.listed, "bytes of sound", str(sound_bytes), f"{len(data)} in the whole file"))
        return None
    kind = PurePath(claim.file).suffix.lower().lstrip(".")
    samples = _raw(data, claim, encoding, found) if kind == "raw" else _headed(data, kind, claim, found)
    return None if samples is None else _sound(samples, claim, found)


def _headed(data: bytes, kind: str, claim: Claim, found: list[Difference]) -> Any:
    """Decode a file that says itself what it is."""
    import soundfile

    try:
        with soundfile.SoundFile(io.BytesIO(data)) as file:
            has = {
                "file": "WAV" if file.format in ("WAV", "WAVEX") else file.format,
                "rate_hz": file.samplerate,
                "channels": file.channels,
                "frames": file.frames,
                "coding": file.subtype,
            }
            wanted = {
                "file": _FORMATS.get(kind, ("WAV",))[0],
                "rate_hz": claim.rate_hz,
                "channels": claim.channels,
                "frames": claim.frames,
                "coding": _SUBTYPES.get((claim.encoding, claim.bits), "none that a file has"),
            }
            if has == wanted:
                return _all_of(file, claim, found)
    except (soundfile.SoundFileError, RuntimeError, TypeError, ValueError) as error:
        found.append(Difference(claim.listed, "sound", f"a readable {kind or 'sound'} file", str(error)))
        return None
    found += [
        Difference(claim.listed, key, str(wanted[key]), str(has[key])) for key in wanted if has[key] != wanted[key]
    ]
    return None


def _all_of(file: Any, claim: Claim, found: list[Difference]) -> Any:
    samples = file.read(dtype="float32", always_2d=True)
    if len(samples) == claim.frames:
        return samples
    found.append(Difference(claim.listed, "frames", str(claim.frames), f"{len(samples)} that can be read"))
    return None


def _raw(data: bytes, claim: Claim, encoding: Encoding, found: list[Difference]) -> Any:
    """Decode bare codes: they fill the file."""
    import numpy as np

    from kitfold.pack.quantise import dequantise

    width = container_bytes(claim.bits)
    if len(data) != claim.frames * claim.channels * width:
        frames = f"{len(data) / (claim.channels * width):g}"
        found.append(Difference(claim.listed, "frames", str(claim.frames), frames))
        return None
    if encoding == "float":
        codes: Any = np.frombuffer(data, "<f4")
    elif width == 3:
        octets = np.frombuffer(data, np.uint8).reshape(-1, 3).astype(np.int32)
        codes = octets[:, 0] | octets[:, 1] << 8 | octets[:, 2] << 16
        codes = codes if encoding == "unsigned" else (codes ^ 0x800000) - 0x800000
    else:
        kind = "i" if encoding == "signed" else "u"
        codes = np.frombuffer(data, f"<{kind}{width}")
        codes = codes >> 4 if claim.bits == 12 else codes
    return dequantise(codes, claim.bits, encoding).reshape(-1, claim.channels)


def _sound(samples: Any, claim: Claim, found: list[Difference]) -> Sound | None:
    import numpy as np

    from kitfold.sound import Sound

    if not np.isfinite(samples).all():
        found.append(Difference(claim.listed, "samples", "finite", "NaN or infinite"))
        return None
    if np.max(np.abs(samples), initial=0.0) > _LOUDEST:
        found.append(Difference(claim.listed, "samples", f"at most {_LOUDEST:g} times full scale", "larger"))
        return None
    if claim.bits == 12 and np.any(np.asarray(samples, dtype=np.float64) * 2048 % 1):
        found.append(Difference(claim.listed, "bits", "12", "more in use"))
        return None
    loop = None if claim.loop is None else (claim.loop["start"], claim.loop["end"])
    return Sound(samples, claim.rate_hz, loop=loop)
