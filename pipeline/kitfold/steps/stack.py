"""The step `stack`: octave and fifth layers of a sound, as long as the sound itself."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction

import numpy as np

from kitfold.measure.layers import layer_db
from kitfold.measure.root import find_root
from kitfold.plan.settings import Stack
from kitfold.sound import Sound
from kitfold.steps.shift import keep_length
from kitfold.threads import at_once
from kitfold.units import cents_to_ratio, db_to_gain, semitones_to_ratio

__all__ = ["layer_ratio", "stack"]

JUST: tuple[Fraction, ...] = (
    Fraction(1, 1),
    Fraction(16, 15),
    Fraction(9, 8),
    Fraction(6, 5),
    Fraction(5, 4),
    Fraction(4, 3),
    Fraction(45, 32),
    Fraction(3, 2),
    Fraction(8, 5),
    Fraction(5, 3),
    Fraction(9, 5),
    Fraction(15, 8),
)
"""The whole-number ratio of 0 to 11 semitones: five-limit just intonation (common practice; the minor seventh as the
minor third's fifth, 9/5, not the fourth's fourth, 16/9)."""
_CARRIED_DB = -10.0
"""A layer in the source that is at most this much quieter than the one asked for is left alone: two layers of one pitch
beat, and with 10 dB between them by no more than 3 dB."""


def stack(sound: Sound, settings: Stack) -> Sound:
    """Add layers of a sound at other pitches, all of the sound's own length.

    Parameters
    ----------
    sound : Sound, (frames, channels)
    settings : Stack, resolved: one gain a layer

    Returns
    -------
    Sound, (frames, channels): the sum, which may exceed full scale (`level` comes later). Interval 0 is the source
    untouched; `spread_cents` moves the other layers, the first one up, the next one down. A layer that the source
    already carries (`measure.layers` says how that is told) is left out. The root stays. Silence stays silence.
    """
    gains_db = settings.gains_db or (0.0,) * len(settings.intervals)
    layers = list(zip(settings.intervals, gains_db, strict=True))
    left_out = {} if len(layers) == 1 else _carried(sound, layers, settings)
    kept = [(ratio, gain_db) for semitones, ratio, gain_db in _spread(layers, settings) if semitones not in left_out]
    moved = at_once(lambda ratio: keep_length(sound, ratio), [ratio for ratio, _ in kept])
    total = np.zeros(sound.samples.shape)
    for one, (_, gain_db) in zip(moved, kept, strict=True):
        total += one.float64() * db_to_gain(gain_db)
    said = [_sentence(semitones, carried_db) for semitones, carried_db in left_out.items()]
    stacked = [semitones for semitones in settings.intervals if semitones not in left_out]
    return sound.with_samples(total).telling(*said, layers_semitones=stacked)


def _spread(layers: list[tuple[float, float]], settings: Stack) -> Iterator[tuple[float, float, float]]:
    """Give each layer's interval, its ratio with the spread in it (up, down, up ...) and its gain."""
    side = 1.0
    for semitones, gain_db in layers:
        ratio = layer_ratio(semitones, settings.temperament)
        if ratio != 1.0:
            ratio *= cents_to_ratio(side * settings.spread_cents)
            side = -side
        yield semitones, ratio, gain_db


def layer_ratio(semitones: float, temperament: str) -> float:
    """Turn an interval into a frequency ratio: 7 is 3/2 in just intonation, 2^(7/12) in equal temperament.

    Intervals that are no whole number of semitones have no just ratio and stay equal.
    """
    if temperament == "equal" or semitones != round(semitones):
        return semitones_to_ratio(semitones)
    octaves, place = divmod(round(semitones), 12)
    return float(JUST[place] * Fraction(2) ** octaves)


def _carried(sound: Sound, layers: list[tuple[float, float]], settings: Stack) -> dict[float, float]:
    """Return the intervals that the source carries loudly enough, with their level in it."""
    root_hz = sound.root_hz or _heard_root_hz(sound)
    if root_hz is None:
        return {}
    reference_db = max((gain_db for semitones, gain_db in layers if semitones == 0), default=0.0)
    found = {}
    for semitones, gain_db in layers:
        ratio = layer_ratio(semitones, settings.temperament)
        carried_db = -math.inf if ratio == 1.0 else layer_db(sound, root_hz, ratio)
        if carried_db >= gain_db - reference_db + _CARRIED_DB:
            found[semitones] = carried_db
    return found


def _heard_root_hz(sound: Sound) -> float | None:
    root = find_root(sound)
    return root.hz if root.pitched else None


def _sentence(semitones: float, carried_db: float) -> str:
    return f"the layer at {semitones:+g} semitones is left out: the source already carries it, at {carried_db:.0f} dB"
