"""How a sustain loop sounds at its seam: what stands out there that does not elsewhere in the loop.

Every figure is taken round and round, as a sampler plays, and compares like with like: the greatest change near the
seam against the greatest change near any other place of the same loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.channels import sum_of_channels
from kitfold.measure.erb import erb_number
from kitfold.measure.pitch import held_pitch_hz
from kitfold.sound import Sound

__all__ = ["Seam", "change_track", "level_ripple_db", "measure_seam", "round_pitch_hz"]

Real = NDArray[np.float64]

_READINGS = ((0.03, 0.25, True), (0.06, 0.5, True), (0.045, 0.5, False))
"""Length of the two windows beside a place, in s, the power of a band's power that counts, and whether lines are taken
together in auditory bands. The first hears clicks and faint splatter in the highs, near to loudness; the second what
happens to loud bands, as amplitudes; the third is plain spectral flux, line by line."""
_HOPS = 4  # places a window
_REACH_S = 0.15  # what lies so near to the seam belongs to it: the crossfade does
_REACH_SHARE = 1 / 6  # ... and in a short loop this share of it, so that as much again lies inside
_BEND_FRAMES = 3
_LEVEL_S = 0.05
_LEVEL_HOP_S = 0.01
_PITCH_S = 6.0
_FLOOR = 1e-9


@dataclass(frozen=True)
class Seam:
    """What a loop does at its seam, and elsewhere.

    Parameters
    ----------
    change_db : float, dB, the greatest spectral change near the seam, by the reading in which it stands out most
    inside_db : float, dB, the 95th percentile of the greatest change near every other place, by the same reading
    bend : float, the greatest second difference over the seam, full scale 1.0
    bend_inside : float, the greatest anywhere else
    ripple_db : float, dB, how far the 50 ms level goes up and down in one round
    """

    change_db: float
    inside_db: float
    bend: float
    bend_inside: float
    ripple_db: float

    @property
    def excess_db(self) -> float:
        """By how much the seam stands out; under 0 it hides."""
        return self.change_db - self.inside_db


def measure_seam(sound: Sound) -> Seam:
    """Measure how a sound's loop goes round.

    Parameters
    ----------
    sound : Sound, with a loop of 64 frames or more

    Raises
    ------
    ValueError : for a sound without such a loop
    """
    if sound.loop is None or sound.loop[1] - sound.loop[0] < 64:
        raise ValueError(f"needs a loop of 64 frames or more, got {sound.loop}")
    turn = sound.float64()[slice(*sound.loop)]
    readings = [_near_and_elsewhere(turn, sound.rate_hz, *reading) for reading in _READINGS]
    change_db, inside_db = max(readings, key=lambda reading: reading[0] - reading[1])
    bends = _bends(turn)
    return Seam(
        change_db=change_db,
        inside_db=inside_db,
        bend=float(np.concatenate([bends[:_BEND_FRAMES], bends[-_BEND_FRAMES:]]).max()),
        bend_inside=float(bends[_BEND_FRAMES:-_BEND_FRAMES].max()),
        ripple_db=level_ripple_db(turn, sound.rate_hz, circular=True),
    )


def change_track(
    turn: Real, rate_hz: int, window_s: float = 0.03, exponent: float = 0.25, in_bands: bool = True
) -> tuple[Real, int]:
    """Follow how much a loop's spectrum changes, round and round.

    What lies just before a place is compared with what lies just after it.

    Parameters
    ----------
    turn : ndarray, (frames, channels), one round of 16 frames or more
    rate_hz : int, Hz
    window_s : float, s, how much on either side
    exponent : float, the power of a band's power that counts
    in_bands : bool, auditory bands (Glasberg and Moore 1990); else line by line

    Returns
    -------
    changes_db : ndarray, (places,), dB: the squared change of all bands and channels over their mean square, in one
        round; the first place is the seam
    hop_frames : int, from place to place
    """
    hop = max(2, min(round(window_s * rate_hz), len(turn) // 2) // _HOPS)
    strength = _strengths(turn, rate_hz, hop, len(turn) // hop + _HOPS, exponent, in_bands)
    change = np.sum((strength[:, _HOPS:] - strength[:, :-_HOPS]) ** 2, axis=(0, 2))
    whole = max(float(np.mean(np.sum(strength * strength, axis=(0, 2)))), 1e-300)
    return 10.0 * np.log10(np.maximum(change / whole, _FLOOR)), hop


def level_ripple_db(samples: Real, rate_hz: int, *, circular: bool = False) -> float:
    """Say how far a sound's 50 ms level goes up and down.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    rate_hz : int, Hz
    circular : bool, whether the end joins the start

    Returns
    -------
    float, dB: highest over lowest; 0 where there is no more than one window; windows 120 dB down count as that
    """
    window, hop = max(1, round(_LEVEL_S * rate_hz)), max(1, round(_LEVEL_HOP_S * rate_hz))
    power = sum_of_channels(samples * samples)
    if circular:
        power = np.take(power, np.arange(len(power) + window), mode="wrap")
    if len(power) <= window or not power.any():
        return 0.0
    total = np.concatenate([[0.0], np.cumsum(power)])
    levels = (total[window:] - total[:-window])[::hop]
    return float(10.0 * np.log10(levels.max() / max(levels.min(), 1e-12 * levels.max())))


def round_pitch_hz(sound: Sound, near_hz: float) -> float | None:
    """Measure the pitch of a loop alone, played round for 6 s: the power centroid of its partials.

    Parameters
    ----------
    sound : Sound, with a loop
    near_hz : float, Hz, the expected pitch

    Returns
    -------
    float, Hz, or None where nothing sounds near there

    Raises
    ------
    ValueError : for a sound without a loop
    """
    if sound.loop is None:
        raise ValueError("needs a loop")
    start, end = sound.loop
    turn = sound.with_samples(sound.samples[start:end], loop=(0, end - start))
    return held_pitch_hz(turn.sustained(round(_PITCH_S * sound.rate_hz)), near_hz)


def _near_and_elsewhere(
    turn: Real, rate_hz: int, window_s: float, exponent: float, in_bands: bool
) -> tuple[float, float]:
    """Return the greatest change near the seam, and the 95th percentile of the greatest change near other places."""
    changes_db, hop = change_track(turn, rate_hz, window_s, exponent, in_bands)
    near = max(1, int(min(_REACH_S * rate_hz, _REACH_SHARE * len(turn)) / hop))
    greatest = _greatest_near(changes_db, near)
    elsewhere = greatest[2 * near + 1 : len(greatest) - 2 * near]
    inside_db = np.percentile(elsewhere, 95) if len(elsewhere) else np.median(changes_db)
    return float(greatest[0]), float(inside_db)


def _strengths(turn: Real, rate_hz: int, hop: int, count: int, exponent: float, in_bands: bool) -> Real:
    """Return how strong each band is in `count` windows that follow each other by a hop: (channels, count, bands).

    The first window ends at the seam.
    """
    from kitfold.measure.compiled import rfft

    size = _HOPS * hop
    wrapped = np.take(turn.T.astype(np.float32), np.arange(-size, (count - 1) * hop), axis=1, mode="wrap")
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, size, axis=1)[:, ::hop]
    lines = rfft(windows * np.hanning(size + 2)[1:-1].astype(np.float32), axis=2)
    power = lines.real**2 + lines.imag**2
    if not in_bands:
        plain: Real = power.astype(np.float64) ** exponent
        return plain
    bands = np.add.reduceat(power, _first_lines(size, rate_hz), axis=2)
    strength: Real = bands.astype(np.float64) ** exponent
    return strength


def _first_lines(size: int, rate_hz: int) -> NDArray[np.int64]:
    """Return where each auditory band begins among the lines of a spectrum; one line at least each."""
    number = np.floor(erb_number(np.arange(size // 2 + 1) * (rate_hz / size)))
    return np.flatnonzero(np.diff(number, prepend=-1.0) > 0)


def _greatest_near(values: Real, near: int) -> Real:
    from kitfold.measure.compiled import maximum_filter1d

    greatest: Real = maximum_filter1d(values, 2 * near + 1, mode="wrap")
    return greatest


def _bends(turn: Real) -> Real:
    """Return the second difference at every frame of a round, the largest of the channels."""
    return np.max(np.abs(np.roll(turn, 1, axis=0) - 2.0 * turn + np.roll(turn, -1, axis=0)), axis=1)  # type: ignore[no-any-return]
