"""Sounds whose root is known exactly, made in code from seeds.

Used by the benchmark and, with other seeds, by the training script. A maker takes a numpy generator and returns
(samples, root in Hz).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Real = NDArray[np.float64]
Rng = np.random.Generator
RATE_HZ = 44100

FREE_BAR = (1.0, 2.756, 5.404, 8.933)  # Fletcher and Rossing, The Physics of Musical Instruments, 2nd ed., section 2.15
BARS = (
    (*FREE_BAR, 13.34),
    (1.0, 3.0, 6.2, 10.0),  # a xylophone's bar, tuned to 1 : 3 (same, section 19.2)
    (1.0, 4.0, 9.2, 17.0),  # a marimba's or vibraphone's, tuned to 1 : 4 (same)
    (1.0, 3.9, 10.0),
    (1.0, 2.65, 5.3, 7.95, 12.8),
    (1.0, 6.27, 17.5),  # a tine: a bar clamped at one end (same, section 2.15)
    (1.0, 2.02, 3.01, 4.9, 7.2),
)


def midi_hz(midi: float) -> float:
    """Frequency of a MIDI note, A4 = 440 Hz."""
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def normal(samples: Real, peak_db: float = -6.0) -> Real:
    """Scale to a peak."""
    peak = np.abs(samples).max(initial=0.0)
    return samples * (10.0 ** (peak_db / 20.0) / peak) if peak > 0 else samples


def add_partials(
    hz: Sequence[float] | Real, gains: Real, decays: Real, seconds: float, rng: Rng, cents: Real | float = 0.0
) -> Real:
    """Add sine partials with random phases; each falls by exp(-decay t); `cents` bends all of them, frame by frame."""
    frames = int(seconds * RATE_HZ)
    time = np.arange(frames, dtype=np.float32) / np.float32(RATE_HZ)
    beat = np.cumsum(np.broadcast_to(2.0 ** (np.asarray(cents) / 1200.0), frames)) / RATE_HZ
    total = np.zeros(frames)
    for line, gain, decay in zip(hz, gains, decays, strict=True):
        if line < 20000:
            turns = line * beat + rng.random()
            # the turns need 64 bits, their fraction only 32, and numpy is four times as fast there
            wave = np.cos(np.float32(2 * np.pi) * (turns - np.floor(turns)).astype(np.float32))
            total += gain * (wave * np.exp(np.float32(-decay) * time) if decay else wave)
    return total


def eased(samples: Real, attack_s: float = 0.01, release_s: float = 0.2) -> Real:
    """Fade both ends."""
    time = np.arange(len(samples)) / RATE_HZ
    return np.asarray(samples * np.minimum(1, time / attack_s) * np.minimum(1, (time[-1] - time) / release_s))


def white(samples: Real, under_db: float, rng: Rng) -> Real:
    """Add white noise, `under_db` under the sound's own mean level."""
    level = np.sqrt(np.mean(samples**2))
    return np.asarray(samples + rng.standard_normal(len(samples)) * level * 10.0 ** (-under_db / 20.0))


def _harmonics(root_hz: float, rng: Rng, most: int = 40) -> tuple[Real, Real]:
    number = np.arange(1.0, max(1, int(min(most, 15000 / root_hz))) + 1)
    return number, number ** -rng.uniform(0.6, 2.0) * 10.0 ** (rng.uniform(-8, 4, len(number)) / 20.0)


def make_exact(kind: str, rng: Rng) -> tuple[Real, float]:
    """Make a 2.5 s sound of a kind in `EXACT` whose root is known exactly."""
    root_hz = midi_hz(rng.uniform(31, 64 if kind in ("missing", "saw stack") else 84))
    number, gains = _harmonics(root_hz, rng)
    hz, decays = root_hz * number, number * 0.0
    cents = np.zeros(int(2.5 * RATE_HZ))
    time = np.arange(len(cents)) / RATE_HZ
    layers = [(0.0, 1.0)]
    if kind in ("pluck", "stiff string"):
        decays = rng.uniform(1, 4) * number**0.7
    if kind == "stiff string":
        stiffness = 10.0 ** rng.uniform(-4.3, -3.0)
        hz = np.asarray(hz * np.sqrt((1 + stiffness * number**2) / (1 + stiffness)), dtype=np.float64)
    elif kind == "vibrato":
        cents = rng.uniform(8, 30) * np.sin(2 * np.pi * rng.uniform(4.5, 6.5) * time + rng.uniform(0, 2 * np.pi))
    elif kind == "bar":
        hz = root_hz * np.array(FREE_BAR)
        gains = np.array([1, 0.5, 0.3, 0.15]) * 10.0 ** (rng.uniform(-8, 4, 4) / 20.0)
        decays = rng.uniform(2, 5) * np.array([1.0, 2.0, 3.0, 4.0])
    elif kind == "missing":
        gains[:2] *= 10.0 ** (-np.array([rng.uniform(35, 60), rng.uniform(5, 20)]) / 20.0)[: len(gains)]
    elif kind == "odd":
        gains[1::2] *= 10.0 ** (-rng.uniform(15, 30) / 20.0)
    elif kind == "saw stack":
        layers += [(100.0 * s + rng.uniform(-3, 3), 10.0 ** (rng.uniform(-10, 2) / 20.0)) for s in (7, 12, 19)]
    elif kind == "chorus":
        spread = rng.uniform(3, 12)
        layers += [(spread, 0.8), (-spread, 0.8)]
    parts = [
        gain * add_partials(hz * 2.0 ** (shift / 1200.0), gains, decays, 2.5, rng, cents) for shift, gain in layers
    ]
    samples = eased(np.sum(parts, axis=0))
    return normal(white(samples, rng.uniform(6, 20), rng) if kind == "noisy" else samples), root_hz


EXACT = (
    "static",
    "pluck",
    "stiff string",
    "vibrato",
    "chorus",
    "bar",
    "missing",
    "noisy",
    "saw stack",
    "odd",
)


def make_bar(rng: Rng) -> tuple[Real, float]:
    """Make a struck bar, tine or bell plate with uneven partials: its root is the lowest, the strike note."""
    root_hz, ratios = midi_hz(rng.uniform(50, 108)), np.array(BARS[rng.integers(len(BARS))])
    ratios = ratios * np.concatenate([[1.0], rng.uniform(0.97, 1.03, len(ratios) - 1)])
    gains = 10.0 ** (np.concatenate([[rng.uniform(-16, 0)], rng.uniform(-35, 0, len(ratios) - 1)]) / 20.0)
    decays = rng.uniform(1, 4) * ratios ** rng.uniform(0, 0.9)
    samples = add_partials(root_hz * ratios, gains, decays, rng.uniform(0.5, 2.5), rng)
    return samples + _knock(rng, len(samples)) * np.abs(samples).max(), root_hz


# A church bell's hum, prime, tierce, quint, nominal, twelfth and octave nominal over its strike note, and a tubular
# bell's modes, whose fourth to sixth are 2 : 3 : 4 of it, so that no line lies at the strike note itself (Fletcher and
# Rossing, sections 21.3 and 19.8).
CHURCH_BELL = (0.5, 1.0, 1.2, 1.5, 2.0, 2.5, 2.67, 3.0, 4.0)
TUBULAR_BELL = (0.224, 0.617, 1.21, 2.0, 2.99, 4.0, 5.2, 6.4, 8.0)


def make_bell(rng: Rng) -> tuple[Real, float]:
    """Make a church bell or a tubular bell; its root is the strike note, half its nominal or its fourth mode."""
    root_hz, tubular = midi_hz(rng.uniform(48, 88)), rng.random() < 0.5
    ratios = np.array(TUBULAR_BELL if tubular else CHURCH_BELL)
    levels_db = (-35, -22, -18, -9, -2, -1, -7, -20, -22) if tubular else (-6, -6, -4, -14, 0, -12, -14, -6, -12)
    gains = 10.0 ** ((np.array(levels_db) + rng.uniform(-7, 5, len(ratios))) / 20.0)
    decays = rng.uniform(0.3, 2.5) * np.maximum(ratios, 0.3) ** rng.uniform(0.3, 1.0)
    hz = root_hz * ratios * 2.0 ** (rng.normal(0.0, 12.0, len(ratios)) * (ratios != 2.0) / 1200.0)
    return add_partials(hz, gains, decays, rng.uniform(0.5, 2.5), rng), root_hz


def make_series(rng: Rng) -> tuple[Real, float]:
    """Make a harmonic sound of any shade: stretched, hollow, without fundamental, organ ranks, formants, loop lines."""
    root_hz = midi_hz(rng.uniform(24, 108))
    number = np.arange(1.0, max(1, int(min(40, 14000 / root_hz))) + 1)
    gains = number ** -rng.uniform(0.0, 2.4) * 10.0 ** (rng.uniform(-12, 6, len(number)) / 20.0)
    decays, hz, shade = rng.uniform(0, 2) * number ** rng.uniform(0, 0.8), root_hz * number, rng.integers(8)
    if shade == 0:
        stiffness = 10.0 ** rng.uniform(-4.5, -2.6)
        hz = hz * np.sqrt((1 + stiffness * number**2) / (1 + stiffness))
    elif shade == 1:
        missing = int(rng.integers(1, 4)) if len(number) > 7 else 1
        gains[:missing] *= 10.0 ** (-rng.uniform(10, 100) / 20.0)
    elif shade == 2:
        gains = np.where(np.isin(number, [1, 2, 3, 4, 6, 8, 12, 16]), gains, 0.0)
        gains[0] = max(gains[0], gains.max() * 10.0 ** (-rng.uniform(0, 14) / 20.0))
    elif shade == 3:
        gains[1::2] *= 10.0 ** (-rng.uniform(10, 50) / 20.0)
    elif shade == 4:
        peak_hz, width = root_hz * rng.uniform(1, 9), rng.uniform(0.15, 0.6)
        gains *= 0.02 + np.exp(-0.5 * (np.log2(hz / peak_hz) / width) ** 2)
    samples = add_partials(hz, gains, decays, rng.uniform(0.5, 2.5), rng)
    if shade == 5:
        samples += _faint_subharmonics(root_hz, len(samples), rng) * np.sqrt(np.mean(samples**2))
    return samples + _knock(rng, len(samples)) * np.abs(samples).max(), root_hz


def _faint_subharmonics(root_hz: float, frames: int, rng: Rng) -> Real:
    """Make the lines between the harmonics that a loop of a few periods, or a reed's attack, leaves behind."""
    divisor = int(rng.integers(2, 6))
    number = np.array([n for n in range(1, 8 * divisor) if n % divisor and n * root_hz / divisor < 14000])
    gains = 10.0 ** (rng.uniform(-60, -20) / 20.0 + rng.uniform(-8, 8, len(number)) / 20.0)
    hz = root_hz / divisor * number
    return add_partials(hz, gains, np.zeros(len(number)), frames / RATE_HZ + 1e-6, rng)[:frames]


def _knock(rng: Rng, frames: int) -> Real:
    """Make, now and then, the knock of a key, a mallet or a body under a note: low modes that die at once."""
    count = int(rng.integers(3, 8)) * (rng.random() < 0.2)
    hz, gains = rng.uniform(50, 700, count), 10.0 ** (rng.uniform(-30, 3, count) / 20.0)
    return add_partials(hz, gains, rng.uniform(12, 60, count), frames / RATE_HZ + 1e-6, rng)[:frames]


def make_synth_stack(rng: Rng) -> tuple[Real, float]:
    """Make a synthesiser's stack of octaves and fifths; its root is the lowest layer, which may be the weakest."""
    root_hz, seconds = midi_hz(rng.uniform(28, 66)), rng.uniform(0.6, 2.5)
    intervals = STACKS[rng.integers(len(STACKS))]
    slope, total = rng.uniform(0.6, 2.0), np.zeros(int(seconds * RATE_HZ))
    for interval in intervals:
        layer_hz = root_hz * 2.0 ** ((interval - intervals[0]) / 12.0 + rng.uniform(-4, 4) * (interval > 0) / 1200.0)
        number = np.arange(1.0, max(1, int(min(30, 12000 / layer_hz))) + 1)
        gains = number**-slope * 10.0 ** (rng.uniform(-6, 3, len(number)) / 20.0)
        gains[1::2] *= 10.0 ** (-rng.uniform(0, 40) * (rng.random() < 0.3) / 20.0)
        decay = rng.uniform(0, 1.5) if rng.random() < 0.6 else rng.uniform(1, 8)  # plucked ones die apart
        part = add_partials(layer_hz * number, gains, decay * number**0.4, seconds, rng)
        total += part / np.sqrt(np.mean(part**2)) * 10.0 ** (rng.uniform(-10, 3) * (interval > intervals[0]) / 20.0)
    return total, root_hz


STACKS = (
    (0, 7, 12),
    (0, 12, 19),
    (0, 7, 12, 19, 24),
    (0, 7),
    (0, 12, 24),
    (0, 7, 12, 24),
    (-12, 0, 7, 12),
    (-12, 0, 12, 19),
)


def make_unpitched(rng: Rng) -> Real:
    """Make noise of some colour, band or envelope, or clicks."""
    kind, frames = rng.integers(8), int(2.5 * rng.uniform(0.11, 1.0) ** 2 * RATE_HZ)
    noise = rng.standard_normal(frames)
    if kind in (1, 2):
        tilt = np.arange(frames // 2 + 1) + (1.0 if kind == 1 else 20.0)
        noise = np.fft.irfft(np.fft.rfft(noise) / (np.sqrt(tilt) if kind == 1 else tilt), frames)
    elif kind in (3, 4):
        centre_hz, octaves = np.exp(rng.uniform(np.log(150), np.log(6000))), 1.0 if kind == 3 else 0.33
        band = [centre_hz * 2 ** (-octaves / 2), min(centre_hz * 2 ** (octaves / 2), 21000)]
        noise = signal.sosfilt(signal.butter(2, band, "band", fs=RATE_HZ, output="sos"), noise)
    elif kind == 5:
        noise *= np.exp(-np.arange(frames) / RATE_HZ / rng.uniform(0.02, 0.4))
    elif kind == 6:
        noise = np.zeros(frames)
        place = int(rng.uniform(0, 0.7) * frames)
        click = (np.exp(-np.arange(600) / rng.uniform(1, 200)) * rng.standard_normal(600))[: frames - place]
        noise[place : place + len(click)] = click
    elif kind == 7:
        lines = rng.uniform(80, 9000, rng.integers(12, 40))
        noise = noise * 0.1 + add_partials(
            lines, rng.uniform(0.2, 1, len(lines)), rng.uniform(1, 8, len(lines)), frames / RATE_HZ + 1e-6, rng
        )
    return normal(eased(noise, rng.uniform(0.001, 0.2), 0.1))
