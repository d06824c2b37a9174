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
    """Leave out notes that would take a voice from another.

    Held chords go first, then swells, then drones; then tones and hits, the first note of each sound, the second of
    each, and so on, so that none starves.

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
    taken: dict[Hashable, NDArray[np.bool_]] = {}
    ends = [note.start_beats + max(note.beats, 1.0) for note in sketch.notes if math.isfinite(note.beats)]
    ticks = _tick(max([sketch.beats, *ends])) + _TICKS
    total = np.zeros(ticks, dtype=np.int32)
    kept: list[NoteEvent] = []
    for note in _in_turn(sketch.notes):
        key, beats = rings(note)
        own = taken.setdefault(key, np.zeros(ticks, dtype=np.bool_))
        span = slice(_tick(note.start_beats), _tick(note.start_beats + min(beats, sketch.beats)) + 1)
        if np.max(total[span] - own[span], initial=0) < voices:
            total[span] += ~own[span]
            own[span] = True
            kept.append(note)
    heard = {note.sound for note in kept}
    kept += [note for name, note in _firsts(sketch).items() if name not in heard]
    order = {id(note): place for place, note in enumerate(sketch.notes)}
    return replace(sketch, notes=tuple(sorted(kept, key=lambda note: order[id(note)])))


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


def _in_turn(notes: Sequence[NoteEvent]) -> list[NoteEvent]:
    """Return notes in the order in which they may take room."""
    counts: Counter[str] = Counter()
    turns = []
    for note in notes:
        turns.append((_RANKS[note.role], counts[note.sound]))
        counts[note.sound] += 1
    return [note for _, note in sorted(zip(turns, notes, strict=True), key=lambda pair: pair[0])]


def _firsts(sketch: Sketch) -> dict[str, NoteEvent]:
    firsts: dict[str, NoteEvent] = {}
    for note in sketch.notes:
        firsts.setdefault(note.sound, note)
    return firsts


def _tick(beats: float) -> int:
    return math.floor(beats * _TICKS + 1e-6)
