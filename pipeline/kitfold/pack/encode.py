"""Compress a sound for listening: the same sound becomes the same MP3 every time.

pedalboard and libsndfile bring the same encoder; built with vector instructions, as pedalboard's is, it takes a quarter
of the time.
"""

from __future__ import annotations

import io
from collections.abc import Iterable

import numpy as np

from kitfold.sound import Audio
from kitfold.threads import uninterrupted

__all__ = ["MP3_QUALITY", "MP3_RATES_HZ", "mp3_of", "mp3_of_file"]

MP3_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
"""Sampling rates of MPEG-1, MPEG-2 (ISO/IEC 11172-3 and 13818-3, 2.4.2.3) and MPEG 2.5 layer III."""
MP3_QUALITY = "V5"
"""A variable bit rate, V0 best to V9 smallest: about 95 kbit/s for a stereo pad, by measurement."""
_BLOCK_FRAMES = 1 << 16  # the same bytes come out of blocks of any length


def mp3_of(samples: Audio, rate_hz: int) -> bytes:
    """Compress a sound as MP3, at the nearest rate that MP3 knows.

    Parameters
    ----------
    samples : float32, (frames, channels), full scale 1.0; of more than two channels the first two
    rate_hz : int, Hz

    Returns
    -------
    bytes
    """
    stereo = samples[:, :2]
    if rate_hz not in MP3_RATES_HZ:
        import soxr

        nearest_hz = min((rate for rate in MP3_RATES_HZ if rate >= rate_hz), default=48000)
        stereo, rate_hz = soxr.resample(stereo, rate_hz, nearest_hz), nearest_hz
    blocks = (stereo[start : start + _BLOCK_FRAMES] for start in range(0, len(stereo), _BLOCK_FRAMES))
    return uninterrupted(_encoded, blocks, rate_hz, stereo.shape[1])


def mp3_of_file(data: bytes) -> bytes:
    """Compress a sound file as MP3, a block at a time: a long one never lies in memory as samples.

    Parameters
    ----------
    data : bytes, of a sound file that says itself what it is
    """
    import soundfile

    def made() -> bytes:
        with soundfile.SoundFile(io.BytesIO(data)) as file:
            if file.samplerate not in MP3_RATES_HZ:
                return mp3_of(file.read(dtype="float32", always_2d=True), file.samplerate)
            blocks = file.blocks(_BLOCK_FRAMES, dtype="float32", always_2d=True)
            return _encoded((block[:, :2] for block in blocks), file.samplerate, min(2, file.channels))

    return uninterrupted(made)


def _encoded(blocks: Iterable[Audio], rate_hz: int, channels: int) -> bytes:
    from pedalboard.io import AudioFile

    out = io.BytesIO()
    with AudioFile(out, "w", rate_hz, channels, format="mp3", quality=MP3_QUALITY) as file:
        for block in blocks:
            file.write(np.ascontiguousarray(block.T, dtype=np.float32))
    return out.getvalue()
