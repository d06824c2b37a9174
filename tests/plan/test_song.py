"""Songs: how long each chord is held and which way a sound is moved to it."""

import pytest

from kitfold.errors import PlanError
from kitfold.plan.load import load_plan
from kitfold.plan.song import shortest_move


def song(kit_folder, chords, head=None, beats=4, **section):
    sections = [{"name": "shore", "chords": chords, **section}]
    kit = kit_folder.kit(head=head, song={"beats_per_pattern": beats, "section": sections})
    return load_plan(kit).song


# Semitones by the clock of twelve: to the fifth a fourth down is nearer (5 < 7); the tritone is as far both ways.
@pytest.mark.parametrize(
    ("from_class", "to_class", "move"),
    [
        (2, 2, 0),
        (2, 9, -5),
        (2, 7, 5),
        (2, 10, -4),
        (2, 0, -2),
        (2, 8, -6),
        (8, 2, -6),
        (0, 6, -6),
        (11, 0, 1),
        (0, 11, -1),
    ],
)
def test_the_shortest_way_is_taken_and_a_tie_goes_down(from_class, to_class, move):
    assert shortest_move(from_class, to_class) == move


def test_no_way_is_longer_than_a_tritone_and_all_arrive():
    for start in range(12):
        for end in range(12):
            move = shortest_move(start, end)
            assert -6 <= move <= 5
            assert (start + move) % 12 == end


def test_a_hyphen_holds_the_chord_before_it(kit_folder):
    (section,) = song(kit_folder, ["i", "-", "-", "VI", "v", "-"]).sections
    assert [(one.chord.text, one.pattern, one.patterns) for one in section.triggers] == [
        ("i", 0, 3), ("VI", 3, 1), ("v", 4, 2)
    ]  # fmt: skip
    assert section.patterns == 6  # the last chord lasts to the section's end: 4 + 2


def test_the_same_chord_written_twice_is_triggered_twice(kit_folder):
    (section,) = song(kit_folder, ["i", "i"]).sections
    assert [one.patterns for one in section.triggers] == [1, 1]


def test_a_leading_hyphen_is_an_error(kit_folder):
    with pytest.raises(PlanError, match=r"song.section\[1\] \(shore\).chords\[1\] is '-'.*starts afresh"):
        song(kit_folder, ["-", "i"])


def test_a_pattern_lasts_its_beats_at_the_tempo(kit_folder):
    # 4 beats at 76 beats a minute: 4 * 60 / 76 = 3.1579 s; two patterns twice that
    assert song(kit_folder, ["i"], {"tempo": 76}).held_s(1) == pytest.approx(240 / 76, rel=1e-12)
    assert song(kit_folder, ["i"], {"tempo": 76}).held_s(2) == pytest.approx(6.315789, abs=1e-6)
    assert song(kit_folder, ["i"], {"tempo": 120}, beats=3).held_s(1) == 1.5


def test_holds_are_proven_at_the_slowest_tempo(kit_folder):
    # 4 beats at 60 beats a minute last 4 s, although the song is played at 120
    slow = song(kit_folder, ["i"], {"tempo": 120, "tempo_slowest": 60})
    assert (slow.held_s(1), slow.tempo, slow.tempo_slowest) == (4.0, 120, 60)


def test_the_slowest_tempo_is_not_above_the_tempo(kit_folder):
    with pytest.raises(PlanError, match=r"tempo_slowest \(130\) must not be above tempo \(120\)"):
        song(kit_folder, ["i"], {"tempo": 120, "tempo_slowest": 130})


def test_silent_and_shift_stand_in_their_section(kit_folder):
    sounds = [{"name": "pad", "source": "pad.wav", "plays": "chords"}, {"name": "hit", "source": "hit.wav"}]
    section = {"name": "shore", "chords": ["i"], "silent": ["hit"], "shift": {"pad": -12}}
    (section,) = load_plan(kit_folder.kit(sounds=sounds, song={"section": [section]})).song.sections
    assert section.silent == {"hit"}
    assert dict(section.shift) == {"pad": -12}


@pytest.mark.parametrize(("key", "value"), [("silent", ["pda"]), ("shift", {"pda": 1})])
def test_silent_and_shift_name_sounds_of_the_kit(kit_folder, key, value):
    with pytest.raises(
        PlanError, match=rf"\.{key} names no sound of the kit \(got 'pda'\)\n  hint: did you mean 'pad'"
    ):
        song(kit_folder, ["i"], **{key: value})


def test_degrees_may_be_numbers(kit_folder):
    (section,) = song(kit_folder, [1, "-", 4, "6"]).sections
    assert [one.chord.root for one in section.triggers] == [2, 7, 10]  # D minor: D, G, B flat (common practice)


def test_two_sections_of_one_name_are_an_error(kit_folder):
    sections = [{"name": "shore", "chords": ["i"]}, {"name": "shore", "chords": ["i"]}]
    with pytest.raises(PlanError, match="2 sections named 'shore'"):
        load_plan(kit_folder.kit(song={"section": sections}))


def test_every_chord_that_cannot_be_read_is_reported(kit_folder):
    with pytest.raises(PlanError) as error:
        song(kit_folder, ["i", "Hm", "9"])
    assert [mistake.where.rpartition(".")[2] for mistake in error.value.mistakes] == ["chords[2]", "chords[3]"]
