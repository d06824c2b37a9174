"""Who covers whom in one section of a song: every sound against every other, as tables.

What `measure.masking.share_under` says of two sounds is counted here for one sound against all others in a few passes
over arrays, so that a section with many sounds costs what its pairs cost, and no more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.masking import MASKED_DB, Pattern
from kitfold.units import db_to_gain

__all__ = ["Against", "Section", "table_of"]

Real = NDArray[np.float64]

_MASKED = db_to_gain(MASKED_DB) ** 2


@dataclass(frozen=True, eq=False)
class Against:
    """One sound against all sounds of a section, in percent: (sounds,) each; 0 where the two never play together.

    Parameters
    ----------
    loses : ndarray, how much of the sound lies under each of the others
    covers : ndarray, how much of each of the others lies under the sound
    """

    loses: Real
    covers: Real


@dataclass(frozen=True, eq=False)
class _Chord:
    """All notes of a chord: (notes, filters), the sound that each belongs to, and how many each sound has."""

    excitation: Real
    own: NDArray[np.bool_]
    heard: NDArray[np.int64]
    sound: NDArray[np.int64]
    count: NDArray[np.int64]


class Section:
    """The sounds of one section as they are played there.

    Parameters
    ----------
    played : mapping, sound to its patterns, (notes, filters), chord by chord
    lengths : sequence of float, > 0, how long each chord lasts
    """

    def __init__(self, played: Mapping[str, Sequence[Pattern]], lengths: Sequence[float]) -> None:
        self.names = tuple(played)
        self.place = {name: place for place, name in enumerate(self.names)}
        self._lengths = lengths
        self._chords = [_chord([patterns[n] for patterns in played.values()]) for n in range(len(lengths))]

    def against(self, patterns: Sequence[Pattern]) -> Against:
        """Compare a sound with every sound of the section, itself as it is there among them.

        Parameters
        ----------
        patterns : sequence of Pattern, (notes, filters), chord by chord
        """
        return Against(self.loses(patterns), self._percent(_covers, patterns))

    def loses(self, patterns: Sequence[Pattern]) -> Real:
        """Return how much of a sound lies under each sound of the section, in percent; see `against`."""
        return self._percent(_loses, patterns)

    def _percent(self, share: Callable[[Pattern, _Chord], Real], patterns: Sequence[Pattern]) -> Real:
        shares, weight = np.zeros(len(self.names)), np.zeros(len(self.names))
        for pattern, chord, long in zip(patterns, self._chords, self._lengths, strict=True):
            if len(pattern.own) and len(chord.own):
                both = np.flatnonzero(chord.count)
                shares[both] += long * share(pattern, chord)[both]
                weight[both] += long
        return np.asarray(100.0 * shares / np.where(weight > 0, weight, 1.0))


def table_of(section: Section, played: Mapping[str, Sequence[Pattern]], lasting: Real, may: NDArray[np.bool_]) -> Real:
    """Return how much of each sound (first) lies under each other one (second), in percent.

    Parameters
    ----------
    section : Section
    played : mapping, sound to its patterns, chord by chord, in the section's order
    lasting : ndarray, (sounds,), how long each lasts
    may : bool ndarray, (sounds,), whether it may cover anything

    Returns
    -------
    ndarray, (sounds, sounds); -1 where the second cannot cover the first, which lasts longer
    """
    rows = [section.loses(patterns) for patterns in played.values()]
    table = np.array(rows).reshape(len(played), len(played))
    able = may[np.newaxis, :] & (lasting[np.newaxis, :] >= lasting[:, np.newaxis])
    np.fill_diagonal(able, False)
    return np.where(able, table, -1.0)


def _chord(patterns: Sequence[Pattern]) -> _Chord:
    count = np.array([len(pattern.own) for pattern in patterns], dtype=np.int64)
    there = [pattern for pattern in patterns if len(pattern.own)]
    if not there:
        return _Chord(np.zeros((0, 0)), np.zeros((0, 0), np.bool_), np.zeros(0, np.int64), np.zeros(0, np.int64), count)
    own = np.concatenate([pattern.own for pattern in there])
    sound = np.repeat(np.arange(len(patterns)), count)
    return _Chord(np.concatenate([one.excitation for one in there]), own, own.sum(axis=1), sound, count)


def _loses(pattern: Pattern, chord: _Chord) -> Real:
    """Return the share of a sound under each sound of a chord."""
    masking, sounds = chord.excitation * _MASKED, len(chord.count)
    shares = np.zeros(sounds)
    for excitation, own in zip(pattern.excitation, pattern.own, strict=True):
        heard = int(own.sum())
        if heard:
            under = (excitation[own] < masking[:, own]).sum(axis=1)
            shares += np.bincount(chord.sound, under, sounds) / (heard * np.maximum(chord.count, 1))
    return shares / len(pattern.own)


def _covers(pattern: Pattern, chord: _Chord) -> Real:
    """Return the share of each sound of a chord under a sound."""
    under = np.zeros(len(chord.own), dtype=np.int64)
    for masking in pattern.excitation * _MASKED:
        under += ((chord.excitation < masking) & chord.own).sum(axis=1)
    shares = np.where(chord.heard > 0, under / (np.maximum(chord.heard, 1) * len(pattern.own)), 0.0)
    return np.bincount(chord.sound, shares, len(chord.count)) / np.maximum(chord.count, 1)
