"""The root finder against published figures about how strings, bars, bells and the ear work."""

import numpy as np
import pytest

from kitfold.measure.root import find_root
from kitfold.sound import Sound
from kitfold.units import cents_between

RATE_HZ = 44100
GROSS_CENTS = 50.0  # the right note; a semitone is 100


def partials(hz, gains_db, seconds=1.5, decay=1.0):
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    lines = [(f, 10 ** (g / 20)) for f, g in zip(hz, gains_db, strict=True) if f < 20000]
    total = sum(gain * np.exp(-decay * time) * np.cos(2 * np.pi * f * time + i) for i, (f, gain) in enumerate(lines))
    return Sound(0.2 * total * np.minimum(1, time / 0.003), RATE_HZ)


# ISO 16:1975 sets A4 to 440 Hz; the others follow by equal temperament, as printed to two decimals in any handbook's
# table (e.g. Rossing, Moore and Wheeler, The Science of Sound, 3rd ed., table 9.2; values from memory).
EQUAL_TEMPERAMENT_HZ = {"A1": 55.0, "C2": 65.41, "E2": 82.41, "G3": 196.0, "C4": 261.63, "F#4": 369.99, "A4": 440.0,
                        "D5": 587.33, "B5": 987.77, "C7": 2093.0}  # fmt: skip


@pytest.mark.parametrize(("note", "hz"), EQUAL_TEMPERAMENT_HZ.items())
def test_notes_of_equal_temperament_are_named(note, hz):
    root = find_root(partials(hz * np.arange(1, 9), -6.0 * np.arange(8)))
    assert (root.pitched, root.note) == (True, note)
    assert abs(root.cents) < 0.5  # the table's two decimals are 0.15 cents at C2; the rest is ours


# H. Fletcher, "Normal vibration frequencies of a stiff piano string", JASA 36, 1964: f_n = n F sqrt(1 + B n²), with B
# of some 1e-4 in the bass to 1e-2 in the treble (from memory).
@pytest.mark.parametrize(
    ("hz", "stiffness"), [(41.2, 2e-4), (65.4, 1.5e-4), (220.0, 5e-4), (523.3, 1.8e-3), (1046.5, 6e-3)]
)
def test_stretched_strings_are_read_by_their_first_partial(hz, stiffness):
    number = np.arange(1, 17)
    string = hz * number * np.sqrt((1 + stiffness * number**2) / (1 + stiffness))
    root = find_root(partials(string, -4.0 * np.arange(16)))
    assert root.pitched
    assert abs(cents_between(hz, root.hz)) < 2.5  # the worst that we allow on exactly known pitch
    if len(string[string < 12000]) >= 8:
        assert root.inharmonicity == pytest.approx(stiffness, rel=0.25)  # the partials' own scatter under the windows


# Fletcher and Rossing, The Physics of Musical Instruments, 2nd ed.: free bars 1 : 2.756 : 5.404 : 8.933 (section 2.15),
# xylophone bars tuned to 1 : 3, marimba and vibraphone bars to 1 : 4 (section 19).
@pytest.mark.parametrize("ratios", [(1, 2.756, 5.404, 8.933), (1, 3.0, 6.1), (1, 4.0, 9.2)], ids=["free", "1:3", "1:4"])
@pytest.mark.parametrize("hz", [262.0, 523.0, 1047.0])
@pytest.mark.parametrize("first_db", [0.0, -8.0])
def test_bars_sound_their_lowest_mode(ratios, hz, first_db):
    root = find_root(partials(hz * np.array(ratios), [first_db, -3, -9, -15][: len(ratios)], decay=3.0))
    assert root.pitched
    assert abs(cents_between(hz, root.hz)) < GROSS_CENTS


# Same, section 21.3: hum, prime, tierce, quint and nominal at 0.5 : 1 : 1.2 : 1.5 : 2 of the strike note, then 2.5,
# 2.67, 3 and 4; the strike note is heard at half the nominal, whichever partial is strongest.
@pytest.mark.parametrize("hz", [220.0, 330.0, 466.0, 660.0])
@pytest.mark.parametrize("strongest", ["hum", "tierce", "nominal"])
def test_a_church_bell_sounds_its_strike_note(hz, strongest):
    names = ["hum", "prime", "tierce", "quint", "nominal", "deciem", "undeciem", "duodeciem", "octave nominal"]
    ratios = np.array([0.5, 1.0, 1.2, 1.5, 2.0, 2.5, 2.67, 3.0, 4.0])
    gains_db = np.array([-6.0, -6, -4, -14, -2, -12, -14, -8, -12])
    gains_db[names.index(strongest)] = 0.0
    root = find_root(partials(hz * ratios, gains_db))
    assert abs(cents_between(hz, root.hz)) < GROSS_CENTS


# Same, section 19.8: a tubular bell's fourth to sixth modes lie near 2 : 3 : 4, and its strike note an octave under the
# fourth, where it has no mode.
@pytest.mark.parametrize("hz", [262.0, 349.0, 523.0])
def test_a_tubular_bell_sounds_an_octave_under_its_fourth_mode(hz):
    root = find_root(partials(hz * np.array([0.617, 1.21, 2.0, 2.99, 4.0, 5.2]), [-20, -17, -9, -1, 0, -7]))
    assert abs(cents_between(hz, root.hz)) < GROSS_CENTS


# Schouten, "The residue, a new component in subjective sound analysis", 1940; Plomp, "Pitch of complex tones", 1967:
# harmonics without their fundamental have the fundamental's pitch.
@pytest.mark.parametrize("numbers", [range(2, 12), range(3, 12), range(4, 14)], ids=["from 2", "from 3", "from 4"])
@pytest.mark.parametrize("hz", [110.0, 200.0])
def test_a_missing_fundamental_is_heard(numbers, hz):
    root = find_root(partials(hz * np.array(numbers), np.zeros(len(numbers)), decay=0.0))
    assert root.pitched
    assert abs(cents_between(hz, root.hz)) < 0.5  # exact harmonics
