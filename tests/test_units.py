"""Units, against tables from outside: equal temperament from A4 = 440 Hz (ISO 16), decibels, scientific pitch names."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.units import (
    cents_between,
    cents_to_ratio,
    db_to_gain,
    frames_to_seconds,
    gain_to_db,
    hz_to_midi,
    midi_to_hz,
    note_name,
    parse_note,
    parse_pitch_class,
    power_to_db,
    seconds_to_frames,
    semitones_to_ratio,
)

# Equal temperament from ISO 16's A4 = 440 Hz, as any handbook of acoustics prints it (common practice): name, MIDI, Hz.
TEMPERED = [
    ("C-1", 0, 8.1758), ("A0", 21, 27.5000), ("C1", 24, 32.7032), ("E2", 40, 82.4069), ("A2", 45, 110.0000),
    ("D3", 50, 146.8324), ("G3", 55, 195.9977), ("C4", 60, 261.6256), ("C#4", 61, 277.1826), ("D4", 62, 293.6648),
    ("D#4", 63, 311.1270), ("E4", 64, 329.6276), ("F4", 65, 349.2282), ("F#4", 66, 369.9944), ("G4", 67, 391.9954),
    ("G#4", 68, 415.3047), ("A4", 69, 440.0000), ("A#4", 70, 466.1638), ("B4", 71, 493.8833), ("C8", 108, 4186.0090),
    ("G9", 127, 12543.8540),
]  # fmt: skip


@pytest.mark.parametrize(("name", "midi", "hz"), TEMPERED)
def test_notes_have_the_frequencies_of_the_tempered_scale(name, midi, hz):
    assert midi_to_hz(midi) == pytest.approx(hz, abs=5.1e-5)  # half a unit of the table's last place
    assert hz_to_midi(hz) == pytest.approx(midi, abs=1.1e-4)  # 5e-5 Hz in 8.18 Hz is 1.06e-4 semitones
    assert parse_note(name) == midi
    assert note_name(midi) == name


def test_another_tuning_reference_moves_every_note_by_its_ratio():
    assert midi_to_hz(69, 442) == 442.0
    assert midi_to_hz(60, 415) / midi_to_hz(60) == pytest.approx(415 / 440, rel=1e-15)
    assert hz_to_midi(415, 415) == 69.0


@pytest.mark.parametrize(
    ("written", "midi"), [("Cb4", 59), ("B#3", 60), ("E#4", 65), ("Fb4", 64), ("Gbb4", 65), ("F##4", 67), ("D♭4", 61)]
)
def test_an_accidental_moves_the_natural_of_its_own_octave(written, midi):
    assert parse_note(written) == midi  # scientific pitch notation: the octave belongs to the letter (common practice)


@pytest.mark.parametrize("middle_c", ["C4", "C3"])
@pytest.mark.parametrize("flats", [False, True])
def test_every_midi_note_is_read_back_from_its_name(middle_c, flats):
    assert [parse_note(note_name(midi, middle_c, flats), middle_c) for midi in range(128)] == list(range(128))


def test_middle_c_may_be_called_c3():
    assert parse_note("C3", "C3") == 60
    assert note_name(69, "C3") == "A3"


@pytest.mark.parametrize(("text", "pitch_class"), [("C", 0), ("F#", 6), ("Bb", 10), ("B♭", 10), ("Cb", 11), ("d", 2)])
def test_pitch_classes_are_read(text, pitch_class):
    assert parse_pitch_class(text) == pitch_class


@pytest.mark.parametrize("text", ["", "H", "D", "D#b3", "3D", "D 3", "D3x", "D333", "b3b", "None", "D３"])
def test_what_is_no_note_is_refused_with_an_example(text):
    with pytest.raises(ValueError, match="a note is written like D3"):
        parse_note(text)


@pytest.mark.parametrize("text", ["G#9", "C-2", "A10"])
def test_notes_outside_midi_are_refused(text):
    with pytest.raises(ValueError, match="MIDI 0 to 127"):
        parse_note(text)


def test_a_pitch_class_has_no_octave():
    with pytest.raises(ValueError, match="a pitch class has none"):
        parse_pitch_class("D3")


# Amplitude ratios of round decibels, from the definition 20 log10 (ISO 80000-8); four places as in any table.
@pytest.mark.parametrize(("db", "gain"), [(0, 1.0), (-6, 0.5012), (6, 1.9953), (-20, 0.1), (-60, 0.001), (3, 1.4125)])
def test_decibels_are_twenty_times_the_logarithm(db, gain):
    assert db_to_gain(db) == pytest.approx(gain, abs=5.1e-5)  # half a unit of the last place
    assert gain_to_db(db_to_gain(db)) == pytest.approx(db, abs=1e-12)
    assert power_to_db(db_to_gain(db) ** 2) == pytest.approx(db, abs=1e-12)


def test_nothing_is_minus_infinity_decibels():
    assert gain_to_db(0) == power_to_db(0) == -math.inf
    assert db_to_gain(-math.inf) == 0


def test_intervals_have_their_ratios():
    assert semitones_to_ratio(12) == cents_to_ratio(1200) == 2.0
    assert semitones_to_ratio(-24) == 0.25
    # A just fifth is 701.955 cents (Helmholtz/Ellis, "On the Sensations of Tone", appendix on intervals).
    assert cents_between(200, 300) == pytest.approx(701.955, abs=5e-4)
    # The syntonic comma, 81/80, is 21.506 cents (the same table).
    assert cents_between(80, 81) == pytest.approx(21.506, abs=5e-4)


@given(st.integers(0, 10**9), st.integers(4000, 192_000))
def test_frames_survive_seconds(frames, rate_hz):
    assert seconds_to_frames(frames_to_seconds(frames, rate_hz), rate_hz) == frames


def test_half_a_frame_counts_up():
    assert [seconds_to_frames(half / 2, 1) for half in (1, 2, 3, 5)] == [1, 1, 2, 3]


@given(st.floats(-12_000, 12_000))
def test_cents_survive_a_ratio(cents):
    assert cents_between(1.0, cents_to_ratio(cents)) == pytest.approx(cents, abs=1e-9)  # float64 at 2^10
