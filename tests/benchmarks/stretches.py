"""Whether a stretch can be had for less: the length by the stretcher, the pitch by varispeed before it or after it.

    python tests/benchmarks/stretches.py

`own` leaves both to the stretcher. `after` lets it change the length only and resamples what comes out: what it does
itself, with a slower resampler, and what kitfold does. The other rows play a sound fast first, by so much, and the rest
of the way after it: an octave up is done at twice the frames, and a sound that was played fast has half of them.

Sounds are synthesised twice, at the old pitch and at the new one with the same envelopes, so that the right answer is
known. The error is the mean difference in dB of 40 bands on the ERB scale, weighted towards what is loud, in short
windows (12 ms: attacks) and in long ones (93 ms: tones). `worse` counts the sounds whose error is a fifth over the
stretcher's own; `cost` is the processor's time over its own.
"""

import math
import time
from collections.abc import Callable

import numpy as np
import soxr
from pedalboard import time_stretch
from scipy.signal import stft

RATE_HZ = 44_100
MARGIN = 4_410
NOTES_HZ = (82.4, 110.0, 146.8, 220.0, 329.6, 523.3)
SEMITONES = (-5, 5, 7, 12)
OWN, AFTER = "own", "after"
BEFORE = (1.2, 1.5, 2.0)
SHORT, LONG = 512, 4096

Envelope = Callable[[np.ndarray, float], np.ndarray]


def sine(t: np.ndarray, _number: float) -> np.ndarray:
    return np.minimum(1, t / 0.05)


def pad(t: np.ndarray, _number: float) -> np.ndarray:
    return np.minimum(1, t / 0.4)


def pluck(t: np.ndarray, number: float) -> np.ndarray:
    return np.minimum(1, t / 0.002) * np.exp(-t * (1.5 + 0.8 * number))


def bell(t: np.ndarray, number: float) -> np.ndarray:
    return np.minimum(1, t / 0.001) * np.exp(-t * (1 + 0.4 * number))


def tremolo(t: np.ndarray, _number: float) -> np.ndarray:
    return np.minimum(1, t / 0.02) * (1 + 0.8 * np.sin(2 * np.pi * 6 * t)) / 1.8


def repeated(t: np.ndarray, _number: float) -> np.ndarray:
    return np.exp(-(t % 0.25) * 14) * np.minimum(1, (t % 0.25) / 0.002)


SOUNDS: dict[str, tuple[Envelope, tuple[float, ...], tuple[float, ...]]] = {
    "sine": (sine, (1,), (0,)),
    "detuned pad": (pad, tuple(range(1, 25)), (-7, 0, 6)),
    "pluck": (pluck, tuple(range(1, 25)), (0,)),
    "bell": (bell, (0.5, 1, 2.76, 5.4, 8.93), (0,)),
    "tremolo": (tremolo, tuple(range(1, 13)), (0,)),
    "repeated hit": (repeated, tuple(range(1, 13)), (0,)),
}
"""Name to envelope, partials, and detunings in cents."""


def sound(name: str, hz: float) -> np.ndarray:
    """Return 3 s of a sound at a pitch; the same partials have the same phases at every pitch."""
    envelope, partials, detunings = SOUNDS[name]
    chance = np.random.default_rng(3)
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    heard = np.zeros(len(t))
    for number in partials:
        for cents in detunings:
            phase, line_hz = chance.uniform(0, 2 * np.pi), hz * number * 2 ** (cents / 1200)
            if line_hz < 0.475 * RATE_HZ:
                heard += np.sin(2 * np.pi * line_hz * t + phase) * envelope(t, number) / number
    return 0.3 * heard * np.minimum(1, (3 - t) / 0.05)


def moved(samples: np.ndarray, ratio: float, way: str | float) -> np.ndarray:
    """Move a sound's pitch and keep its length, one of the ways."""
    padded = np.pad(samples, MARGIN).astype(np.float32)
    first = min(way, ratio) if isinstance(way, float) else 1.0
    inside = ratio if way == OWN else 1.0
    fast = played(padded, first)
    speed = 1.0 if way == OWN else len(fast) / len(padded) / (ratio / first)
    how = {"high_quality": True, "preserve_formants": False}
    longer = time_stretch(fast[np.newaxis], RATE_HZ, speed, 12 * math.log2(inside), **how)[0]
    heard = longer if way == OWN else played(longer, ratio / first)
    return np.pad(heard, (0, MARGIN))[MARGIN : MARGIN + len(samples)]


def played(samples: np.ndarray, ratio: float) -> np.ndarray:
    return samples if ratio == 1.0 else soxr.resample(samples, ratio, 1.0, quality="VHQ")


def bands(samples: np.ndarray, size: int) -> np.ndarray:
    """Return the power of 40 bands on the ERB scale (Glasberg and Moore, 1990), 60 Hz to 16 kHz, window by window."""
    _, _, lines = stft(samples, RATE_HZ, nperseg=size, noverlap=size * 3 // 4)
    places = 21.4 * np.log10(1 + 0.00437 * np.fft.rfftfreq(size, 1 / RATE_HZ))
    edges = np.linspace(*(21.4 * np.log10(1 + 0.00437 * hz) for hz in (60, 16_000)), 41)
    inside = (places >= edges[:-1, np.newaxis]) & (places < edges[1:, np.newaxis])
    return inside.astype(float) @ np.abs(lines) ** 2


def error_db(heard: np.ndarray, wanted: np.ndarray, size: int) -> float:
    heard = heard * math.sqrt(np.sum(wanted**2) / np.sum(heard**2))
    ours, theirs = bands(heard, size), bands(wanted, size)
    top = theirs.max()
    loudness = np.maximum(ours, theirs) / top
    weight = loudness**0.25 * (loudness > 1e-6)
    away = 10 * np.log10((ours + 1e-7 * top) / (theirs + 1e-7 * top))
    return math.sqrt(np.sum(weight * away**2) / np.sum(weight))


def main() -> None:
    print(f"{'semitones':>9} {'way':>7} {'short dB':>9} {'long dB':>8} {'worse':>9} {'cost':>5}")
    for semitones in SEMITONES:
        ratio = 2 ** (semitones / 12)
        ways = (OWN, AFTER, *BEFORE) if semitones > 0 else (OWN, AFTER)
        errors = {way: [] for way in ways}
        cost = dict.fromkeys(ways, 0.0)
        for name in SOUNDS:
            for hz in NOTES_HZ:
                old, wanted = sound(name, hz), sound(name, hz * ratio)
                for way in ways:
                    started = time.thread_time()  # BLAS threads of the error before it still wait, and count as work
                    heard = moved(old, ratio, way)
                    cost[way] += time.thread_time() - started
                    errors[way].append([error_db(heard, wanted, size) for size in (SHORT, LONG)])
        own = np.array(errors[OWN])
        for way in ways:
            found = np.array(errors[way])
            worse = int(np.sum(np.any(found > 1.2 * own, axis=1)))
            short, long = found.mean(axis=0)
            share = cost[way] / cost[OWN]
            print(f"{semitones:9d} {way!s:>7} {short:9.2f} {long:8.2f} {worse:4d}/{len(own):<4d} {share:5.2f}")


if __name__ == "__main__":
    main()
