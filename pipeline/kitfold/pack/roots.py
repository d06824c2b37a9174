"""Which note each sound stands for, and how far the stored file lies from it."""

from __future__ import annotations

from dataclasses import dataclass

from kitfold.measure.pitch import cents_off
from kitfold.measure.root import find_root
from kitfold.pack.known import Known
from kitfold.sound import Sound
from kitfold.units import hz_to_midi, midi_to_hz, semitones_to_ratio

__all__ = ["RootNote", "error_cents", "moved", "root_note"]

_root = Known(find_root)  # a master's, whatever the device


@dataclass(frozen=True)
class RootNote:
    """The note that a sound stands for.

    Parameters
    ----------
    midi : int or None, None where no root is clear
    hz : float or None, the note's frequency; where none is clear, the best reading
    tuned : bool, whether a step put it there
    """

    midi: int | None
    hz: float | None
    tuned: bool

    @property
    def pitch_class(self) -> int | None:
        """The note's pitch class, 0 (C) to 11."""
        return None if self.midi is None else self.midi % 12


def root_note(master: Sound, a4_hz: float) -> RootNote:
    """Return the note of a master: where its steps put it, else what the root finder hears."""
    if master.root_hz is not None:
        return RootNote(round(hz_to_midi(master.root_hz, a4_hz)), master.root_hz, tuned=True)
    heard = _root(master)
    if not heard.pitched or heard.hz is None:
        return RootNote(None, heard.hz, tuned=False)
    midi = round(hz_to_midi(heard.hz, a4_hz))
    return RootNote(midi, midi_to_hz(midi, a4_hz), tuned=False)


def moved(note: RootNote, semitones: int) -> RootNote:
    """Return the note of a copy."""
    if note.midi is None or note.hz is None:
        return note
    return RootNote(note.midi + semitones, note.hz * semitones_to_ratio(semitones), note.tuned)


def error_cents(stored: Sound, note: RootNote) -> float | None:
    """Measure how far a stored sound lies from its note, in cents; None where it has none or none is heard."""
    return None if note.midi is None or note.hz is None else cents_off(stored, note.hz)
