"""The arrangement: what plays when, by the song; written down by hand from the rules in INTERFACE's `plays`."""

import math
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest

from kitfold.pack.room import leave_room, let_ring
from kitfold.pack.sketch import LONGEST_S, sketched
from kitfold.pack.sketch_model import Player, role_of
from kitfold.plan.chord import parse_chord
from kitfold.plan.key import parse_key
from kitfold.plan.song import Section, Song, Trigger

D_MINOR = parse_key("D minor")
PAD = Player("pad", "chords", 2, 6.0, moves=(-12, 12))
SWELL = Player("swell", "fixed", 2, 4.2, lead_s=4.0)
DRONE = Player("drone", "fixed", 2, 3.0)
PLUCK = Player("pluck", "tones", 2, 0.5, moves=(-12, 12))
BELL = Player("bell", (0,), 9, 2.0, moves=(-12, 12))
HIT = Player("hit", "fixed", None, 0.2)
KIT = (PAD, SWELL, DRONE, PLUCK, BELL, HIT)


def section(name, chords, silent=(), shift=None):
    triggers = []
    for place, text in enumerate(chords.split()):
        if text == "-":
            triggers[-1] = replace(triggers[-1], patterns=triggers[-1].patterns + 1)
        else:
            triggers.append(Trigger(parse_chord(text, D_MINOR), place, 1))
    return Section(name, tuple(triggers), len(chords.split()), frozenset(silent), shift or {})


SONG = Song(
    (
        section("ebb", "i - v VI", silent=["bell"]),
        section("dusk", "Bb - F C Gm Dm Am -", silent=["pluck"], shift={"bell": 7}),
    ),
    4,
    60.0,
    60.0,
)


@pytest.fixture(scope="module")
def sketch():
    return sketched(SONG, D_MINOR, KIT)


def of(sketch, name):
    return [note for note in sketch.notes if note.sound == name]


def test_the_same_song_gives_the_same_notes(sketch):
    assert sketched(SONG, D_MINOR, KIT) == sketch


def test_a_held_sound_plays_every_chord_until_the_next_by_the_shortest_way(sketch):
    # D to Am: five down and not seven up; to Bb four down; to F three up; to C two down; to Gm five up
    wanted = [
        (0, 8, 0), (8, 4, -5), (12, 4, -4), (16, 8, -4), (24, 4, 3), (28, 4, -2), (32, 4, 5), (36, 4, 0), (40, 8, -5)
    ]  # fmt: skip
    assert [(note.start_beats, note.beats, note.semitones) for note in of(sketch, "pad")] == wanted


def test_a_shift_moves_a_sound_in_its_section(sketch):
    # from A: Bb is one up, and seven more
    assert of(sketch, "bell")[0].semitones == 1 + 7


def test_sounds_rest_where_the_song_silences_them(sketch):
    assert {note.section for note in of(sketch, "bell")} == {"dusk"}
    assert {note.section for note in of(sketch, "pluck")} == {"ebb"}


def test_a_swell_peaks_where_the_next_section_begins(sketch):
    # four seconds at 60 beats a minute before beat 16; nothing follows the last section
    assert [note.start_beats for note in of(sketch, "swell")] == [12.0]


def test_a_swell_of_a_song_of_one_section_peaks_on_its_last_chord():
    song = replace(SONG, sections=SONG.sections[1:])
    assert [note.start_beats for note in of(sketched(song, D_MINOR, KIT), "swell")] == [24 - 4]


def test_a_long_fixed_sound_lies_under_chords_that_hold_its_note(sketch):
    chords = {note.chord for note in of(sketch, "drone")}
    assert chords
    assert chords <= {"i", "VI", "Bb", "Gm", "Dm"}  # those with D in them: D F A, Bb D F, G Bb D


def test_tones_walk_up_the_chord_and_down_again():
    song = replace(SONG, sections=(section("only", "i - - -"),))
    moves = [note.semitones for note in of(sketched(song, D_MINOR, (PLUCK,)), "pluck")]
    assert moves[:8] == [0, 3, 7, 12, 7, 3, 0, 3]


def test_what_rings_longer_plays_less_often():
    song = replace(SONG, sections=(section("only", "i - - -"),))
    counts = [len(sketched(song, D_MINOR, (replace(PLUCK, lasts_s=s),)).notes) for s in (0.3, 2.0, 4.0)]
    assert counts == [16, 8, 4]


def test_what_is_fixed_or_has_no_root_is_never_moved(sketch):
    for name in ("swell", "drone", "hit"):
        assert {note.semitones for note in of(sketch, name)} == {0}
    lost = sketched(SONG, D_MINOR, (replace(PAD, pitch_class=None),))
    assert {note.semitones for note in lost.notes} == {0}


def test_marks_say_where_sections_and_chords_begin(sketch):
    marks = [(mark.kind, mark.text, mark.start_beats) for mark in sketch.marks]
    assert marks[:4] == [("section", "ebb", 0), ("chord", "Dm", 0), ("chord", "Am", 8), ("chord", "Bb", 12)]
    assert ("section", "dusk", 16) in marks
    assert sketch.beats == 48


@pytest.mark.parametrize("beats", [0.5, 3, 5, 7.5, 16])
def test_no_note_leaves_its_pattern_whatever_the_metre(beats):
    sketch = sketched(replace(SONG, beats_per_pattern=beats), D_MINOR, KIT)
    assert {note.sound for note in sketch.notes} == {player.name for player in KIT}
    assert all(0 <= note.start_beats < sketch.beats for note in sketch.notes)
    dusk = 4 * beats
    assert all((note.section == "dusk") == (note.start_beats >= dusk) for note in sketch.notes)


def test_a_kit_without_a_song_gets_a_plain_one_within_the_devices_reach():
    players = [replace(player, moves=(0, 4)) for player in KIT]
    sketch = sketched(replace(SONG, sections=()), D_MINOR, players)
    assert {note.sound for note in sketch.notes} == {player.name for player in KIT}
    assert {note.chord for note in sketch.notes} == {"i"}
    assert {note.semitones for note in sketch.notes} <= {0, 3}
    assert {note.semitones for note in of(sketch, "pad")} == {0}


def test_a_long_song_is_cut_between_two_patterns():
    song = replace(SONG, sections=tuple(section(f"s{n}", "i v VI iv") for n in range(40)))
    sketch = sketched(song, D_MINOR, KIT)
    assert sketch.seconds(sketch.beats) == LONGEST_S  # 30 patterns of four beats at 60 beats a minute
    assert max(note.start_beats for note in sketch.notes) < sketch.beats
    assert max(mark.start_beats for mark in sketch.marks) < sketch.beats


# ----------------------------------------------------------------------------------------------------------------- room


def rings(note):
    """Each sound is one slot that rings on, and a held one is cut by its next chord."""
    lasts = {player.name: player.lasts_s for player in KIT}[note.sound]
    return note.sound, note.beats if role_of(PAD) == note.role else lasts


def most_at_once(notes):
    """Count the sounds that ring at any note's start: another note of the same sound replaces it."""
    most = 0
    for now in {note.start_beats for note in notes}:
        last = {note.sound: note for note in notes if note.start_beats <= now}
        most = max(most, sum(note.start_beats + rings(note)[1] > now for note in last.values()))
    return most


@pytest.mark.parametrize("voices", [2, 3, 4])
def test_no_more_sounds_ring_than_there_are_voices(sketch, voices):
    thin = leave_room(sketch, voices, rings)
    firsts = {note.sound: note for note in reversed(sketch.notes)}
    thinned = [note for note in thin.notes if Counter(n.sound for n in thin.notes)[note.sound] > 1 or
               note is not firsts[note.sound]]  # fmt: skip
    assert most_at_once(sketch.notes) > voices or voices == 4
    assert most_at_once(thinned) <= voices


@pytest.mark.parametrize("voices", [1, 2, 3, 8])
def test_every_sound_is_heard_and_every_chord_is_held_whatever_the_voices(sketch, voices):
    thin = leave_room(sketch, voices, rings)
    assert {note.sound for note in thin.notes} == {player.name for player in KIT}
    assert of(thin, "pad") == of(sketch, "pad")
    assert list(thin.notes) == [note for note in sketch.notes if note in thin.notes]  # in order, nothing new


def test_no_sound_starves_where_voices_are_few():
    # two that play on the same beats and one voice: each gets some of them
    song = replace(SONG, sections=(section("only", "i v i v"),))
    twins = [replace(BELL, name=name, lasts_s=4.0) for name in ("one", "two", "three", "four", "five")]
    thin = leave_room(sketched(song, D_MINOR, twins), 1, lambda note: (note.sound, 4.0))
    counts = Counter(note.sound for note in thin.notes)
    assert set(counts) == {twin.name for twin in twins}
    assert max(counts.values()) <= 2


def test_what_may_play_anywhere_leaves_room_where_another_must():
    # the rare one rests in the second section, so that its three places all lie in the first; three others play
    # throughout, and none of them shares two voices with it and the pad
    first, second = section("one", "i v i v"), section("two", "i v i v i v i v", silent=["rare"])
    names = ("rare", "often", "always", "ever")
    players = [PAD, *(replace(BELL, name=name, lasts_s=3.0 - place / 2) for place, name in enumerate(names))]
    lasts = {player.name: player.lasts_s for player in players}
    whole = sketched(replace(SONG, sections=(first, second)), D_MINOR, players)
    thin = leave_room(whole, 2, lambda note: (note.sound, note.beats if note.role == "held" else lasts[note.sound]))
    assert of(thin, "rare") == of(whole, "rare")
    assert min(len(of(thin, name)) for name in names) >= 2


def test_every_sound_gets_some_of_its_places():
    song = replace(SONG, sections=(section("only", "i v i v i v i v i v i v"),))
    players = [replace(BELL, name=f"bell-{n}", lasts_s=4.0) for n in range(6)]
    whole = sketched(song, D_MINOR, players)
    thin = leave_room(whole, 2, lambda note: (note.sound, 4.0))
    for player in players:  # some twenty fit into twelve patterns: three for each of six, as far as it has them
        assert len(of(thin, player.name)) >= min(3, len(of(whole, player.name)))


def test_with_voices_enough_nothing_is_left_out(sketch):
    assert leave_room(sketch, len(KIT), rings) == sketch


def test_a_key_goes_up_when_its_sound_plays_again(sketch):
    for player in KIT:
        notes = of(let_ring(sketch), player.name)
        for one, following in pairwise(notes):
            assert 0 < one.beats <= following.start_beats - one.start_beats


def test_a_looped_sound_is_let_go_at_the_end():
    players = [replace(player, lasts_s=math.inf) for player in KIT]
    rung = let_ring(sketched(SONG, D_MINOR, players))
    # what plays tones is held for a pattern at most, so the last one may reach so far over the end
    assert all(note.start_beats + note.beats <= rung.beats + 4 for note in rung.notes)
    assert all(note.start_beats + note.beats <= rung.beats for note in rung.notes if note.role != "tones")
