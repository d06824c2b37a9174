"""The sample chunk: bytes against the published table, and read back by a reader that is not ours.

Source: IBM and Microsoft, "New Multimedia Data Types and Data Techniques", revision 3.0, 1994, "Sample Chunk"; the
reader is wavinfo (MIT licence), which knows nothing of kitfold.
"""

import io
import struct

import numpy as np
import pytest
from wavinfo import WavInfoReader

from kitfold.pack.chunks import smpl_chunk
from kitfold.pack.quantise import quantise
from kitfold.pack.wav import Stored, device_file

# The table's fields in its order, each a DWORD, for 44100 Hz, D3 and 50 cents, a loop of frames 1000 to 1999.
TABLE = (
    ("dwManufacturer", 0),
    ("dwProduct", 0),
    ("dwSamplePeriod", 22676),  # 1e9 / 44100 nanoseconds: 22675.7
    ("dwMIDIUnityNote", 50),
    ("dwMIDIPitchFraction", 0x80000000),  # "a value of 0x80000000 means 1/2 semitone (50 cents)"
    ("dwSMPTEFormat", 0),
    ("dwSMPTEOffset", 0),
    ("cSampleLoops", 1),
    ("cbSamplerData", 0),
    ("dwIdentifier", 0),
    ("dwType", 0),  # loop forward
    ("dwStart", 1000),
    ("dwEnd", 1999),  # "the last sample to be played"
    ("dwFraction", 0),
    ("dwPlayCount", 0),  # infinite
)


def read_back(rate_hz, midi, loop, frames=3000):
    stored = Stored(quantise(np.zeros((frames, 1)), 16, "signed", zero_ends=False), rate_hz, 16, "signed")
    file = io.BytesIO(device_file("pad.wav", stored, [smpl_chunk(rate_hz, midi, loop)]))
    file.name = "pad.wav"
    return WavInfoReader(file).smpl


def test_the_chunk_is_the_published_table():
    name, data = smpl_chunk(44100, 50.5, (1000, 2000))
    assert name == b"smpl"
    assert data == struct.pack("<15I", *(value for _, value in TABLE))


def test_another_reader_finds_the_note_and_the_loop():
    found = read_back(24000, 57.25, (700, 2999))
    assert (found.midi_note, found.midi_pitch_detune_cents) == (57, 0x40000000)  # a quarter of a semitone, as stored
    assert found.sample_period_ns == 41667
    (loop,) = found.sample_loops
    assert (loop.loop_type, loop.start, loop.end, loop.repetition_count) == (0, 700, 2998, 0)


def test_without_a_loop_none_is_found_and_without_a_root_it_lies_on_middle_c():
    found = read_back(44100, None, None)
    assert found.sample_loops == []
    assert (found.midi_note, found.midi_pitch_detune_cents) == (60, 0)


@pytest.mark.parametrize(
    ("midi", "note", "fraction"),
    [
        (60.0, 60, 0),
        (59.99, 59, round(0.99 * 2**32)),  # a little flat counts up from the note below
        (60 - 2**-40, 60, 0),  # rounds up to the next note, and doesn't overflow the fraction
        (-3.0, 0, 0),
        (140.0, 127, 0xFFFFFFFF),
    ],
)
def test_the_fraction_counts_up_from_the_unity_note(midi, note, fraction):
    _, data = smpl_chunk(44100, midi, None)
    assert struct.unpack("<9I", data)[3] == note
    assert abs(struct.unpack("<9I", data)[4] - fraction) <= 16  # doubles of 60 end 2^-15 of these units down
