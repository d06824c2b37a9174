"""The sketch as a MIDI file: one track a sound, the tempo, and a marker for every section and chord.

Source: MIDI Manufacturers Association, "Standard MIDI Files 1.0" (type 1: tracks that play together; the first holds
tempo, time signature and markers).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import TYPE_CHECKING

from kitfold.pack.sketch_model import NoteEvent, Sketch

if TYPE_CHECKING:
    from mido import MidiTrack

__all__ = ["TICKS_PER_BEAT", "song_midi"]

TICKS_PER_BEAT = 480
_UNPITCHED_NOTE = 60  # as in the smpl chunk: a player that tracks the keyboard plays the sound as it is there
_VELOCITY = 100
_MELODIC_CHANNELS = tuple(channel for channel in range(16) if channel != 9)  # 10 plays drums in General MIDI


def song_midi(sketch: Sketch, roots: Mapping[str, int | None], title: str) -> bytes:
    """Write a sketch as a Standard MIDI File of type 1; the same sketch gives the same bytes.

    Parameters
    ----------
    sketch : Sketch
    roots : mapping, sound to the MIDI note of its root, in the kit's order; None: no clear root, middle C is written
    title : str, the first track's name

    Returns
    -------
    bytes; notes beyond MIDI's 0 to 127 move by octaves until they lie within
    """
    from mido import MidiFile

    file = MidiFile(type=1, ticks_per_beat=TICKS_PER_BEAT, charset="utf-8")
    file.tracks.append(_clock(sketch, title))
    for place, (name, root) in enumerate(roots.items()):
        notes = [note for note in sketch.notes if note.sound == name]
        file.tracks.append(_track(name, notes, root, _MELODIC_CHANNELS[place % len(_MELODIC_CHANNELS)]))
    data = io.BytesIO()
    file.save(file=data)
    return data.getvalue()


def _clock(sketch: Sketch, title: str) -> MidiTrack:
    from mido import Message, MetaMessage, bpm2tempo

    head: list[MetaMessage | Message] = [
        MetaMessage("track_name", name=title),
        MetaMessage("set_tempo", tempo=bpm2tempo(sketch.tempo)),
    ]
    beats = sketch.beats_per_pattern
    if beats == int(beats) <= 255:
        head.append(MetaMessage("time_signature", numerator=int(beats), denominator=4))
    marks = [(_tick(mark.start_beats), MetaMessage("marker", text=mark.text)) for mark in sketch.marks]
    return _timed([*((0, message) for message in head), *marks], _tick(sketch.beats))


def _track(name: str, notes: list[NoteEvent], root: int | None, channel: int) -> MidiTrack:
    from mido import Message, MetaMessage

    events = [(0, 0, MetaMessage("track_name", name=name))]
    for note in notes:
        pitch = _within(_UNPITCHED_NOTE if root is None else root + note.semitones)
        start = _tick(note.start_beats)
        end = max(start + 1, _tick(note.start_beats + note.beats))
        events.append((start, 2, Message("note_on", note=pitch, velocity=_VELOCITY, channel=channel)))
        events.append((end, 1, Message("note_off", note=pitch, velocity=0, channel=channel)))
    events.sort(key=lambda event: event[:2])  # at one moment keys go up before they go down
    return _timed([(tick, message) for tick, _, message in events])


def _timed(events: list[tuple[int, object]], end: int = 0) -> MidiTrack:
    """Give each message the ticks since the one before it."""
    from mido import MetaMessage, MidiTrack

    track, at = MidiTrack(), 0
    for tick, message in events:
        track.append(message.copy(time=tick - at))  # type: ignore[attr-defined]
        at = tick
    track.append(MetaMessage("end_of_track", time=max(0, end - at)))
    return track


def _within(note: int) -> int:
    while note < 0:
        note += 12
    while note > 127:
        note -= 12
    return note


def _tick(beats: float) -> int:
    return round(beats * TICKS_PER_BEAT)
