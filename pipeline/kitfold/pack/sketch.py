"""The sketch: a short arrangement of our own that lets every sound of a kit be heard where the song wants it.

Held sounds play every chord; swells peak where a new section begins; long fixed sounds lie under the chords that hold their note; what
plays tones walks up and down them in figures that differ from sound to sound, the longer it rings the sparser; short
fixed sounds mark the beats that the others leave. In the first section the sounds come in one by one. It is made of
rules alone, without chance: the same kit gives the same notes. Nothing here is audio.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from kitfold.plan.chord import Chord
from kitfold.plan.key import Key
from kitfold.plan.kit import Plays
from kitfold.plan.song import Section, Song, Trigger, shortest_move

__all__ = ["Mark", "NoteEvent", "Player", "Role", "Sketch", "plain_song", "role_of", "sketched"]

Role = Literal["held", "swell", "drone", "tones", "hit"]

LONGEST_S = 120.0
"""What a preview lasts at most: two minutes say enough, and a long song would take long to render."""
_DRONE_S = 1.0  # the packer's own line between pads and hits
_FIGURE_BEATS = 4.0
_SPARSE_BEATS, _MEDIUM_BEATS = 2.5, 1.7
# Where notes fall in four beats, by how many there are; the sounds of a kit take the next one in turn.
_FIGURES: dict[int, tuple[tuple[float, ...], ...]] = {
    1: ((1.0,), (2.0,), (3.0,), (0.0,)),
    2: ((0.5, 3.0), (1.5, 2.5), (0.0, 2.0)),
    4: ((0.0, 1.5, 2.5, 3.5), (0.5, 1.0, 2.0, 3.5), (1.0, 1.5, 3.0, 3.25)),
}
_HIT_FIGURES: tuple[tuple[float, ...], ...] = ((2.0,), (2.0, 3.5), (1.0, 3.0), (2.0, 2.75))  # pattern by pattern
_PLAIN_CHORD_PATTERNS = 2
_PLAIN_PATTERNS = 8


@dataclass(frozen=True)
class Player:
    """What the sketch knows of a sound.

    Parameters
    ----------
    name : str
    plays : ``"chords"``, ``"tones"``, ``"fixed"`` or semitones above the chord's root
    pitch_class : int or None, of its root; None (no clear root): it is fixed
    lasts_s : float, seconds that it sounds at its root; infinite where it loops
    lead_s : float, seconds from a swell's start to its peak; 0 for what is no swell
    moves : (low, high), semitones from its root that the device reaches
    """

    name: str
    plays: Plays
    pitch_class: int | None
    lasts_s: float
    lead_s: float = 0.0
    moves: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class NoteEvent:
    """One note of the sketch.

    Parameters
    ----------
    sound : str
    role : Role
    section, chord : str, where it stands; the chord as the song writes it
    start_beats : float, from the sketch's start
    beats : float, > 0, how long the key is down
    semitones : int, the musical move from the sound's own root
    """

    sound: str
    role: Role
    section: str
    chord: str
    start_beats: float
    beats: float
    semitones: int


@dataclass(frozen=True)
class Mark:
    """Where a section or a chord begins: ``kind`` is ``"section"`` or ``"chord"``; a chord's text is its name."""

    kind: Literal["section", "chord"]
    text: str
    start_beats: float


@dataclass(frozen=True)
class Sketch:
    """An arrangement.

    Parameters
    ----------
    notes : tuple of NoteEvent, by start, then in the kit's order
    marks : tuple of Mark, by start
    beats : float, its length without what rings on
    tempo : float, beats per minute
    beats_per_pattern : float
    """

    notes: tuple[NoteEvent, ...]
    marks: tuple[Mark, ...]
    beats: float
    tempo: float
    beats_per_pattern: float

    def seconds(self, beats: float) -> float:
        """Return when a beat comes, in seconds from the start."""
        return beats * 60.0 / self.tempo


def role_of(player: Player) -> Role:
    """Say what part a sound has in the sketch."""
    if player.lead_s > 0:
        return "swell"
    if player.plays == "fixed" or player.pitch_class is None:
        return "drone" if player.lasts_s > _DRONE_S else "hit"
    return "held" if player.plays == "chords" else "tones"


def plain_song(song: Song, key: Key, sounds: int) -> Song:
    """Return the song of a kit that has none: its tonic throughout, long enough for every sound to come in."""
    third = (key.scale[2] - key.tonic) % 12
    chord = Chord("I" if third == 4 else "i", key.tonic, third, 7)
    pairs = max(_PLAIN_PATTERNS, sounds) // _PLAIN_CHORD_PATTERNS + sounds % 2
    triggers = tuple(Trigger(chord, _PLAIN_CHORD_PATTERNS * place, _PLAIN_CHORD_PATTERNS) for place in range(pairs))
    section = Section("plain", triggers, _PLAIN_CHORD_PATTERNS * pairs, frozenset(), {})
    return Song((section,), song.beats_per_pattern, song.tempo, song.tempo_slowest)


def sketched(song: Song, key: Key, players: Sequence[Player]) -> Sketch:
    """Write out everything that the sounds could play; `room.leave_room` then thins it to a device's voices.

    Parameters
    ----------
    song : Song; without sections a plain one is made, in which each sound plays from its own root
    key : Key
    players : sequence of Player, in the kit's order

    Returns
    -------
    Sketch, of `LONGEST_S` at most, cut between two patterns (one pattern at least). Notes last as long as they ring.
    """
    plain = not song.sections
    song = plain_song(song, key, len(players)) if plain else song
    notes: list[NoteEvent] = []
    marks: list[Mark] = []
    first = 0
    for section in song.sections:
        at = first * song.beats_per_pattern
        marks.append(Mark("section", section.name, at))
        marks += [
            Mark("chord", trigger.chord.name(key.flats), at + trigger.pattern * song.beats_per_pattern)
            for trigger in section.triggers
        ]
        for place, player in enumerate(players):
            if player.name not in section.silent:
                part = _Part(song, section, first, player, place, len(players), plain)
                notes += part.notes()
        first += section.patterns
    end = min(first, max(1, int(LONGEST_S * song.tempo / 60 / song.beats_per_pattern))) * song.beats_per_pattern
    order = {player.name: place for place, player in enumerate(players)}
    kept = sorted((note for note in notes if note.start_beats < end), key=lambda n: (n.start_beats, order[n.sound]))
    return Sketch(
        tuple(kept), tuple(mark for mark in marks if mark.start_beats < end), end, song.tempo, song.beats_per_pattern
    )


@dataclass(frozen=True)
class _Part:
    """One sound in one section, which begins on the song's pattern `first`."""

    song: Song
    section: Section
    first: int
    player: Player
    place: int
    players: int
    plain: bool

    def notes(self) -> Iterable[NoteEvent]:
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
        bars = math.ceil(self._beats(1) / _FIGURE_BEATS)
        return [
            (pattern, bar * _FIGURE_BEATS + beat)
            for pattern in range(self._enters, self.section.patterns)
            for bar in range(bars)
            for beat in figure(pattern)
            if bar * _FIGURE_BEATS + beat < self._beats(1)
        ]


def _walk(moves: Sequence[int], step: int) -> int:
    """Return the next of some tones, up and down again: 0 1 2 3 2 1 0 1 …"""
    turn = max(1, 2 * (len(moves) - 1))
    place = step % turn
    return moves[place if place < len(moves) else turn - place]
