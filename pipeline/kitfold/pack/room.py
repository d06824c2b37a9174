"""Room: thin a sketch so that a device's voices suffice, and let every note ring until its sound plays again."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kitfold.pack.sketch_model import NoteEvent, Sketch

__all__ = ["leave_room", "let_ring"]

_TICKS = 24  # per beat: every figure's places lie on one
_RANKS = {"held": 0, "swell": 1, "drone": 2, "tones": 3, "hit": 3}
_SHORTEST_BEATS = 1 / 16

Rings = Callable[[NoteEvent], tuple[Hashable, float]]


def leave_room(sketch: Sketch, voices: int, rings: Rings) -> Sketch:
    """Leave out notes that would take a voice from another, so that no sound starves for the sake of others.

    Held chords go first, then swells, then drones; then tones and hits. Within each of these it is always the turn of
    the sound that has the fewest notes yet, of those the one with the fewest places to play; and each takes that of its
    places which the others need least, so that what could play anywhere leaves room where another must.

    Parameters
    ----------
    sketch : Sketch
    voices : int, > 0, of the device
    rings : returns what a note sounds on (another note on the same cuts it) and for how many beats

    Returns
    -------
    Sketch; a sound that would be left out altogether keeps its first note, which may then take a voice. A held note
    counts until its chord ends, also where nothing stops it: by then it is the oldest, and what is taken from it bleeds
    into the next chord.
    """
    room = _Room(sketch, voices, rings)
    kept: set[int] = set()
    for rank in sorted(set(_RANKS.values())):
        kept |= room.filled([place for place, note in enumerate(sketch.notes) if _RANKS[note.role] == rank])
    heard = {sketch.notes[place].sound for place in kept}
    kept |= {place for name, place in _firsts(sketch).items() if name not in heard}
    return replace(sketch, notes=tuple(note for place, note in enumerate(sketch.notes) if place in kept))


class _Room:
    """What of a device's voices is taken, tick by tick; notes are named by their places in the sketch."""

    def __init__(self, sketch: Sketch, voices: int, rings: Rings) -> None:
        self.notes, self.voices = sketch.notes, voices
        ends = [note.start_beats + max(note.beats, 1.0) for note in sketch.notes if math.isfinite(note.beats)]
        self.ticks = _tick(max([sketch.beats, *ends])) + _TICKS
        self.total = np.zeros(self.ticks, dtype=np.int32)
        self.taken: dict[Hashable, NDArray[np.bool_]] = {}
        self.keys: list[Hashable] = []
        self.spans: list[slice] = []
        for note in sketch.notes:
            key, beats = rings(note)
            self.keys.append(key)
            self.spans.append(slice(_tick(note.start_beats), _tick(note.start_beats + min(beats, sketch.beats)) + 1))

    def filled(self, places: Sequence[int]) -> set[int]:
        """Let sounds take room in turn, until nothing more fits; return what has found some."""
        waiting: dict[str, list[int]] = {}
        for place in self._by_need(places):
            waiting.setdefault(self.notes[place].sound, []).append(place)
        order = {name: (len(some), min(some)) for name, some in waiting.items()}
        counts: Counter[str] = Counter()
        kept = set()
        while waiting:
            name = min(waiting, key=lambda one: (counts[one], order[one]))
            place = waiting[name].pop(0)
            if not waiting[name]:
                del waiting[name]
            if self._fits(place):
                kept.add(place)
                counts[name] += 1
        return kept

    def _by_need(self, places: Sequence[int]) -> list[int]:
        """Return notes, those first that stand where the others of their kind want least; then by time."""
        many = Counter(self.notes[place].sound for place in places)
        own: dict[str, NDArray[np.float64]] = {}
        for place in places:
            name = self.notes[place].sound
            # a sound with few places needs each of them the more
            own.setdefault(name, np.zeros(self.ticks))[self.spans[place]] += 1.0 / many[name]
        wanted = np.sum(list(own.values()), axis=0)

        def need(place: int) -> tuple[float, int]:
            span = self.spans[place]
            others = wanted[span] - own[self.notes[place].sound][span]
            return round(float(np.max(others, initial=0.0)), 9), place

        return sorted(places, key=need)

    def _fits(self, place: int) -> bool:
        """Take room for a note if there is some."""
        own = self.taken.setdefault(self.keys[place], np.zeros(self.ticks, dtype=np.bool_))
        span = self.spans[place]
        if np.max(self.total[span] - own[span], initial=0) >= self.voices:
            return False
        self.total[span] += ~own[span]
        own[span] = True
        return True


def let_ring(sketch: Sketch) -> Sketch:
    """Keep each key down as long as its note rings, but let it up where the same sound plays again."""
    following: dict[str, float] = {}
    notes = []
    for note in reversed(sketch.notes):
        until = following.get(note.sound, math.inf)
        beats = min(note.beats, max(until - note.start_beats, _SHORTEST_BEATS))
        if math.isinf(beats):
            beats = max(sketch.beats - note.start_beats, _SHORTEST_BEATS)
        following[note.sound] = note.start_beats
        notes.append(replace(note, beats=beats))
    return replace(sketch, notes=tuple(reversed(notes)))


def _firsts(sketch: Sketch) -> dict[str, int]:
    firsts: dict[str, int] = {}
    for place, note in enumerate(sketch.notes):
        firsts.setdefault(note.sound, place)
    return firsts


def _tick(beats: float) -> int:
    return math.floor(beats * _TICKS + 1e-6)
