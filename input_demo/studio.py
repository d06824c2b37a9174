"""The studio behind the demo takes: envelopes, slow drift, a room, a noise floor and the bounce itself.

Sounds here are float64 arrays, mono (frames,) or stereo (frames, 2), full scale 1.0. Chance always comes from a
generator that the caller has seeded, so a take is the same every time.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import fft, interpolate, signal

__all__ = [
    "Floats",
    "band",
    "bounce",
    "decay",
    "drift",
    "envelope",
    "gain",
    "mix",
    "pan",
    "phase",
    "ride",
    "rise",
    "room",
    "timeline",
]

Floats = NDArray[np.float64]


def gain(level_db: float) -> float:
    """Turn decibels into a factor."""
    return float(10 ** (level_db / 20))


def timeline(length_s: float, rate_hz: int) -> Floats:
    """Give the moment of every frame, in seconds from the start."""
    return np.arange(round(length_s * rate_hz)) / rate_hz


def rise(t: Floats, attack_s: float, start_s: float = 0.0) -> Floats:
    """Open smoothly from silence to full within the attack time (a raised cosine, so no click)."""
    return np.sin(0.5 * np.pi * np.clip((t - start_s) / attack_s, 0, 1)) ** 2


def decay(t: Floats, fall_s: float, start_s: float = 0.0) -> Floats:
    """Die away like a struck thing: 60 dB in `fall_s` seconds."""
    return np.where(t < start_s, 0.0, 10 ** (-3 * np.maximum(t - start_s, 0) / fall_s))


def envelope(t: Floats, points_db: list[tuple[float, float]]) -> Floats:
    """Follow a level drawn as (seconds, dB) points, smoothly and without overshoot."""
    times_s, levels_db = zip(*points_db, strict=True)
    drawn_db = interpolate.PchipInterpolator(times_s, levels_db)(np.clip(t, times_s[0], times_s[-1]))
    return np.asarray(10 ** (drawn_db / 20))


def drift(rng: np.random.Generator, t: Floats, every_s: float, depth: float) -> Floats:
    """Wander slowly around zero, as old oscillators and human hands do.

    Parameters
    ----------
    rng : numpy.random.Generator
    t : floats, (frames,), s
    every_s : float, s
        About how long the wandering takes to change its mind.
    depth : float
        Standard deviation of the wandering, in the caller's unit.

    Returns
    -------
    floats, (frames,), with mean 0
    """
    knots_s = np.arange(-2 * every_s, t[-1] + 3 * every_s, every_s)
    wander = interpolate.CubicSpline(knots_s, rng.standard_normal(knots_s.size))(t)
    return np.asarray(depth * (wander - wander.mean()) / wander.std())


def phase(hz: Floats, rate_hz: int) -> Floats:
    """Add up a changing frequency into the phase of an oscillator, in radians."""
    return 2 * np.pi * np.cumsum(hz) / rate_hz


def pan(mono: Floats, position: float) -> Floats:
    """Place a mono sound between left (-1) and right (1) at constant power; gives (frames, 2)."""
    angle = (position + 1) * np.pi / 4
    return np.stack([mono * np.cos(angle), mono * np.sin(angle)], axis=1)


def mix(*layers: Floats) -> Floats:
    """Add stereo layers that start together; the longest sets the length."""
    total = np.zeros((max(len(layer) for layer in layers), 2))
    for layer in layers:
        total[: len(layer)] += layer
    return total


def band(sound: Floats, low_hz: float, high_hz: float, rate_hz: int, order: int = 2) -> Floats:
    """Keep what lies between two frequencies (Butterworth, along the frames)."""
    sections = signal.butter(order, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sections, sound, axis=0))


def ride(sound: Floats, rate_hz: int) -> Floats:
    """Ride the fader: a slow hand that takes back about two thirds of how far the beating voices swell and sink."""
    hand = signal.windows.hann(round(0.35 * rate_hz))
    power = signal.fftconvolve(np.mean(sound, axis=1) ** 2, hand / hand.sum(), mode="same")
    return np.asarray(sound * (np.maximum(power, 0.01 * power.mean()) / power.mean())[:, None] ** -0.33)


def room(dry: Floats, rng: np.random.Generator, rate_hz: int, fall_s: float, wet_db: float) -> Floats:
    """Stand the sound in a small wooden room of our own: decaying noise, the highs dying first.

    Parameters
    ----------
    dry : floats, (frames, 2)
    rng : numpy.random.Generator
    rate_hz : int, Hz
    fall_s : float, s
        Time in which the lows of the room fall by 60 dB; mids and highs fall faster.
    wet_db : float, dB
        Energy of the room's answer to the mids (200 Hz to 2 kHz) over that of the dry sound.

    Returns
    -------
    floats, (frames, 2): as long as `dry`; what still rings then is left to the final fade
    """
    t = timeline(fall_s, rate_hz)
    answer = np.zeros((t.size, 2))
    for low_hz, high_hz, faster in ((120, 700, 1.0), (700, 2500, 0.75), (2500, 7000, 0.45)):
        noise = band(rng.standard_normal((t.size, 2)), low_hz, high_hz, rate_hz)
        answer += noise * (decay(t, fall_s * faster) * rise(t, 0.012, start_s=0.009))[:, None]
    size = fft.next_fast_len(len(dry) + len(answer), real=True)
    colour, hz = fft.rfft(answer, size, axis=0), fft.rfftfreq(size, 1 / rate_hz)
    mids = np.sqrt(np.mean(np.abs(colour[(hz > 200) & (hz < 2000)]) ** 2))
    wet = fft.irfft(fft.rfft(dry, size, axis=0) * colour / mids, size, axis=0)[: len(dry)]
    return np.asarray(dry + gain(wet_db) * wet)


def hiss(rng: np.random.Generator, frames: int, rate_hz: int, level_db: float) -> Floats:
    """Make the soft hiss of an output stage, falling towards the highs, at an RMS level in dBFS."""
    hz = fft.rfftfreq(frames, 1 / rate_hz)
    tilt = 1 / np.sqrt(1 + (hz / 300) ** 1.6) / (1 + (hz / 11000) ** 4)
    tilt[hz < 30] = 0
    noise = fft.irfft(fft.rfft(rng.standard_normal((frames, 2)), axis=0) * tilt[:, None], frames, axis=0)
    return np.asarray(noise * gain(level_db) / np.sqrt(np.mean(noise**2)))


def bounce(
    sound: Floats,
    rng: np.random.Generator,
    rate_hz: int,
    *,
    peak_db: float,
    lead_s: float,
    fade_s: float,
    after_s: float,
) -> NDArray[np.int32]:
    """Record the sound as a real bounce has it: centred, with silence around it and a noise floor under it all.

    Parameters
    ----------
    sound : floats, (frames, 2)
    rng : numpy.random.Generator
    rate_hz : int, Hz
    peak_db : float, dBFS, < 0
        Where the highest sample of the sound lies before the floor (-75 dBFS) is added.
    lead_s, after_s : float, s
        Silence before the sound and behind it.
    fade_s : float, s
        The last part of the sound, over which it is faded to nothing.

    Returns
    -------
    int32, (frames, 2): 24-bit values in the upper three bytes
    """
    rumble_free = signal.sosfilt(signal.butter(2, 28, "highpass", fs=rate_hz, output="sos"), sound, axis=0)
    left = np.arange(len(sound))[::-1] / rate_hz
    centred = rumble_free * np.sqrt(np.mean(rumble_free**2) / np.mean(rumble_free**2, axis=0))
    faded = centred * rise(left, fade_s)[:, None]
    placed = np.pad(
        faded * gain(peak_db) / np.abs(faded).max(), [(round(lead_s * rate_hz), round(after_s * rate_hz)), (0, 0)]
    )
    edges = np.minimum(np.arange(len(placed)), np.arange(len(placed))[::-1]) / rate_hz
    whole = placed + hiss(rng, len(placed), rate_hz, -75.0) * rise(edges, 0.01)[:, None]
    return np.round(whole * (2**23 - 1)).astype(np.int32) << 8
