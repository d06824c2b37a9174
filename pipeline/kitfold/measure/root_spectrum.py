"""The lines of a sound: averaged long spectra of its held part, and the peaks that stand out of their noise.

Blackman windows (Harris, "On the use of windows for harmonic analysis", 1978: side lobes 58 dB down) of 372 ms, short
enough for a pluck and long enough to part the semitones of two octaves below middle C. Channels are added as powers, so
that a sound out of phase with itself does not vanish.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from kitfold.measure.held import blackman, held_frames

__all__ = ["Peaks", "Spectrum", "average_spectrum", "find_peaks"]

Real = NDArray[np.float64]

_SPAN_S = 0.3715
_MOST_SPANS = 14
_STRETCH_S = 6.0
_MOST_STRETCHES = 16
_LOWEST_HZ, _HIGHEST_HZ = 18.0, 12000.0
_RANGE_DB = 60.0  # peaks further under the strongest are not looked at
_OVER_FLOOR_DB = 9.0
_PROMINENCE_DB = 5.0
_MOST_PEAKS = 64
_LOBE_BINS = 3.0  # half the main lobe of a Blackman window


@dataclass(frozen=True)
class Spectrum:
    """Power spectra of a held part.

    Parameters
    ----------
    spans : ndarray, (spans, bins), power, summed over the channels
    bin_hz : float, Hz
    lobe_bins : float, half the width of a steady line; wider where the sound is shorter than a span
    start, end : int, frames of the stretch that was looked at
    starts : ndarray, (spans,), frames, where each span begins
    span_frames : int, frames of a span
    """

    spans: Real
    bin_hz: float
    lobe_bins: float
    start: int
    end: int
    starts: NDArray[np.int64]
    span_frames: int

    @cached_property
    def power(self) -> Real:
        """The mean over the spans, (bins,)."""
        return np.asarray(self.spans.mean(axis=0))


@dataclass(frozen=True)
class Peaks:
    """What stands out of a spectrum, lowest first.

    Parameters
    ----------
    hz, db, floor_db : ndarray, (peaks,): place and level of each (parabola through three bins), and the noise there
    early_db, late_db : ndarray, (peaks,): level in the first and in the last spans
    """

    hz: Real
    db: Real
    floor_db: Real
    early_db: Real
    late_db: Real


def average_spectrum(samples: Real, rate_hz: int) -> Spectrum:
    """Take the spectra of a sound's steadiest held stretch.

    Parameters
    ----------
    samples : ndarray, (frames, channels), at least 2 frames
    rate_hz : int, Hz
    """
    from kitfold.measure.compiled import next_fast_len

    size = int(next_fast_len(round(_SPAN_S * rate_hz), True))
    start, end = held_frames(samples, rate_hz)
    start, end = _steadiest(samples, start, end, size, int(_STRETCH_S * rate_hz))
    length = min(size, end - start)
    count = int(np.clip(np.ceil((end - start - length) / (size / 2)) + 1, 1, _MOST_SPANS))
    starts = _uneven(start, end - length, count)
    spans = _power_spectra(samples, starts, length, size)
    return Spectrum(spans, rate_hz / size, _LOBE_BINS * size / length, start, end, starts, length)


def find_peaks(spectrum: Spectrum) -> Peaks:
    """Find the lines that stand at least 9 dB out of the noise around them, at most the 64 strongest."""
    bin_hz = spectrum.bin_hz
    db = 10.0 * np.log10(spectrum.power[: int(_HIGHEST_HZ / bin_hz)] + 1e-16)
    lowest = max(2, int(_LOWEST_HZ / bin_hz))
    if len(db) < lowest + 4:
        return Peaks(*np.zeros((5, 0)))
    floor = _floor_db(db, bin_hz)
    enough = np.maximum(floor + _OVER_FLOOR_DB, db[lowest:].max() - _RANGE_DB)
    place = np.flatnonzero(_stands_out(db, int(np.ceil(1.7 * spectrum.lobe_bins))) & (db > enough))
    place = place[(place >= lowest) & (place < len(db) - 1)]
    place = np.sort(place[np.argsort(-db[place], kind="stable")[:_MOST_PEAKS]])
    before, at, after = db[place - 1], db[place], db[place + 1]
    shift = 0.5 * (before - after) / np.minimum(before - 2.0 * at + after, -1e-9)
    half = (len(spectrum.spans) + 1) // 2
    return Peaks(
        hz=(place + shift) * bin_hz,
        db=at - 0.25 * (before - after) * shift,
        floor_db=floor[place],
        early_db=_level_at(spectrum.spans[:half], place),
        late_db=_level_at(spectrum.spans[-half:], place),
    )


def _level_at(spans: Real, place: NDArray[np.int64]) -> Real:
    """Measure the level of lines, three bins each, in some of the spans: (peaks,), dB."""
    power = spans[:, place[:, np.newaxis] + np.arange(-1, 2)]
    return np.asarray(10.0 * np.log10(np.mean(np.max(power, axis=2), axis=0) + 1e-16))


def _uneven(first: int, last: int, count: int) -> NDArray[np.int64]:
    """Spread starts from `first` to `last`, a golden section uneven, so that a vibrato cannot look like a drift."""
    step = (last - first) / max(1, count - 1)
    jitter = 0.7 * ((np.arange(count) * 0.618034) % 1.0 - 0.5)
    jitter[[0, -1]] = 0.0
    return np.asarray(np.round(first + step * (np.arange(count) + jitter)), dtype=np.int64)


def _power_spectra(samples: Real, starts: NDArray[np.int64], length: int, size: int) -> Real:
    """Window and transform spans; shape (len(starts), bins)."""
    from kitfold.measure.compiled import rfft

    window = _window(length)
    total = np.zeros((len(starts), size // 2 + 1))
    for channel in samples.T.astype(np.float32):
        lines = rfft(np.stack([channel[start : start + length] * window for start in starts]), size, axis=1)
        total += lines.real**2 + lines.imag**2
    return total


@lru_cache(maxsize=4)
def _window(length: int) -> NDArray[np.float32]:
    """Make a window in 32 bits: half the time, and its noise lies 80 dB under what is looked at."""
    window = blackman(length).astype(np.float32)
    window.flags.writeable = False
    return window


def _steadiest(samples: Real, start: int, end: int, size: int, stretch: int) -> tuple[int, int]:
    """Choose the stretch of a long sound whose spectrum changes least between its first and its last quarter."""
    if end - start <= stretch:
        return start, end
    count = int(min(_MOST_STRETCHES, np.ceil((end - start) / stretch * 2)))
    firsts = np.linspace(start, end - stretch, count).astype(np.int64)
    quarters = np.concatenate([firsts + stretch // 4 - size // 2, firsts + 3 * stretch // 4 - size // 2])
    spectra = np.sqrt(_power_spectra(samples, quarters, size, size))
    early, late = spectra[:count], spectra[count:]
    level = np.sqrt(np.sum(early**2, axis=1) * np.sum(late**2, axis=1))
    likeness = np.sum(early * late, axis=1) / np.maximum(level, 1e-30)
    likeness[level < 0.06 * level.max()] = -1.0  # 12 dB under the loudest stretch: no longer the sound itself
    best = int(firsts[np.argmax(likeness)])
    return best, best + stretch


def _floor_db(db: Real, bin_hz: float) -> Real:
    """Follow the noise under the lines: the fortieth percentile of bands a third of an octave wide, joined by lines."""
    edges = [0.0, 20.0]
    while edges[-1] < bin_hz * len(db):
        edges.append(max(edges[-1] * 1.25, edges[-1] + 180.0))
    index = np.minimum((np.array(edges) / bin_hz).astype(int), len(db))
    centres, values = [], []
    for first, last in pairwise(index.tolist()):
        if last - first >= 8:
            rank = (last - first) * 2 // 5
            centres.append((first + last) / 2)
            values.append(np.partition(db[first:last], rank)[rank])
    return np.interp(np.arange(len(db)), centres, values) if centres else np.full(len(db), db.min())


def _stands_out(db: Real, reach: int) -> NDArray[np.bool_]:
    """Mark local maxima with a valley 5 dB deep within `reach` bins on either side."""
    padded = np.pad(db, reach, constant_values=db.min())
    lowest = sliding_window_view(padded, reach + 1).min(axis=1)
    left, right = lowest[: len(db)], lowest[reach : reach + len(db)]
    top = np.zeros(len(db), dtype=bool)
    top[1:-1] = (db[1:-1] > db[:-2]) & (db[1:-1] >= db[2:])
    return np.asarray(top & (db - left >= _PROMINENCE_DB) & (db - right >= _PROMINENCE_DB))
