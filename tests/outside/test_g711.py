"""Mu-law and A-law against ITU-T Recommendation G.711 (11/1988): decision values, decoder values, character signals.

Source of the columns: G.711, tables 1a and 1b (A-law), 2a and 2b (mu-law); from memory, and held against the worked
sequences of its tables 5 and 6, also from memory. Values are in the standard's own units: full load is 4096 (A-law, 13
bits) and 8159 (mu-law, 14 bits), which 16-bit samples hold eight and four times.
"""

import numpy as np
import pytest

from kitfold.pack.quantise import dequantise, quantise

# Columns 1 and 2 of tables 1a and 2a, read upwards: number of intervals and their size, segment by segment.
SEGMENTS = {
    "a-law": [(32, 2), (16, 4), (16, 8), (16, 16), (16, 32), (16, 64), (16, 128)],
    "mu-law": [(1, 1), (15, 2), (16, 4), (16, 8), (16, 16), (16, 32), (16, 64), (16, 128), (16, 256)],
}
# Column 3: the value at the end of each segment.
SEGMENT_ENDS = {
    "a-law": [64, 128, 256, 512, 1024, 2048, 4096],
    "mu-law": [1, 31, 95, 223, 479, 991, 2015, 4063, 8159],
}
UNIT = {"a-law": 8 / 32768, "mu-law": 4 / 32768}
LAWS = ["a-law", "mu-law"]


def decision_values(law):
    """Column 5: x_1 ... x_129, as x_0 = 0 and the upper end of each of the 128 intervals."""
    sizes = [size for intervals, size in SEGMENTS[law] for _ in range(intervals)]
    return np.concatenate([[0], np.cumsum(sizes)])


def decoder_values(law):
    """Columns 7 and 8: the middle of each interval; for mu-law the first is 0."""
    ends = decision_values(law)
    values = (ends[:-1] + ends[1:]) / 2
    if law == "mu-law":
        values[0] = 0
    return values


def character_signals(law, positive):
    """Column 6 for intervals 0 to 127, as sent: A-law with its even bits inverted, mu-law with all but the sign."""
    intervals = np.arange(128)
    if law == "a-law":
        return (intervals | (0x80 if positive else 0)) ^ 0x55
    return (0xFF if positive else 0x7F) - intervals


def code(law, values):
    return quantise(np.asarray(values) * UNIT[law], 8, law, zero_ends=False)


@pytest.mark.parametrize("law", LAWS)
def test_the_tables_here_add_up_to_the_standards_segment_ends(law):
    ends = np.cumsum([intervals for intervals, _ in SEGMENTS[law]])
    assert decision_values(law)[ends].tolist() == SEGMENT_ENDS[law]
    assert ends[-1] == 128


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("place", [0.001, 0.25, 0.5, 0.75, 0.999])
def test_every_value_between_two_decision_values_has_the_standards_code(law, sign, place):
    ends = decision_values(law)
    values = sign * (ends[:-1] + place * np.diff(ends))
    assert np.array_equal(code(law, values), character_signals(law, sign > 0))


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("law", LAWS)
def test_every_code_decodes_to_the_standards_value(law, sign):
    codes = character_signals(law, sign > 0).astype(np.uint8)
    assert np.array_equal(dequantise(codes, 8, law) / UNIT[law], sign * decoder_values(law))


@pytest.mark.parametrize("law", LAWS)
def test_a_decision_value_itself_takes_the_interval_further_from_zero_on_both_sides(law):
    # G.711 leaves it open; the choice is ours, and mirrored so that it adds no offset
    for sign in (1, -1):
        got = code(law, sign * decision_values(law)[1:-1])
        assert np.array_equal(got, character_signals(law, sign > 0)[1:])


@pytest.mark.parametrize("law", LAWS)
def test_what_lies_beyond_full_load_has_the_last_code(law):
    top = SEGMENT_ENDS[law][-1]
    assert code(law, [top * 1.0001, top * 9, -top * 1.0001, -top * 9]).tolist() == [
        *[character_signals(law, True)[-1]] * 2,
        *[character_signals(law, False)[-1]] * 2,
    ]


@pytest.mark.parametrize("law", LAWS)
def test_all_256_codes_survive_decoding_and_coding(law):
    codes = np.arange(256, dtype=np.uint8)
    back = quantise(dequantise(codes, 8, law), 8, law, zero_ends=False)
    same = back == codes
    same[0x7F] |= law == "mu-law"  # its negative zero decodes to 0, which is coded as the positive one
    assert same.all()


@pytest.mark.parametrize(
    ("law", "sequence", "overload_db"),
    [("a-law", "34 21 21 34 B4 A1 A1 B4", 3.14), ("mu-law", "1E 0B 0B 1E 9E 8B 8B 9E", 3.17)],
)
def test_the_standards_digital_milliwatt_is_a_1_khz_sine_at_0_dbm0(law, sequence, overload_db):
    # G.711, tables 5 and 6 (from memory): at 8 kHz these eight codes are 1 kHz at 0 dBm0; the theoretical load capacity
    # is +3.14 and +3.17 dBm0, so a sine of full load lies that much above
    values = dequantise(np.frombuffer(bytes.fromhex(sequence), np.uint8), 8, law) / UNIT[law]
    spectrum = np.abs(np.fft.rfft(values)) ** 2
    level_db = 10 * np.log10(np.mean(values**2) / (SEGMENT_ENDS[law][-1] ** 2 / 2))
    assert level_db == pytest.approx(-overload_db, abs=0.005)  # half of the last digit given
    assert spectrum[1] / spectrum.sum() > 0.999  # 1 kHz is the first line of eight samples at 8 kHz
    assert code(law, values).tolist() == list(bytes.fromhex(sequence))
