"""The sketch: a short arrangement of our own that lets every sound of a kit be heard where the song wants it.

Held sounds play every chord; swells peak where a new section begins; long fixed sounds lie under the chords that hold
their note; what plays tones walks up and down them in figures that differ from sound to sound, the longer it rings the
sparser; short fixed sounds mark the beats that the others leave. In the first section the sounds come in one by one. It
is made of rules alone, without chance: the same kit gives the same notes. Nothing here is audio.
"""

from __future__ import annotations

from collections.abc import Sequence

from kitfold.pack.sketch_model import Mark, NoteEvent, Player, Sketch
from kitfold.pack.sketch_part import Part
from kitfold.plan.chord import Chord
from kitfold.plan.key import Key
from kitfold.plan.song import Section, Song, Trigger

__all__ = ["LONGEST_S", "plain_song", "sketched"]

LONGEST_S = 120.0
"""What a preview lasts at most: two minutes say enough, and a long song would take long to render."""
_PLAIN_CHORD_PATTERNS = 2
_PLAIN_PATTERNS = 8


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
                part = Part(song, section, first, player, place, len(players), plain)
                notes += part.notes()
        first += section.patterns
    end = min(first, max(1, int(LONGEST_S * song.tempo / 60 / song.beats_per_pattern))) * song.beats_per_pattern
    order = {player.name: place for place, player in enumerate(players)}
    kept = sorted((note for note in notes if note.start_beats < end), key=lambda n: (n.start_beats, order[n.sound]))
    return Sketch(
        tuple(kept), tuple(mark for mark in marks if mark.start_beats < end), end, song.tempo, song.beats_per_pattern
    )
