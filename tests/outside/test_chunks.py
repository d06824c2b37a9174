"""Instrument, cue, label, INFO and broadcast chunks: bytes against the published tables.

Sources: Microsoft, "New Multimedia Data Types and Data Techniques", revision 3.0, 1994, "Instrument Chunk"; IBM and
Microsoft, "Multimedia Programming Interface and Data Specifications 1.0", 1991, "Cue-Points Chunk", "Associated Data
Chunk", "INFO List Chunk"; EBU Tech 3285, version 2.0, 2011, "Broadcast Audio Extension chunk" (fields and sizes; the
rounding and the value for unknown from memory).
"""

import math
import struct

import pytest

from kitfold.pack.bext import UNKNOWN, Loudness, bext_chunk, hundredths
from kitfold.pack.chunks import Mark, cue_chunks, info_chunk, inst_chunk

# The table's fields in its order, each with its type: 25 cents sharp of D3 is set straight by -25.
INSTRUMENT = (
    ("bUnshiftedNote", "B", 50),
    ("chFineTune", "b", -25),  # "pitch shift adjustment in cents needed to hit bUnshiftedNote value exactly"
    ("chGain", "b", 0),  # dB
    ("bLowNote", "B", 45),
    ("bHighNote", "B", 55),
    ("bLowVelocity", "B", 1),
    ("bHighVelocity", "B", 127),
)
BROADCAST = (
    ("Description", 256),
    ("Originator", 32),
    ("OriginatorReference", 32),
    ("OriginationDate", 10),
    ("OriginationTime", 8),
    ("TimeReferenceLow", 4),
    ("TimeReferenceHigh", 4),
    ("Version", 2),
    ("UMID", 64),
    ("LoudnessValue", 2),
    ("LoudnessRange", 2),
    ("MaxTruePeakLevel", 2),
    ("MaxMomentaryLoudness", 2),
    ("MaxShortTermLoudness", 2),
    ("Reserved", 180),
    ("CodingHistory", None),
)


def fields(data):
    """Cut a broadcast chunk along the published table."""
    found, place = {}, 0
    for name, size in BROADCAST:
        end = len(data) if size is None else place + size
        found[name] = data[place:end]
        place = end
    return found


def test_the_instrument_chunk_is_the_published_table():
    name, data = inst_chunk(50.25, (45, 55))
    assert name == b"inst"
    assert data == struct.pack("<" + "".join(kind for _, kind, _ in INSTRUMENT), *(value for *_, value in INSTRUMENT))


@pytest.mark.parametrize(
    ("midi", "note", "fine_tune"),
    [
        (69.0, 69, 0),
        (69.3, 69, -30),
        (68.7, 69, 30),
        (60.499, 60, -50),  # the table's ends are -50 and 50
        (59.501, 60, 50),
        (None, 60, 0),  # no root: middle C, as the sample chunk says
        (-4.0, 0, 0),
        (140.0, 127, 0),
    ],
)
def test_the_fine_tune_is_what_sets_the_nearest_note_straight(midi, note, fine_tune):
    _, data = inst_chunk(midi)
    assert struct.unpack("<Bb", data[:2]) == (note, fine_tune)
    assert struct.unpack("<BB", data[3:5]) == (0, 127)


def test_keys_beyond_the_keyboard_are_its_ends():
    _, data = inst_chunk(2, (-3, 130))
    assert tuple(data[3:5]) == (0, 127)


def test_cue_points_and_their_labels_are_the_published_tables():
    cue, labels = cue_chunks([Mark(100, "peak"), Mark(899, "loop end")])
    point = "<II4sIII"  # dwName, dwPosition, fccChunk, dwChunkStart, dwBlockStart, dwSampleOffset
    points = [struct.pack(point, 1, 100, b"data", 0, 0, 100), struct.pack(point, 2, 899, b"data", 0, 0, 899)]
    assert cue == (b"cue ", struct.pack("<I", 2) + b"".join(points))
    first = b"labl" + struct.pack("<II", 9, 1) + b"peak\0" + b"\0"  # 4 bytes name, 5 text; padded, the pad not counted
    second = b"labl" + struct.pack("<II", 13, 2) + b"loop end\0" + b"\0"
    assert labels == (b"LIST", b"adtl" + first + second)


def test_where_nothing_is_marked_there_is_no_cue_chunk():
    assert cue_chunks([]) == []


def test_info_texts_end_in_zero_and_are_padded_and_empty_ones_are_left_out():
    name, data = info_chunk({"INAM": "pad", "IART": "", "ICMT": "a\nb"})
    assert name == b"LIST"
    assert data == b"INFO" + b"INAM" + struct.pack("<I", 4) + b"pad\0" + b"ICMT" + struct.pack("<I", 4) + b"a b\0"


def test_the_broadcast_chunk_is_the_published_table():
    loudness = Loudness(-22.64, 3.5, -1.0, -20.5, -21.25)
    name, data = bext_chunk("a pad", "Ann", "kit-1.0.0", loudness, "A=PCM\r\n")
    assert name == b"bext"
    found = fields(data)
    assert found["Description"] == b"a pad".ljust(256, b"\0")
    assert found["Originator"] == b"Ann".ljust(32, b"\0")
    assert found["OriginatorReference"] == b"kit-1.0.0".ljust(32, b"\0")
    for empty in ("OriginationDate", "OriginationTime", "TimeReferenceLow", "TimeReferenceHigh", "UMID", "Reserved"):
        assert not any(found[empty]), empty
    assert found["Version"] == b"\x02\x00"
    # 100 times the value, signed, lowest byte first: -2264 is F728 in two's complement
    assert found["LoudnessValue"] == b"\x28\xf7"
    assert found["LoudnessRange"] == struct.pack("<h", 350)
    assert found["MaxTruePeakLevel"] == struct.pack("<h", -100)
    assert found["MaxMomentaryLoudness"] == struct.pack("<h", -2050)
    assert found["MaxShortTermLoudness"] == struct.pack("<h", -2125)
    assert found["CodingHistory"] == b"A=PCM\r\n"
    assert len(data) == 602 + 7


@pytest.mark.parametrize(
    ("value", "stored"),
    [
        (-22.644, -2264),
        (-22.645, -2265),
        (-22.646, -2265),
        (0.0, 0),
        (1.005, 101),
        (99.99, 9999),
        (-99.99, -9999),
        (-100.0, UNKNOWN),  # outside the field's range
        (-math.inf, UNKNOWN),
        (math.nan, UNKNOWN),
        (None, 0x7FFF),
    ],
)
def test_a_loudness_field_is_a_hundred_times_the_value_rounded_and_7fff_where_unknown(value, stored):
    assert hundredths(value) == stored


def test_what_is_not_known_is_7fff_in_every_loudness_field():
    _, data = bext_chunk("", "", "", Loudness())
    names = [name for name, size in BROADCAST if size == 2 and name != "Version"]
    assert [fields(data)[name] for name in names] == [b"\xff\x7f"] * 5


def test_texts_of_the_broadcast_chunk_are_plain_ascii_and_cut_to_their_fields():
    _, data = bext_chunk("ä" * 300, "Jürgen Ōe " + "x" * 40, "ß\n1", Loudness())
    assert fields(data)["Description"] == b"a" * 256  # a full field has no zero behind it
    assert fields(data)["Originator"] == b"Jurgen Oe " + b"x" * 22
    assert fields(data)["OriginatorReference"] == b"ss 1".ljust(32, b"\0")
    assert len(data) == 602
