"""Freezing a sound: a sustain that goes round and round, made of the sound's own spectrum.

As much of the sound as whole rounds fit into, joined end to start, is split into its lines. They are drawn together to
whole numbers of turns a round, so that each partial keeps its power and its centre, and every line is given a phase by
chance: what happened at one moment is spread over the whole round, and no seam is left. Of two channels a line keeps
both powers and that of their mono fold; those three leave one angle between left and right.

Of several seeds the one with the least ripple is kept, after its phases were drawn towards a steady level: between
time, where the level is held, and frequency, where the strengths are put back (Gerchberg and Saxton, "A practical
algorithm for the determination of phase from image and diffraction plane pictures", Optik 35, 1972).
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.seam import change_track, level_ripple_db
from kitfold.steps.seam import crossfaded
from kitfold.steps.wash import levelled

__all__ = ["calm_places", "entered", "frozen"]

Real = NDArray[np.float64]
Lines = NDArray[np.complex128]

_SEEDS = 8
_ROUNDS = 4
_LEVEL_S = 0.04
_STEADY_RATE_HZ = 16_000  # what lies over half of it hardly moves the level: its phases stay as they were drawn
_NEAR_S = 0.15  # what happens so near to a seam is heard as its doing
_BAND_HZ = 30.0  # narrower than partials lie apart, wider than a chorus spreads one


def frozen(rounds: Real, frames: int, rate_hz: int, ratio: float = 1.0) -> Real:
    """Make the steadiest round that has the spectrum of several.

    Parameters
    ----------
    rounds : ndarray, (a whole multiple of `frames`, channels), end joined to start, not silent, mono or stereo
    frames : int, one round
    rate_hz : int, Hz
    ratio : float, > 0, every line's frequency is multiplied by it before it is drawn to its place

    Returns
    -------
    ndarray, (frames, channels), as loud as `rounds`
    """
    from kitfold.measure.compiled import irfft, next_fast_len

    lines = _lines(rounds, frames, ratio)
    size = min(frames, int(next_fast_len(max(64, frames * _STEADY_RATE_HZ // rate_hz), real=True)))
    low = lines[: (size + 1) // 2]
    chance = np.random.default_rng(_seed(rounds, rate_hz))
    window = max(1, round(_LEVEL_S * rate_hz * size / frames))

    tries = [np.exp(2j * np.pi * chance.random(len(lines))) for _ in range(_SEEDS)]
    for turns in tries:
        turns[: len(low)] = _steadied(low, turns[: len(low)], size, window)

    def ripple_db(turns: Lines) -> float:
        made = irfft(low * turns[: len(low), np.newaxis], size, axis=0)
        return level_ripple_db(made, round(rate_hz * size / frames), circular=True)

    steadiest: Real = irfft(lines * min(tries, key=ripple_db)[:, np.newaxis], frames, axis=0)
    return steadiest


def _lines(rounds: Real, frames: int, ratio: float) -> Lines:
    """Draw the lines of several rounds together to those of one: (frames // 2 + 1, channels), before any phase."""
    from kitfold.measure.compiled import rfft

    many = len(rounds) // frames
    fine = rfft(rounds, axis=0)
    count = frames // 2 + 1
    to = np.minimum(np.rint(np.arange(len(fine)) * (ratio / many)), count - 1).astype(np.int64)

    def together(power: Real) -> Real:
        drawn: Real = np.bincount(to, power, count) / many**2
        drawn[0] = 0.0  # no offset, and ...
        drawn[(frames + 1) // 2 :] = 0.0  # ... the highest line of an even length has no phase to turn
        return drawn

    powers = [together(channel.real**2 + channel.imag**2) for channel in fine.T]
    lines = np.sqrt(np.stack(powers, axis=1)).astype(np.complex128)
    if len(powers) == 2:
        across = fine[:, 0] * np.conj(fine[:, 1])
        fold = together(across.real) / np.maximum(np.sqrt(powers[0] * powers[1]), 1e-300)
        angle = np.arccos(np.clip(fold, -1.0, 1.0))
        lines[:, 1] *= np.exp(-1j * np.where(together(across.imag) < 0, -angle, angle))
    return lines


def calm_places(turn: Real, rate_hz: int, count: int) -> list[int]:
    """Find where in a round least happens: where a seam is best put.

    Parameters
    ----------
    turn : ndarray, (frames, channels)
    rate_hz : int, Hz
    count : int, how many places; they lie a little apart

    Returns
    -------
    list of int, frames, the calmest first
    """
    from kitfold.measure.compiled import maximum_filter1d

    changes_db, hop = change_track(turn, rate_hz)
    near = max(1, min(round(_NEAR_S * rate_hz / hop), len(changes_db) // 6))
    left = maximum_filter1d(changes_db, 2 * near + 1, mode="wrap")
    places = []
    for _ in range(count):
        calmest = int(np.argmin(left))
        places.append(calmest * hop)
        left[np.arange(calmest - near // 2, calmest + near // 2 + 1) % len(left)] = np.inf
    return places


def entered(before: Real, turn: Real, place: int, rate_hz: int) -> tuple[Real, Real, float]:
    """Let a round follow on what lies before, with its seam at a place of ours.

    Parameters
    ----------
    before : ndarray, (frames, channels), what is heard before the round starts; not longer than the round
    turn : ndarray, (frames, channels)
    place : int, frames, where in the round its seam shall lie
    rate_hz : int, Hz

    Returns
    -------
    led : ndarray, the shape of `before`, crossfaded into the round
    turned : ndarray, the shape of `turn`
    likeness : float, the correlation of what was crossfaded
    """
    fade = len(before)
    met = _in_phase(before, np.roll(turn, fade - place, axis=0), rate_hz)
    led, likeness = crossfaded(before, met[:fade])
    return led, np.roll(met, -fade, axis=0), likeness


def _in_phase(before: Real, turn: Real, rate_hz: int) -> Real:
    """Turn the phase of each narrow band of a round, all along, so that no partial cancels where it fades in.

    A band's level stays what it was at every moment, and so does the angle between the channels.
    """
    from kitfold.measure.compiled import irfft, rfft, uniform_filter1d

    fade, frames = len(before), len(turn)
    window = np.hanning(fade + 2)[1:-1, np.newaxis]
    across = np.sum(rfft(before * window, axis=0) * np.conj(rfft(turn[:fade] * window, axis=0)), axis=1)
    cells = max(1, round(_BAND_HZ * fade / rate_hz))
    across = uniform_filter1d(across.real, cells) + 1j * uniform_filter1d(across.imag, cells)
    places = np.arange(frames // 2 + 1) * (fade / frames)
    near = np.arange(len(across))
    turns = np.interp(places, near, across.real) + 1j * np.interp(places, near, across.imag)
    turns /= np.maximum(np.abs(turns), 1e-300)
    made: Real = irfft(rfft(turn, axis=0) * turns[:, np.newaxis], frames, axis=0)
    return made


def _steadied(lines: Lines, turns: Lines, size: int, window: int) -> Lines:
    """Draw phases towards a steady level, the strengths kept."""
    from kitfold.measure.compiled import irfft, rfft

    for _ in range(_ROUNDS):
        steady = rfft(levelled(irfft(lines * turns[:, np.newaxis], size, axis=0), window), axis=0)[: len(lines)]
        across = np.sum(steady * np.conj(lines), axis=1)
        turns = np.where(np.abs(across) > 0, across / np.maximum(np.abs(across), 1e-300), turns)
    return turns


def _seed(rounds: Real, rate_hz: int) -> int:
    """Draw a seed from the sound, the same at any level."""
    even = (rounds / np.max(np.abs(rounds))).astype("<f4")
    return int.from_bytes(hashlib.sha256(even.tobytes() + rate_hz.to_bytes(4, "little")).digest()[:16], "little")
