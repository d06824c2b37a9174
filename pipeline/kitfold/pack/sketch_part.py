"""What one sound plays in one section of a sketch: see `sketch` for the rules."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from kitfold.pack.sketch_model import NoteEvent, Player, role_of
from kitfold.plan.song import Section, Song, Trigger, shortest_move

__all__ = ["Part"]

_FIGURE_BEATS = 4.0
_SPARSE_BEATS, _MEDIUM_BEATS = 2.5, 1.7
# Where notes fall in four beats, by how many there are; the sounds of a kit take the next one in turn.
_FIGURES: dict[int, tuple[tuple[float, ...], ...]] = {
    1: ((1.0,), (2.0,), (3.0,), (0.0,)),
    2: ((0.5, 3.0), (1.5, 2.5), (0.0, 2.0)),
    4: ((0.0, 1.5, 2.5, 3.5), (0.5, 1.0, 2.0, 3.5), (1.0, 1.5, 3.0, 3.25)),
}
_HIT_FIGURES: tuple[tuple[float, ...], ...] = ((2.0,), (2.0, 3.5), (1.0, 3.0), (2.0, 2.75))  # pattern by pattern


@dataclass(frozen=True)
class Part:
    """One sound in one section.

    Parameters
    ----------
    song : Song
    section : Section
    first : int, the song's pattern on which the section begins
    player : Player
    place, players : int, its place in the kit, from 0, and how many there are
    plain : bool, no song was given: it plays from its own root, as far as the device reaches
    """

    song: Song
    section: Section
    first: int
    player: Player
    place: int
    players: int
    plain: bool

    def notes(self) -> Iterable[NoteEvent]:
        """Return its notes, lasting as long as they ring."""
        role = role_of(self.player)
        if role == "held":
            return [
                self._note(t, t.pattern, 0.0, self._move(t), self._beats(t.patterns)) for t in self.section.triggers
            ]
        if role == "swell":
            return self._swell()
        if role == "drone":
            return self._drone()
        return self._tones() if role == "tones" else self._hits()

    @property
    def _rings(self) -> float:
        """How many beats it sounds at its root."""
        return self.player.lasts_s * self.song.tempo / 60.0

    @property
    def _enters(self) -> int:
        """The pattern on which it comes in: in the first section one sound after the other."""
        return self.place * self.section.patterns // self.players if self.first == 0 else 0

    def _beats(self, patterns: float) -> float:
        return patterns * self.song.beats_per_pattern

    def _move(self, trigger: Trigger) -> int:
        if self.plain or self.player.pitch_class is None:
            return 0
        shift = self.section.shift.get(self.player.name, 0)
        return shortest_move(self.player.pitch_class, trigger.chord.root) + shift

    def _note(self, trigger: Trigger, pattern: float, beat: float, move: int, beats: float) -> NoteEvent:
        start = self._beats(self.first + pattern) + beat
        return NoteEvent(
            self.player.name, role_of(self.player), self.section.name, trigger.chord.text, start, beats, move
        )

    def _trigger_at(self, pattern: float) -> Trigger:
        return next(t for t in reversed(self.section.triggers) if t.pattern <= pattern)

    def _swell(self) -> list[NoteEvent]:
        """Start it so that its peak falls on the next section, or on the last chord where no section follows.

        One that is longer than all that comes before its goal starts with the section.
        """
        last = self.first + self.section.patterns >= sum(section.patterns for section in self.song.sections)
        if last and len(self.song.sections) > 1:
            return []
        goal = self._beats(self.section.triggers[-1].pattern if last else self.section.patterns)
        start = max(0.0, goal - self.player.lead_s * self.song.tempo / 60.0)
        return [self._note(self._trigger_at(start / self.song.beats_per_pattern), 0, start, 0, self._rings)]

    def _drone(self) -> list[NoteEvent]:
        """Play it under chords that hold its note, again after it has ended and rested; under any if none does."""
        patterns = self.section.patterns
        every = patterns if math.isinf(self._rings) else max(2, math.ceil(self._rings / self._beats(1)))
        starts: list[int] = []
        for pattern in range(self._enters, patterns):
            if self._agrees(pattern) and (not starts or pattern >= starts[-1] + every):
                starts.append(pattern)
        return [
            self._note(self._trigger_at(p), p, 0.0, 0, min(self._rings, self._beats(patterns - p)))
            for p in starts or [self._enters]
        ]

    def _agrees(self, pattern: int) -> bool:
        """Say whether its note is one of the chord's."""
        chord, pitch_class = self._trigger_at(pattern).chord, self.player.pitch_class
        return pitch_class is None or (pitch_class - chord.root) % 12 in chord.tones

    def _tones(self) -> list[NoteEvent]:
        count = 1 if self._rings >= _SPARSE_BEATS else 2 if self._rings >= _MEDIUM_BEATS else 4
        figure = _FIGURES[count][self.place % len(_FIGURES[count])]
        found = []
        for step, (pattern, beat) in enumerate(self._places(lambda pattern: figure)):
            trigger = self._trigger_at(pattern)
            move = _walk(self._moves(trigger), step)
            found.append(self._note(trigger, pattern, beat, move, min(self._rings, self._beats(1))))
        return found

    def _moves(self, trigger: Trigger) -> tuple[int, ...]:
        tones = self.player.plays if isinstance(self.player.plays, tuple) else trigger.chord.tones
        moves = tuple(self._move(trigger) + tone for tone in tones)
        low, high = self.player.moves
        return tuple(move for move in moves if low <= move <= high) or (0,) if self.plain else moves

    def _hits(self) -> list[NoteEvent]:
        places = self._places(lambda pattern: _HIT_FIGURES[(pattern + self.place) % len(_HIT_FIGURES)])
        return [self._note(self._trigger_at(pattern), pattern, beat, 0, self._rings) for pattern, beat in places]

    def _places(self, figure: Callable[[int], tuple[float, ...]]) -> list[tuple[int, float]]:
        """List (pattern, beat) of a figure of four beats, repeated through each pattern from where the sound enters."""
        bars = range(math.ceil(self._beats(1) / _FIGURE_BEATS))
        found = []
        for pattern in range(self._enters, self.section.patterns):
            beats = [bar * _FIGURE_BEATS + beat for bar in bars for beat in figure(pattern)]
            within = [beat for beat in beats if beat < self._beats(1)]
            found += [(pattern, beat) for beat in within or [0.0]]
        return found


def _walk(moves: Sequence[int], step: int) -> int:
    """Return the next of some tones, up and down again: 0 1 2 3 2 1 0 1 …"""
    turn = max(1, 2 * (len(moves) - 1))
    place = step % turn
    return moves[place if place < len(moves) else turn - place]
