"""What the song asks of each sound: which way to move it at every chord, and how long it must last."""

from __future__ import annotations

from dataclasses import dataclass

from kitfold.plan.chord import Chord
from kitfold.plan.kit import Plays
from kitfold.plan.song import Section, Song, shortest_move

__all__ = ["Ask", "asks_of"]


@dataclass(frozen=True)
class Ask:
    """One note that a section asks of a sound.

    Parameters
    ----------
    section : str
    chord : str, as the song writes it
    semitones : int, the musical move from the sound's own root
    needs_s : float, seconds that it is held; 0 where nothing holds it
    """

    section: str
    chord: str
    semitones: int
    needs_s: float


def asks_of(name: str, plays: Plays, pitch_class: int | None, song: Song) -> tuple[Ask, ...]:
    """List what a song asks of a sound; of equal notes in a section the one that is held longest.

    Parameters
    ----------
    name : str, the sound
    plays : ``"chords"``, ``"tones"``, ``"fixed"`` or semitones above the chord's root
    pitch_class : int or None, of the sound's root; None (no clear root) asks nothing
    song : Song
    """
    if plays == "fixed" or pitch_class is None:
        return ()
    longest: dict[tuple[str, str, int], float] = {}
    for section in song.sections:
        if name not in section.silent:
            for chord, semitones, needs_s in _notes(section, name, plays, pitch_class, song):
                key = (section.name, chord, semitones)
                longest[key] = max(needs_s, longest.get(key, 0.0))
    return tuple(Ask(*key, needs_s) for key, needs_s in longest.items())


def _notes(section: Section, name: str, plays: Plays, pitch_class: int, song: Song) -> list[tuple[str, int, float]]:
    notes = []
    for trigger in section.triggers:
        move = shortest_move(pitch_class, trigger.chord.root) + section.shift.get(name, 0)
        needs_s = song.held_s(trigger.patterns) if plays == "chords" else 0.0
        notes += [(trigger.chord.text, move + tone, needs_s) for tone in _tones(plays, trigger.chord)]
    return notes


def _tones(plays: Plays, chord: Chord) -> tuple[int, ...]:
    if isinstance(plays, tuple):
        return plays
    return chord.tones if plays == "tones" else (0,)
