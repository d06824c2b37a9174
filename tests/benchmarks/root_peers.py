"""Other pitch trackers, asked for one root a sound: the middle of what they follow over the sound.

pyin, yin and the product spectrum are always there; Praat, aubio, swift-f0 and CREPE where they are installed. Each
takes mono float64 samples and their rate and returns Hz, or NaN where it hears no pitch. All look from 27.5 to 4200 Hz
where they let themselves be told.
"""

from __future__ import annotations

import importlib.util
import warnings
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Peer = Callable[[Real, int], float]
LOWEST_HZ, HIGHEST_HZ = 27.5, 4200.0


def installed() -> dict[str, Peer]:
    """List the peers that can be run here, by name."""
    needs = {"Praat": "parselmouth", "aubio": "aubio", "swift-f0": "swift_f0", "CREPE": "crepe"}
    found = {"product": product_spectrum, "yin": yin, "pyin": pyin}
    others = {"Praat": praat, "aubio": aubio_yinfft, "swift-f0": swift, "CREPE": crepe_full}
    return found | {name: others[name] for name, module in needs.items() if importlib.util.find_spec(module)}


def product_spectrum(samples: Real, rate_hz: int) -> float:
    """Multiply the whole sound's spectrum by itself, squeezed 2 to 6 times (Schroeder, 1968; Noll, 1969)."""
    size = 1 << max(16, int(np.ceil(np.log2(len(samples)))))
    level = np.log(np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size)) + 1e-9)
    bin_hz = rate_hz / size
    first, last = int(LOWEST_HZ / bin_hz) + 1, int(HIGHEST_HZ / bin_hz)
    places = np.arange(first, last)
    total = sum(np.where(places * n < len(level), level[np.minimum(places * n, len(level) - 1)], level.min()) for n in
                range(1, 7))  # fmt: skip
    return float(places[np.argmax(total)] * bin_hz)


def yin(samples: Real, rate_hz: int) -> float:
    """librosa.yin, the middle over frames within 30 dB of the loudest."""
    import librosa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = _frame(rate_hz)
        padded = np.pad(samples, (0, max(0, frame - len(samples))))
        track = librosa.yin(padded, fmin=max(LOWEST_HZ, 2.1 * rate_hz / frame), fmax=min(HIGHEST_HZ, 0.45 * rate_hz),
                            sr=rate_hz, frame_length=frame)  # fmt: skip
        level = librosa.feature.rms(y=padded, frame_length=frame, hop_length=frame // 4)[0][: len(track)]
    return float(np.median(track[level > 0.03 * level.max()]))


def pyin(samples: Real, rate_hz: int) -> float:
    """librosa.pyin, the middle over voiced frames."""
    import librosa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = _frame(rate_hz)
        padded = np.pad(samples, (0, max(0, frame - len(samples))))
        track, _, _ = librosa.pyin(padded, fmin=max(LOWEST_HZ, 2.1 * rate_hz / frame),
                                   fmax=min(HIGHEST_HZ, 0.45 * rate_hz), sr=rate_hz, frame_length=frame)  # fmt: skip
    return _middle(track)


def praat(samples: Real, rate_hz: int) -> float:
    """Praat's autocorrelation (Boersma, 1993), through parselmouth."""
    import parselmouth

    try:
        pitch = parselmouth.Sound(samples, rate_hz).to_pitch_ac(pitch_floor=LOWEST_HZ, pitch_ceiling=HIGHEST_HZ)
    except parselmouth.PraatError:
        return float("nan")
    return _middle(np.where(pitch.selected_array["frequency"] > 0, pitch.selected_array["frequency"], np.nan))


def aubio_yinfft(samples: Real, rate_hz: int) -> float:
    """aubio's yinfft (Brossier, 2006)."""
    import aubio

    hop = 512
    tracker = aubio.pitch("yinfft", 4096, hop, rate_hz)
    tracker.set_unit("Hz")
    tracker.set_silence(-50)
    blocks = np.pad(samples, (0, 4096)).astype(np.float32)
    track = [float(tracker(blocks[i : i + hop])[0]) for i in range(0, len(blocks) - hop, hop)]
    return _middle(np.where(np.array(track) > LOWEST_HZ, track, np.nan))


def swift(samples: Real, rate_hz: int) -> float:
    """swift-f0, the middle over voiced frames."""
    import swift_f0

    found = swift_f0.SwiftF0(threads=1).detect(samples.astype(np.float32), rate_hz)
    return _middle(np.where(found.confidence > 0.5, found.pitch_hz, np.nan))


def crepe_full(samples: Real, rate_hz: int) -> float:
    """CREPE's full model, the middle over confident frames."""
    import crepe

    _, track, confidence, _ = crepe.predict(samples.astype(np.float32), rate_hz, verbose=0)
    return _middle(np.where(confidence > 0.5, track, np.nan))


def _frame(rate_hz: int) -> int:
    """Choose a frame of about 93 ms, 4096 at 44.1 kHz: two periods of the lowest note."""
    return 1 << int(np.round(np.log2(0.093 * rate_hz)))


def _middle(track: Real) -> float:
    known = np.asarray(track)[np.isfinite(track)]
    return float(np.median(known)) if len(known) else float("nan")
