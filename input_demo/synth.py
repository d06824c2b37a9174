"""The seven instruments of the demo kit: what a salt marsh sounds like at dusk, made of sines, strings and noise.

Each is a function of the root (Hz), the sampling rate (Hz) and a seeded generator, and gives (frames, 2) with the room
around it and no particular level. They stand on textbook models, named where used.
"""

from collections.abc import Callable

import numpy as np
from scipy import signal
from studio import Floats, band, decay, drift, envelope, gain, mix, pan, phase, ride, rise, room, timeline

__all__ = ["Instrument", "buoy", "driftwood", "glasswort", "groundswell", "halyard", "reed_pad", "shingle"]

Instrument = Callable[[float, int, np.random.Generator], Floats]


def cents(value: Floats | float) -> Floats:
    """Turn cents into a frequency ratio."""
    return np.asarray(2 ** (np.asarray(value) / 1200))


def ring(t: Floats, hz: float, fall_s: float, lag: float = 0.0, split_hz: float = 0.0) -> Floats:
    """Let one mode of a struck body ring; `split_hz` parts it in two that beat, as no bell is perfectly round.

    The lower of the two carries nine tenths of the power, and lies so that the centre of power stays at `hz`.
    """
    low, high = (np.sin(2 * np.pi * (hz + share * split_hz) * t - lag) for share in (-0.1, 0.9))
    return np.asarray((0.75 * low + 0.25 * high) * decay(t, fall_s))


def throat(hz: Floats, first_hz: Floats, second_hz: Floats, cutoff_hz: Floats) -> Floats:
    """Weigh a harmonic by two gliding vowel formants under a low-pass that breathes."""
    bumps = 2.2 * np.exp(-(((hz - first_hz) / 170) ** 2)) + 1.5 * np.exp(-(((hz - second_hz) / 230) ** 2))
    return (1 + bumps) / np.sqrt(1 + (hz / cutoff_hz) ** 4)


def reed_voice(t: Floats, hz: Floats, rate_hz: int, rng: np.random.Generator, turn_s: float) -> Floats:
    """Sing one reed: every harmonic weighed by a mouth that opens from "oo" to "ah" and closes again."""
    coarse_s = np.arange(0, t[-1] + 0.02, 0.02)
    opening = np.sin(np.pi * np.clip((coarse_s - turn_s) / 6.0, 0, 1)) ** 2
    breath = 1 + 0.16 * np.sin(2 * np.pi * 0.31 * (coarse_s - turn_s))
    first_hz, second_hz, cutoff_hz = 300 + 260 * opening, 780 + 380 * opening, (650 + 1150 * opening) * breath
    turning = np.exp(1j * phase(hz, rate_hz))
    power, voice = np.ones_like(turning), np.zeros_like(t)
    for harmonic in range(1, int(5200 / hz.mean())):
        power = power * turning
        body = (0.62 if harmonic % 2 == 0 else 1.0) / harmonic**0.85
        weight = body * throat(harmonic * hz.mean() * np.ones_like(coarse_s), first_hz, second_hz, cutoff_hz)
        voice += np.interp(t, coarse_s, weight) * (power * np.exp(2j * np.pi * rng.random())).imag
    return voice


def reed_pad(root_hz: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Hold one note on five reeds that drift apart and together, with breath, and let it go slowly."""
    t = timeline(8.2, rate_hz)
    swell = rise(t, 0.55) * envelope(
        t, [(0, -2), (1.2, -0.5), (3.0, 0), (5.0, -1.5), (5.8, -4.5), (6.5, -10), (7.2, -24), (8.2, -52)]
    )
    layers = []
    for apart_cents, place, level in (
        (-5.5, -0.8, 0.45),
        (-2.2, 0.45, 0.6),
        (0, 0, 1),
        (2.4, -0.4, 0.6),
        (5.2, 0.85, 0.45),
    ):
        bend_cents = apart_cents + drift(rng, t, 1.3, 1.6) + 1.5 * rise(t, 2.5) * np.sin(2 * np.pi * 4.6 * t + place)
        voice = reed_voice(t, root_hz * cents(bend_cents), rate_hz, rng, turn_s=0.25 * place)
        layers.append(pan(voice * level * (1 + drift(rng, t, 0.8, 0.07)), place))
    dry = ride(mix(*layers), rate_hz)
    breath = band(rng.standard_normal(dry.shape), 900, 3200, rate_hz) * (1 + drift(rng, t, 0.5, 0.3))[:, None]
    dry += breath * gain(-34) * np.sqrt(np.mean(dry**2) / np.mean(breath**2))
    return room(dry * swell[:, None], rng, rate_hz, fall_s=2.1, wet_db=-5)


def glasswort(root_hz: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Scatter a bright cloud of octaves and fifths, each line coming and going by itself, with air above."""
    t = timeline(4.2, rate_hz)
    layers = []
    for order, (ratio, level_db) in enumerate(((1, 0), (1.5, -7), (2, -4), (3, -10), (4, -11), (6, -17), (8, -20))):
        side = (-1) ** order
        for apart_cents, place, level in (
            (-5, -0.9, 0.4),
            (-2.2, 0.5, 0.7),
            (0, 0, 1),
            (2.4, -0.5, 0.7),
            (4.8, 0.9, 0.4),
        ):
            hz = root_hz * ratio * cents(apart_cents + drift(rng, t, 0.9, 1.2))
            twinkle = 1 + (0.2 + 0.08 * order) * np.sin(
                2 * np.pi * rng.uniform(0.5, 1.9) * t + rng.uniform(0, 2 * np.pi)
            )
            late = rise(t, 0.22 + 0.1 * order, start_s=rng.uniform(0.0, 0.04 + 0.05 * order))
            line = np.sin(phase(hz, rate_hz) + rng.uniform(0, 2 * np.pi)) * twinkle * late
            layers.append(pan(line * level * gain(level_db) * decay(t, 7.5 - 0.6 * order), side * place))
    air = band(rng.standard_normal((t.size, 2)), 4500, 9000, rate_hz) * (rise(t, 0.5) * decay(t, 2.2))[:, None]
    shimmer = mix(*layers, air * 0.12)
    closing = envelope(t, [(0, 0), (1.2, 0), (2.2, -5), (3.2, -18), (4.2, -42)])
    return room(shimmer * closing[:, None], rng, rate_hz, fall_s=2.0, wet_db=-5)


def string(root_hz: float, rate_hz: int, snap: Floats, length_s: float, fall_s: float, dullness: float) -> Floats:
    """Pluck one string: a delay line that feeds back through a gentle low-pass.

    Source: Karplus and Strong 1983, tuned with a fractional delay after Jaffe and Smith 1983 (both Computer Music
    Journal 7:2): the loop's whole delay at the root, filters included, is one period.
    """
    turn = 2 * np.pi * root_hz / rate_hz
    damping = np.array([1 - dullness, dullness])
    wanted = rate_hz / root_hz + np.angle(damping[0] + damping[1] * np.exp(-1j * turn)) / turn
    whole = int(wanted) - 1
    part, taps = wanted - whole, np.arange(4)
    lagrange = np.array([np.prod([(part - m) / (k - m) for m in taps if m != k]) for k in taps])
    loop = np.polymul(damping, lagrange) * 10 ** (-3 / (root_hz * fall_s))
    feedback = np.concatenate([[1.0], np.zeros(whole - 1), -loop])
    return np.asarray(signal.lfilter([1.0], feedback, np.pad(snap, (0, round(length_s * rate_hz) - snap.size))))


def halyard(root_hz: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Pluck a taut rope against a mast: two planes of swing a hair apart, a wooden body, a wide pick-up."""
    length_s, period = 2.7, round(rate_hz / root_hz)
    finger = signal.windows.hann(round(0.0011 * rate_hz))
    snap = np.concatenate([finger / finger.sum(), np.zeros(2 * period)])
    snap[:period] += 0.012 * rng.standard_normal(period) * signal.windows.hann(period)
    layers = []
    for place, pick, apart_cents, fall_s in ((-0.45, 0.19, -0.9, 3.1), (0.45, 0.27, 0.9, 1.9)):
        bite = snap - 0.9 * np.roll(snap, round(pick * period))
        swing = string(root_hz * float(cents(apart_cents)), rate_hz, bite, length_s, fall_s, dullness=0.16)
        layers.append(pan(swing, place))
    dry = mix(*layers)
    wood = sum(
        band(dry, hz * 0.93, hz * 1.07, rate_hz, order=1) * level for hz, level in ((205, 0.5), (410, 0.6), (890, 0.4))
    )
    t = timeline(length_s, rate_hz)
    knock = pan(band(rng.standard_normal(t.size), 250, 1800, rate_hz) * rise(t, 0.001) * decay(t, 0.06), 0.1)
    whole = dry + wood + knock * 0.05 * np.abs(dry).max()
    return room(whole * rise(t, 0.0006)[:, None], rng, rate_hz, fall_s=1.2, wet_db=-9)


def buoy(root_hz: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Toll a small bell out on the channel; the note that one hears is the prime, an octave under the nominal.

    Source: the partials of a minor-third bell (hum 0.5, prime 1, tierce 1.2, quint 1.5, nominal 2, then about 2.5,
    2.6, 3 and a little over 4): common practice of bell founders.
    """
    t = timeline(5.4, rate_hz)
    modes = (  # ratio, level in dB, seconds to fall 60 dB, beat in Hz
        (0.5, -13, 7.5, 0.35), (1, 0, 6.2, 0.5), (1.2, -8, 4.6, 1.1), (1.5, -14, 3.0, 1.6), (2, -2, 4.4, 0.9),
        (2.505, -15, 1.6, 2.2), (2.61, -17, 1.5, 2.6), (3.0, -8, 1.5, 1.9), (4.1, -11, 0.9, 3.1), (5.35, -16, 0.5, 4.0),
        (6.72, -20, 0.3, 5.0),
    )  # fmt: skip
    layers = []
    for ratio, level_db, fall_s, split_hz in modes:
        swing = 1 + 0.12 * np.sin(2 * np.pi * 0.42 * t + rng.uniform(0, 2 * np.pi))
        lag = rng.uniform(0, 2 * np.pi)
        for place in (-0.6, 0.6):
            mode = ring(t, root_hz * ratio, fall_s, lag + 0.5 * place, split_hz * (1 + 0.25 * place))
            layers.append(pan(mode * swing * gain(level_db), place))
    clapper = pan(band(rng.standard_normal(t.size), 1800, 7500, rate_hz) * decay(t, 0.05), -0.1) * 0.5
    dry = mix(*layers, clapper) * rise(t, 0.002)[:, None]
    return room(dry, rng, rate_hz, fall_s=2.2, wet_db=-8)


def driftwood(root_hz: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Strike a tuned wooden bar over a tube: the bar speaks at once, the hollow answers a moment later.

    Source: a bar whose second mode is tuned to 4 and whose third lies near 10, over a tube closed at one end (1, 3, 5):
    Fletcher and Rossing, The Physics of Musical Instruments (from memory).
    """
    t = timeline(1.9, rate_hz)
    bar, tube = np.zeros_like(t), np.zeros_like(t)
    for ratio, level_db, fall_s in ((1, 0, 1.5), (3.98, -11, 0.45), (9.95, -20, 0.14)):
        bar += ring(t, root_hz * ratio, fall_s) * gain(level_db) * rise(t, 0.003)
    for ratio, level_db, fall_s in ((1, -3, 1.25), (3, -19, 0.5), (5, -27, 0.3)):
        tube += ring(t, root_hz * ratio, fall_s, lag=np.pi / 2) * gain(level_db) * rise(t, 0.03)
    puff = band(rng.standard_normal(t.size), 180, 1400, rate_hz) * decay(t, 0.09) * rise(t, 0.003)
    dry = mix(pan(bar, -0.1), pan(tube, 0.15), pan(puff * 0.55, 0.0))
    return room(dry, rng, rate_hz, fall_s=0.9, wet_db=-9)


def groundswell(root_hz: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Let one long low wave rise and pass: a dark drone with water moving in it."""
    t = timeline(3.9, rate_hz)
    wave = rise(t, 1.3) * envelope(t, [(0, 0), (1.4, 0), (2.2, -5), (3.0, -18), (3.9, -52)])
    opening_hz = 110 + 260 * rise(t, 1.5) * envelope(t, [(0, 0), (1.5, 0), (3.0, -12), (3.9, -20)])
    layers = []
    for apart_cents, place in ((-4.0, -0.5), (0.3, 0.0), (3.7, 0.5)):
        turning = phase(root_hz * cents(apart_cents + drift(rng, t, 1.1, 1.5)), rate_hz)
        for harmonic in range(1, 15):
            weight = harmonic**-0.7 / (1 + (harmonic * root_hz / opening_hz) ** 3)
            layers.append(pan(np.sin(harmonic * turning + rng.uniform(0, 2 * np.pi)) * weight, place))
    dry = mix(*layers)
    water = band(rng.standard_normal(dry.shape), 180, 700, rate_hz) * (1 + drift(rng, t, 0.25, 0.45))[:, None]
    dry += water * gain(-24) * np.sqrt(np.mean(dry**2) / np.mean(water**2))
    return room(dry * wave[:, None], rng, rate_hz, fall_s=1.3, wet_db=-10)


def shingle(root_hz: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Step once on wet shingle: a few dozen small stones, thick at first, then the last ones rolling (no pitch)."""
    t = timeline(0.6, rate_hz)
    layers = []
    for moment_s in np.sort(np.concatenate([[0.0, 0.004], rng.exponential(0.055, 44)])):
        hz, size = rng.uniform(2.2, 12.0) * root_hz, rng.uniform(0.25, 1.0)
        stone = np.sin(2 * np.pi * hz * (t - moment_s)) * decay(t, rng.uniform(0.01, 0.05), start_s=moment_s)
        layers.append(pan(stone * rise(t, 0.0004, moment_s) * size * gain(-70 * moment_s), rng.uniform(-0.8, 0.8)))
    wash = band(rng.standard_normal((t.size, 2)), 700, 5500, rate_hz) * (rise(t, 0.006) * decay(t, 0.4))[:, None]
    thud = band(rng.standard_normal((t.size, 1)), 90, 260, rate_hz) * (rise(t, 0.004) * decay(t, 0.16))[:, None]
    return room(mix(*layers, wash * 0.7, thud * np.array([1.6, 1.6])), rng, rate_hz, fall_s=0.5, wet_db=-9)
