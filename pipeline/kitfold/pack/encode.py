"""Compress a sound for listening; libsndfile writes the same MP3 every time."""

from __future__ import annotations

import io

from kitfold.sound import Audio
from kitfold.threads import uninterrupted

__all__ = ["MP3_EFFORT", "MP3_RATES_HZ", "mp3_of"]

MP3_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
"""Sampling rates of MPEG-1, MPEG-2 (ISO/IEC 11172-3 and 13818-3, 2.4.2.3) and MPEG 2.5 layer III."""
MP3_EFFORT = 0.5
"""libsndfile's scale, 0 best to 1 smallest: about 95 kbit/s for a stereo pad, by measurement."""


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
    import soundfile

    stereo = samples[:, :2]
    if rate_hz not in MP3_RATES_HZ:
        import soxr

        nearest_hz = min((rate for rate in MP3_RATES_HZ if rate >= rate_hz), default=48000)
        stereo, rate_hz = soxr.resample(stereo, rate_hz, nearest_hz), nearest_hz
    out = io.BytesIO()
    how = {"bitrate_mode": "VARIABLE", "compression_level": MP3_EFFORT}
    uninterrupted(soundfile.write, out, stereo, rate_hz, format="MP3", subtype="MPEG_LAYER_III", **how)
    return out.getvalue()
