"""Quantise: turn samples into the whole numbers that a device stores, and back for measuring.

PCM is rounded to the nearest step (a floor would add half a step of offset) and may be dithered. The dither is
triangular, two steps peak to peak, the sum of two independent uniform values of one step each: it makes the mean and
the power of the total error independent of the signal, at a quarter of a step squared (Lipshitz, Wannamaker and
Vanderkooy, "Quantization and Dither: A Theoretical Survey", J. Audio Eng. Soc. 40(5), 1992).

Mu-law and A-law follow ITU-T G.711 code by code; libsndfile's tables do the companding, and tests/outside/test_g711.py
holds them against the standard's decision values. Companded codes are never dithered: their steps grow with the signal,
so no noise is two steps wide everywhere, and the theory above holds for equal steps only.
"""

from __future__ import annotations

import hashlib
import io
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kitfold.threads import uninterrupted

__all__ = ["ALLOWED_BITS", "Codes", "Encoding", "container_bytes", "content_seed", "dequantise", "quantise"]

Encoding = Literal["unsigned", "signed", "mu-law", "a-law", "float"]
Codes = NDArray[Any]

ALLOWED_BITS: dict[Encoding, tuple[int, ...]] = {
    "unsigned": (8, 12, 16, 24),
    "signed": (8, 12, 16, 24),
    "mu-law": (8,),
    "a-law": (8,),
    "float": (32,),
}
"""The depths that each encoding comes in."""

_LAW_SUBTYPES = {"mu-law": "ULAW", "a-law": "ALAW"}
_LAW_FULL_SCALE = 32768  # libsndfile speaks of G.711's 14-bit and 13-bit values as 16-bit ones: four and eight times
_PCM_TYPES = {
    ("unsigned", 8): np.uint8,
    ("signed", 8): np.int8,
    ("unsigned", 12): np.uint16,
    ("signed", 12): np.int16,
    ("unsigned", 16): np.uint16,
    ("signed", 16): np.int16,
    ("unsigned", 24): np.int32,
    ("signed", 24): np.int32,
}


def container_bytes(bits: int) -> int:
    """Say how many bytes one stored sample takes: 12 bits travel in two."""
    return (bits + 7) // 8


def content_seed(samples: ArrayLike) -> int:
    """Draw a seed from the sound itself, so that the same sound is always dithered alike.

    Parameters
    ----------
    samples : array_like, (frames, channels), full scale 1.0

    Returns
    -------
    int, 0 to 2^64 - 1, from the SHA-256 of the samples as little-endian float32
    """
    data = np.ascontiguousarray(samples, dtype="<f4").tobytes()
    return int.from_bytes(hashlib.sha256(data).digest()[:8], "little")


def quantise(
    samples: ArrayLike, bits: int, encoding: Encoding, dither: bool = False, seed: int = 0, zero_ends: bool = True
) -> Codes:
    """Turn a sound into the codes that a device stores, with a click at neither end.

    Parameters
    ----------
    samples : array_like, (frames, channels) or (frames,), full scale 1.0
        What lies beyond the rails is clipped; a float code has no rails.
    bits : int, one of `ALLOWED_BITS` for the encoding
    encoding : ``unsigned`` (offset binary, silence is 2^(bits-1)), ``signed``, ``mu-law``, ``a-law`` or ``float``
    dither : bool, adds triangular noise of two steps peak to peak; without effect on mu-law, A-law and float
        A channel that is silent throughout stays silent.
    seed : int, >= 0, of the noise: see `content_seed`
    zero_ends : bool, stores the first and the last frame as zero, undithered
        False where a sustain loop runs to the last frame, which a zero there would make click.

    Returns
    -------
    ndarray, the shape of `samples`: uint8, int8, uint16, int16, int32 (24 bits) or float32
        12- and 24-bit codes stand right-justified, -2^(bits-1) to 2^(bits-1) - 1. A-law has no zero: silence is its
        smallest positive value, code 0xD5, 1/4096 of full scale (ITU-T G.711).

    Raises
    ------
    ValueError : for a depth that the encoding does not have
    """
    _check_bits(bits, encoding)
    values = np.asarray(samples, dtype=np.float64) + 0.0  # a copy, and -0.0 becomes 0.0
    if zero_ends:
        _zero_ends(values)
    if encoding == "float":
        return values.astype(np.float32)
    if encoding in _LAW_SUBTYPES:
        return _compand(values, encoding)
    half = 1 << (bits - 1)
    steps = values * half
    if dither:
        steps += _triangular_noise(values, seed, zero_ends)
    codes = np.clip(np.rint(steps), -half, half - 1)
    codes += half if encoding == "unsigned" else 0
    return codes.astype(_PCM_TYPES[encoding, bits])


def dequantise(codes: Codes, bits: int, encoding: Encoding) -> NDArray[np.float64]:
    """Turn stored codes back into samples, for measuring what the device will play.

    Parameters
    ----------
    codes : ndarray, any shape, as `quantise` returns them
    bits, encoding : as given to `quantise`

    Returns
    -------
    ndarray, float64, the shape of `codes`, full scale 1.0

    Raises
    ------
    ValueError : for a depth that the encoding does not have
    """
    _check_bits(bits, encoding)
    if encoding in _LAW_SUBTYPES:
        return np.asarray(_law_levels(encoding)[codes] / _LAW_FULL_SCALE, dtype=np.float64)
    if encoding == "float":
        return codes.astype(np.float64)
    half = 1 << (bits - 1)
    return (codes.astype(np.float64) - (half if encoding == "unsigned" else 0)) / half


def _check_bits(bits: int, encoding: Encoding) -> None:
    if bits not in ALLOWED_BITS[encoding]:
        raise ValueError(f"{encoding} comes in {ALLOWED_BITS[encoding]} bits, got {bits}")


def _zero_ends(values: NDArray[np.float64]) -> None:
    values[:1] = 0.0
    values[-1:] = 0.0


def _triangular_noise(values: NDArray[np.float64], seed: int, zero_ends: bool) -> NDArray[np.float64]:
    """Draw noise in steps, -1 to 1, triangular; none where a channel is silent, nor on ends that shall be zero."""
    generator = np.random.Generator(np.random.PCG64(seed))  # by name: what default_rng means may change
    noise = generator.random(values.shape) - generator.random(values.shape)
    noise *= values.any(axis=0)
    if zero_ends:
        _zero_ends(noise)
    return noise


def _compand(values: NDArray[np.float64], encoding: str) -> NDArray[np.uint8]:
    """Code by G.711: a value on a decision value, of which G.711 says nothing, takes the interval further from zero.

    The decision values are whole numbers of the 16-bit scale, so the whole part of the magnitude decides, and nothing
    is rounded twice. What lies between 0 and -1 is negative, the reason for the -1.
    """
    size = np.minimum(np.floor(np.abs(values) * _LAW_FULL_SCALE), _LAW_FULL_SCALE - 1).astype(np.int64)
    signed = np.where(values < 0, -np.maximum(size, 1), size)
    codes: NDArray[np.uint8] = _law_codes(encoding)[signed + _LAW_FULL_SCALE]
    return codes


@lru_cache(maxsize=2)
def _law_codes(encoding: str) -> NDArray[np.uint8]:
    """Return the code of each 16-bit value from -32768 up, as libsndfile's integer path makes it."""
    import soundfile

    file, levels = io.BytesIO(), np.arange(-_LAW_FULL_SCALE, _LAW_FULL_SCALE).astype(np.int16)
    uninterrupted(soundfile.write, file, levels, 8000, format="RAW", subtype=_LAW_SUBTYPES[encoding])
    return np.frombuffer(file.getvalue(), np.uint8)


@lru_cache(maxsize=2)
def _law_levels(encoding: str) -> NDArray[np.int16]:
    """Return the 16-bit value that each of the 256 companded codes stands for."""
    import soundfile

    file = io.BytesIO(bytes(range(256)))
    levels, _ = uninterrupted(
        soundfile.read, file, dtype="int16", samplerate=8000, channels=1, format="RAW", subtype=_LAW_SUBTYPES[encoding]
    )
    levels.flags.writeable = False
    return np.asarray(levels, dtype=np.int16)
