"""What happens to sounds on the way, for benchmark and training: a change returns other samples and their rate."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from root_sounds import RATE_HZ, Rng, normal, white
from scipy import signal

Real = NDArray[np.float64]
Change = Callable[[Real, Rng], tuple[Real, int]]


def tail(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Play 0.4 to 1.5 s of the sound into a reverb of 3 to 6 s (decaying noise); 6 s long."""
    frames, on = 6 * RATE_HZ, int(rng.uniform(0.4, 1.5) * RATE_HZ)
    time = np.arange(frames) / RATE_HZ
    room = rng.standard_normal(frames) * 10.0 ** (-3.0 * time / rng.uniform(3, 6))
    room = signal.lfilter(*signal.butter(1, rng.uniform(2500, 8000) / (RATE_HZ / 2)), room)
    dry = samples * np.clip(1.0 - (np.arange(len(samples)) - on) / (0.05 * RATE_HZ), 0.0, 1.0)
    wet = signal.fftconvolve(dry, room / np.sqrt(np.sum(room**2)))[:frames]
    return rng.uniform(0.0, 0.7) * np.pad(dry, (0, frames))[:frames] + np.pad(wet, (0, frames))[:frames], RATE_HZ


def lofi(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Store in 8 bits at 11.025 kHz."""
    low = normal(signal.resample_poly(samples, 1, 4), -1.0)
    return np.floor(low * 128.0) / 128.0, RATE_HZ // 4


def noise_floor(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Add white noise at -45 dBFS to a sound that peaks at -6."""
    return normal(samples) + rng.standard_normal(len(samples)) * 10.0 ** (-45 / 20), RATE_HZ


def short(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Keep a quarter to half a second from the onset."""
    return _cut(samples, rng.uniform(0.25, 0.5), 0.05), RATE_HZ


def brief(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Keep 60 to 200 ms from the onset."""
    return _cut(samples, rng.uniform(0.06, 0.2), 0.01), RATE_HZ


def low_rate(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Resample to 4 to 8 kHz."""
    step = int(rng.integers(6, 12))
    return signal.resample_poly(samples, 1, step), RATE_HZ // step


def coloured(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Tilt and notch the spectrum as a mixing desk would, and add a little noise."""
    centre = rng.uniform(80, 5000, 4)
    spectrum = np.fft.rfft(samples)
    hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ) + 1.0
    curve = sum(rng.uniform(-14, 10) * np.exp(-0.5 * (np.log2(hz / c) / rng.uniform(0.2, 0.9)) ** 2) for c in centre)
    curve = curve + rng.uniform(-3, 3) * np.log2(hz / 500)
    changed = np.fft.irfft(spectrum * 10.0 ** (curve / 20.0), len(samples))
    return white(changed, rng.uniform(20, 80), rng), RATE_HZ


def gliding(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Slide into the note from up to 4 semitones away over the first tenth to third of the sound."""
    frames = len(samples)
    over = rng.uniform(0.1, 0.33) * frames
    cents = rng.uniform(-400, 400) * np.clip(1.0 - np.arange(frames) / over, 0.0, 1.0)
    place = np.cumsum(2.0 ** (cents / 1200.0))
    place += frames - 1 - place[-1]  # the held part stays where it is
    return np.interp(place, np.arange(frames), samples, left=0.0), RATE_HZ


def wide(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Make it stereo, the sides out of phase with each other in all but the quietest parts."""
    delayed = np.roll(samples, int(rng.integers(5, 400)))
    return np.stack([samples + 0.1 * delayed, 0.1 * delayed - samples], axis=1), RATE_HZ


def ringing(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Let the note before, of the same instrument, still ring under it and die away: a take from a longer recording."""
    semitones = float(rng.choice([-11, -9, -7, -6, -5, -3, -2, 2, 3, 5, 6, 7, 9]))
    place = (0.3 * len(samples) + np.arange(len(samples)) * 2 ** (semitones / 12)) % (0.7 * len(samples))
    before = np.interp(place, np.arange(len(samples)), samples)
    dying = np.exp(-np.arange(len(samples)) / RATE_HZ / rng.uniform(0.1, 0.5))
    return samples + before * dying * 10.0 ** (rng.uniform(-20, 0) / 20.0), RATE_HZ


def doubled(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Double it with itself, detuned up and down alike, as a piano out of tune or a rank of two pipes is."""
    places, frames = np.arange(len(samples)), len(samples) - 1
    cents = rng.uniform(3, 15)
    up, down = (np.interp(np.minimum(places * 2.0 ** (c / 1200), frames), places, samples) for c in (cents, -cents))
    return up + down * 10.0 ** (rng.uniform(-4, 0) / 20.0), RATE_HZ


def plucked(samples: Real, rng: Rng) -> tuple[Real, int]:
    """Let it die away as if plucked: by 9 dB within 50 to 250 ms."""
    return samples * np.exp(-np.arange(len(samples)) / RATE_HZ / rng.uniform(0.05, 0.25)), RATE_HZ


def _cut(samples: Real, seconds: float, fade_s: float) -> Real:
    onset = int(np.argmax(np.abs(samples) > 0.02 * np.abs(samples).max()))
    cut = samples[onset : onset + int(seconds * RATE_HZ)].copy()
    fade = min(int(fade_s * RATE_HZ), len(cut))
    cut[len(cut) - fade :] *= np.linspace(1, 0, fade)
    return cut
