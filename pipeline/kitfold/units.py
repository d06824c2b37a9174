"""Decibels and gain, cents and ratio, seconds and frames, note names: pure and exact.

Notes are MIDI numbers (60 is middle C); frequencies are in Hz; equal temperament from A4 = 440 Hz (ISO 16) unless
another `a4_hz` is given.
"""

from __future__ import annotations

import math
import re

__all__ = [
    "PITCH_CLASSES",
    "cents_between",
    "cents_to_ratio",
    "db_to_gain",
    "frames_to_seconds",
    "gain_to_db",
    "hz_to_midi",
    "midi_to_hz",
    "note_name",
    "parse_note",
    "parse_pitch_class",
    "pitch_class_names",
    "power_to_db",
    "seconds_to_frames",
    "semitones_to_ratio",
]

PITCH_CLASSES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_IN_FLATS = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
_NATURALS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1, "##": 2, "bb": -2}
_NOTE = re.compile(r"([A-Ga-g])(##|bb|#|b|♯|♭|)(-?[0-9]{1,2})?")


def db_to_gain(level_db: float) -> float:
    """Turn decibels into an amplitude ratio: -6.02 dB is 0.5."""
    return float(10.0 ** (level_db / 20.0))


def gain_to_db(gain: float) -> float:
    """Turn an amplitude ratio into decibels; nothing at all is -inf."""
    return 20.0 * math.log10(gain) if gain > 0 else -math.inf


def power_to_db(power: float) -> float:
    """Turn a power ratio into decibels; nothing at all is -inf."""
    return 10.0 * math.log10(power) if power > 0 else -math.inf


def cents_to_ratio(cents: float) -> float:
    """Turn cents into a frequency ratio: 1200 cents is 2."""
    return float(2.0 ** (cents / 1200.0))


def semitones_to_ratio(semitones: float) -> float:
    """Turn equal-tempered semitones into a frequency ratio: 12 is exactly 2."""
    return float(2.0 ** (semitones / 12.0))


def cents_between(from_hz: float, to_hz: float) -> float:
    """Say how many cents `to_hz` lies above `from_hz`."""
    return 1200.0 * math.log2(to_hz / from_hz)


def seconds_to_frames(seconds: float, rate_hz: int) -> int:
    """Count the whole frames nearest to a duration; a half counts up."""
    return math.floor(seconds * rate_hz + 0.5)


def frames_to_seconds(frames: int, rate_hz: int) -> float:
    """Say how long a number of frames lasts, in seconds."""
    return frames / rate_hz


def hz_to_midi(hz: float, a4_hz: float = 440.0) -> float:
    """Turn a frequency into a fractional MIDI number: 440 Hz is 69."""
    return 69.0 + 12.0 * math.log2(hz / a4_hz)


def midi_to_hz(midi: float, a4_hz: float = 440.0) -> float:
    """Turn a MIDI number into its frequency: 69 is 440 Hz."""
    return float(a4_hz * 2.0 ** ((midi - 69.0) / 12.0))


def note_name(midi: int, middle_c: str = "C4", flats: bool = False) -> str:
    """Name a MIDI note: 50 is ``"D3"`` where middle C is C4.

    Parameters
    ----------
    midi : int, 0 to 127 (others are named too)
    middle_c : str, ``"C4"`` or ``"C3"``: the name of MIDI 60
    flats : bool, write Bb rather than A#
    """
    octave, pitch_class = divmod(midi, 12)
    return f"{pitch_class_names(flats)[pitch_class]}{octave - 5 + int(middle_c[1:])}"


def pitch_class_names(flats: bool = False) -> tuple[str, ...]:
    """Return the twelve names, with sharps or with flats."""
    return _IN_FLATS if flats else PITCH_CLASSES


def parse_pitch_class(text: str) -> int:
    """Read a pitch class: ``"D"``, ``"F#"`` and ``"Bb"`` are 2, 6 and 10.

    Raises
    ------
    ValueError : where the text is no pitch class
    """
    letter, accidental, octave = _split_note(text)
    if octave is not None:
        raise ValueError(f"{text!r} has an octave; a pitch class has none")
    return (_NATURALS[letter] + _ACCIDENTALS[accidental]) % 12


def parse_note(text: str, middle_c: str = "C4") -> int:
    """Read a note with its octave into a MIDI number: ``"D3"`` is 50 where middle C is C4.

    Raises
    ------
    ValueError : where the text is no note, has no octave, or lies outside MIDI 0 to 127
    """
    letter, accidental, octave = _split_note(text)
    if octave is None:
        raise ValueError(f"{text!r} has no octave (a note is written like D3 or F#2)")
    midi = _NATURALS[letter] + _ACCIDENTALS[accidental] + 12 * (int(octave) + 5 - int(middle_c[1:]))
    if not 0 <= midi <= 127:
        raise ValueError(f"{text!r} lies outside MIDI 0 to 127")
    return midi


def _split_note(text: str) -> tuple[str, str, str | None]:
    match = _NOTE.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a note (a note is written like D3 or F#2)")
    return match[1].upper(), match[2], match[3]
