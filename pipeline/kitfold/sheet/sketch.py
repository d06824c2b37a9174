"""The sketch that the page plays, read back from the build's song.mid: which slot plays each note, how, and how long.

The file is what the preview was rendered from, and the manifest lists it with its hash: what is drawn is what is heard,
whenever the page is made. A note is given to a slot as the preview gives it: as the fit chose for its chord, else to
the nearest root that reaches it. How long it is heard follows from the slots and the device's voices.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from kitfold.pack.device_voice import cut_short

if TYPE_CHECKING:
    from mido import MidiFile, MidiTrack

__all__ = ["SONG_FILE", "Heard", "Sketch", "read_sketch"]

SONG_FILE = "listen/song.mid"


@dataclass(frozen=True)
class Heard:
    """One note of the sketch.

    Parameters
    ----------
    slot : int or None, the slot that plays it; None where the device cannot reach it and only the master is heard
    sound : str
    start, length : float, patterns from the start of the song, and how long the device's version is heard
    setting : int, semitones to set; without a slot the move from the sound's root
    """

    slot: int | None
    sound: str
    start: float
    length: float
    setting: int


@dataclass(frozen=True)
class Sketch:
    """Everything that the song plays.

    Parameters
    ----------
    notes : tuple of Heard, by start
    patterns : float, how long it is without what rings on
    chords : tuple of (start in patterns, name), of a kit without a song; that of any other is in its manifest
    """

    notes: tuple[Heard, ...]
    patterns: float
    chords: tuple[tuple[float, str], ...]


@dataclass(frozen=True)
class _Key:
    """A key that goes down in the file: of which sound, when in beats, at which MIDI note."""

    sound: str
    start: float
    end: float
    pitch: int


def read_sketch(manifest: Mapping[str, Any], files: Mapping[str, bytes]) -> Sketch | None:
    """Return the sketch of a build; None where its file is not there or cannot be read as one.

    Parameters
    ----------
    manifest : mapping as in manifest.json
    files : mapping, file name to bytes
    """
    if SONG_FILE not in files:
        return None
    from mido import MidiFile

    try:
        file = MidiFile(file=io.BytesIO(files[SONG_FILE]), charset="utf-8")
    except (OSError, EOFError, ValueError, KeyError):
        return None
    song = manifest.get("song") or {}
    beats = float(song.get("beats_per_pattern", 4.0))
    keys = sorted(_keys(file), key=lambda key: key.start)
    played = [_given(key, manifest, beats) for key in keys]
    lengths = _lengths(keys, played, manifest)
    notes = tuple(
        Heard(None if slot is None else slot["slot"], key.sound, key.start / beats, length / beats, setting)
        for key, (slot, setting), length in zip(keys, played, lengths, strict=True)
    )
    marks, end = _clock(file.tracks[0], file.ticks_per_beat)
    chords = () if song.get("sections") else tuple((at / beats, text) for at, text in marks[1:])
    return Sketch(notes, end / beats, chords)


def _keys(file: MidiFile) -> Iterator[_Key]:
    for track in file.tracks[1:]:
        down: dict[int, float] = {}
        at = 0
        for message in track:
            at += message.time
            beat = at / file.ticks_per_beat
            if message.type == "note_on" and message.velocity:
                down[message.note] = beat
            elif message.type in ("note_on", "note_off") and message.note in down:
                yield _Key(track.name, down.pop(message.note), beat, message.note)


def _clock(track: MidiTrack, ticks_per_beat: int) -> tuple[list[tuple[float, str]], float]:
    """Return the markers with their beats, and the beat on which the track ends."""
    at, marks = 0, []
    for message in track:
        at += message.time
        if message.type == "marker":
            marks.append((at / ticks_per_beat, message.text))
    return marks, at / ticks_per_beat


def _given(key: _Key, manifest: Mapping[str, Any], beats: float) -> tuple[Mapping[str, Any] | None, int]:
    """Return the slot that plays a note and the setting at which it does."""
    slots = [slot for slot in manifest["slots"] if slot["sound"] == key.sound]
    root = next((slot["root"]["midi"] for slot in slots if slot["copy"] is None), None)
    moves = [0] if root is None else _moves(key.pitch, root)
    section, chord = _chord_at(key.start / beats, manifest.get("song") or {})
    for slot in slots:
        for hold in slot["holds"]:
            if (hold["section"], hold["chord"]) == (section, chord) and hold["semitones"] in moves:
                return slot, int(hold["setting"])
    low, high = manifest["device"]["transpose"]
    reached = [
        (abs(moves[0] - (slot["copy"] or 0)), setting, slot)
        for slot in slots
        if low <= (setting := moves[0] - (slot["copy"] or 0) + slot["play_semitones"]) <= high
    ]
    if not reached:
        return None, moves[0]
    _, setting, slot = min(reached, key=lambda one: one[:2])
    return slot, setting


def _moves(pitch: int, root: int) -> list[int]:
    """Return how far a note may lie from its root: what lies beyond MIDI's notes was moved by octaves to be written."""
    beyond = [octave for octave in range(-60, 61, 12) if not 0 <= pitch + octave <= 127]
    return [pitch - root, *(pitch - root + octave for octave in beyond)]


def _chord_at(pattern: float, song: Mapping[str, Any]) -> tuple[str | None, str | None]:
    """Return the section and the chord, as the song writes it, that a pattern of the whole song lies in."""
    start = 0
    for section in song.get("sections") or ():
        if pattern < start + section["patterns"]:
            passed = [one for one in section["chords"] if start + one["pattern"] <= pattern]
            return section["name"], passed[-1]["chord"] if passed else None
        start += section["patterns"]
    return None, None


def _lengths(
    keys: Sequence[_Key], played: Sequence[tuple[Mapping[str, Any] | None, int]], manifest: Mapping[str, Any]
) -> list[float]:
    """Return for how many beats each note is heard from the device; what it cannot reach lasts as its key."""
    device, tempo = manifest["device"], manifest["kit"]["tempo"]
    spans = []
    for key, (slot, setting) in zip(keys, played, strict=True):
        if slot is not None:
            lasts = float("inf") if slot["loop"] else slot["seconds"] * 2.0 ** (-setting / 12.0) * tempo / 60.0
            end = key.start + lasts
            spans.append((slot["slot"], key.start, min(end, key.end) if device["note_off"] == "stops" else end))
    ends = iter(cut_short(spans, device["voices"]))
    last = max((key.end for key in keys), default=0.0)
    return [
        min((key.end if slot is None else next(ends)), max(last, key.end)) - key.start
        for key, (slot, _) in zip(keys, played, strict=True)
    ]
