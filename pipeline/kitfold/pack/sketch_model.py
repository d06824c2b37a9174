"""What a sketch is made of: players, notes and marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kitfold.plan.kit import Plays

__all__ = ["Mark", "NoteEvent", "Player", "Role", "Sketch", "role_of"]

Role = Literal["held", "swell", "drone", "tones", "hit"]

_DRONE_S = 1.0  # the packer's own line between pads and hits


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
