"""song.mid, read back by two readers of Standard MIDI Files: mido and pretty_midi."""

import io
import warnings

import mido
import pytest

from kitfold.pack.sketch_model import Mark, NoteEvent, Sketch
from kitfold.pack.song_midi import TICKS_PER_BEAT, song_midi

ROOTS = {"pad": 50, "pluck": 62, "hit": None}
NOTES = (
    NoteEvent("pad", "held", "one", "i", 0.0, 8.0, 0),
    NoteEvent("hit", "hit", "one", "i", 2.0, 0.25, 0),
    NoteEvent("pluck", "tones", "one", "i", 2.5, 0.5, 7),
    NoteEvent("pluck", "tones", "one", "i", 3.0, 1.0, 7),
    NoteEvent("pad", "held", "one", "VI", 8.0, 4.0, -4),
)
MARKS = (Mark("section", "one", 0.0), Mark("chord", "Dm", 0.0), Mark("chord", "Bb", 8.0))
SKETCH = Sketch(NOTES, MARKS, 12.0, 76.0, 4)


@pytest.fixture(scope="module")
def data():
    return song_midi(SKETCH, ROOTS, "Saltmarsh")


@pytest.fixture(scope="module")
def file(data):
    return mido.MidiFile(file=io.BytesIO(data))


def test_the_same_sketch_gives_the_same_bytes(data):
    assert song_midi(SKETCH, ROOTS, "Saltmarsh") == data


def test_there_is_a_track_for_the_clock_and_one_for_every_sound(file):
    assert file.type == 1
    assert [track.name for track in file.tracks] == ["Saltmarsh", "pad", "pluck", "hit"]
    channels = [{message.channel for message in track if not message.is_meta} for track in file.tracks[1:]]
    assert len(set().union(*channels)) == 3


def test_the_tempo_and_the_metre_are_the_songs(file):
    (tempo,) = [message.tempo for message in file.tracks[0] if message.type == "set_tempo"]
    assert mido.tempo2bpm(tempo) == pytest.approx(76, abs=76 / 789_000)  # whole microseconds a beat
    (metre,) = [message for message in file.tracks[0] if message.type == "time_signature"]
    assert (metre.numerator, metre.denominator) == (4, 4)


def test_markers_stand_where_sections_and_chords_begin(file):
    at, found = 0, []
    for message in file.tracks[0]:
        at += message.time
        if message.type == "marker":
            found.append((message.text, at / TICKS_PER_BEAT))
    assert found == [("one", 0.0), ("Dm", 0.0), ("Bb", 8.0)]
    assert at == 12 * TICKS_PER_BEAT  # and it ends where the sketch does


def test_another_reader_finds_every_note_at_its_time_pitch_and_length(data):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, of its dependencies
        import pretty_midi

        heard = pretty_midi.PrettyMIDI(io.BytesIO(data))
    beat_s = 60 / 76
    for instrument in heard.instruments:
        root = ROOTS[instrument.name]
        wanted = [
            (n.start_beats * beat_s, (n.start_beats + n.beats) * beat_s, 60 if root is None else root + n.semitones)
            for n in NOTES
            if n.sound == instrument.name
        ]
        found = [(note.start, note.end, note.pitch) for note in instrument.notes]
        assert len(found) == len(wanted)
        for one, other in zip(sorted(found), wanted, strict=True):
            assert one == pytest.approx(other, abs=beat_s / TICKS_PER_BEAT)  # one tick
    assert sum(len(instrument.notes) for instrument in heard.instruments) == len(NOTES)


def test_no_key_stays_down_and_none_goes_down_twice(file):
    for track in file.tracks:
        down = set()
        for message in track:
            if message.type == "note_on":
                assert message.note not in down
                down.add(message.note)
            elif message.type == "note_off":
                down.remove(message.note)
        assert not down


def test_notes_beyond_the_scale_move_by_octaves():
    notes = (NoteEvent("pad", "held", "one", "i", 0.0, 1.0, 5), NoteEvent("pad", "held", "one", "i", 1.0, 1.0, -127))
    file = mido.MidiFile(file=io.BytesIO(song_midi(Sketch(notes, (), 2.0, 60.0, 4), {"pad": 125}, "x")))
    assert [message.note for message in file.tracks[1] if message.type == "note_on"] == [130 - 12, -2 + 12]


def test_titles_in_any_script_and_odd_metres_are_written():
    title = 'Ebbe "Σ" <b>潮</b> 🌊'
    data = song_midi(Sketch(NOTES, MARKS, 12.0, 76.0, 3.5), ROOTS, title)
    file = mido.MidiFile(file=io.BytesIO(data), charset="utf-8")
    assert file.tracks[0].name == title
    assert not [message for message in file.tracks[0] if message.type == "time_signature"]
