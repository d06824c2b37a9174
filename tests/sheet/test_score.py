"""The score and the play chart, by hand from the song."""

import copy

import pytest

from kitfold.sheet.chart import chart_of, masking_map, sounding_note
from kitfold.sheet.marks import marks_of
from kitfold.sheet.notes import notes_of
from kitfold.sheet.numbers import signed
from kitfold.sheet.score import score_of
from kitfold.sheet.sketch import read_sketch
from kitfold.sheet.tones import with_tones


def test_sections_chords_and_patterns_lie_where_the_song_puts_them(make_kit):
    score = score_of(make_kit()[0])
    # five patterns: three of `one` (Dm for two, Bb for one), two of `two` (F for two)
    assert [(section.name, section.x, section.width) for section in score.sections] == [("one", 0, 60), ("two", 60, 40)]
    assert [(chord.name, chord.x, chord.width) for chord in score.chords] == [
        ("Dm", 0, 40), ("Bb", 40, 20), ("F", 60, 40),
    ]  # fmt: skip
    assert score.lines == (20, 40, 80)  # 60 is the double bar
    assert score.pattern_s == 2.0  # four beats at 120


def test_each_hold_is_covered_as_far_as_the_sound_lasts(make_kit):
    manifest, _ = make_kit()
    slot = manifest["slots"][0]
    marks = marks_of(slot, score_of(manifest))
    assert [mark.kind for mark in marks] == ["hold"] * 3
    # 4.1 s of a song of 10 s; four semitones down it lasts 2^(4/12) as long, three up 2^(-3/12): 34.477 %
    assert [mark.covered for mark in marks] == pytest.approx([40.0, 20.0, 34.477], abs=0.001)  # three decimals
    assert [mark.ok for mark in marks] == [True, True, False]
    assert [mark.label for mark in marks] == ["0", "−4", "+3"]


def test_a_sound_that_loops_covers_every_hold(make_kit):
    manifest, _ = make_kit()
    slot = copy.deepcopy(manifest["slots"][0])
    for hold in slot["holds"]:
        hold.update(lasts_s=None, ok=True)
    marks = marks_of(slot, score_of(manifest))
    assert all(mark.covered == mark.width and mark.ok for mark in marks)


def test_silent_sections_show_a_rest_and_fixed_sounds_stand_free(make_kit):
    manifest, _ = make_kit()
    manifest["song"]["sections"][1]["silent"] = ["sound-1"]
    slot = {**manifest["slots"][0], "plays": "fixed", "holds": [], "play_semitones": -12}
    marks = marks_of(slot, score_of(manifest))
    assert [mark.kind for mark in marks] == ["free", "rest"]
    assert marks[0].lasts_s == pytest.approx(8.2)  # an octave down lasts twice as long
    assert marks[0].label == "−12"


def test_a_kit_without_a_song_has_an_empty_score(make_kit):
    manifest, _ = make_kit()
    manifest["song"] = {"beats_per_pattern": 4.0, "sections": []}
    score = score_of(manifest)
    assert (score.sections, score.patterns) == ((), 1)
    assert chart_of(manifest, score) == []


def toned(manifest, plays, semitones, chord="i", shift=0):
    """Return a manifest whose first slot is asked for these moves, from D (MIDI 62), on one chord."""
    slot = manifest["slots"][0]
    slot["plays"], slot["root"]["midi"] = plays, 62
    hold = {**slot["holds"][0], "chord": chord, "needs_s": 0.0}
    slot["holds"] = [{**hold, "semitones": move, "setting": move} for move in semitones]
    manifest["song"]["sections"][0]["shift"] = {"sound-1": shift}
    return with_tones(manifest)["slots"][0]["holds"]


@pytest.mark.parametrize(
    ("plays", "chord", "semitones", "shift", "tones"),
    [
        ("tones", "i", (0, 3, 7, 12), 0, ["root", "third", "fifth", "octave"]),
        ("tones", "v", (-5, -2, 2, 7), 0, ["root", "third", "fifth", "octave"]),  # D to A: five down
        ("tones", "Bdim", (-3, 0, 3, 9), 0, ["root", "third", "fifth", "octave"]),
        ("tones", "Gsus2", (5, 7, 12, 17), 0, ["root", "second", "fifth", "octave"]),
        ([0, 7], "VI", (-4, 3), 0, ["root", "fifth"]),
        (
            [0, 3, 4, 12, 6],
            "i",
            (0, 3, 4, 12, 6),
            0,
            ["root", "minor third", "major third", "octave", "+6 from the root"],
        ),
        ([0], "i", (7,), 7, ["fifth"]),  # a sound that is shifted by a fifth sings the fifth
        ("tones", "i", (-12, -9, -5, 0), -12, ["root", "third", "fifth", "octave"]),
    ],
)
def test_each_setting_is_named_by_the_tone_of_the_chord_that_it_plays(make_kit, plays, chord, semitones, shift, tones):
    holds = toned(make_kit()[0], plays, semitones, chord, shift)
    if shift == -12:
        tones = [*tones[:3], "root"]  # an octave down, what was the octave is the chord's root itself
    assert [hold["tone"] for hold in holds] == tones


def test_the_chart_names_the_tones_of_a_sound_that_plays_several(make_kit):
    manifest, _ = make_kit()
    toned(manifest, "tones", (0, 3, 7, 12))
    manifest = with_tones(manifest)
    (cell, *_) = chart_of(manifest, score_of(manifest))[0]["rows"][0]["cells"]
    assert [(one["tone"], one["setting"]) for one in cell] == [
        ("root", "0"), ("third", "+3"), ("fifth", "+7"), ("octave", "+12")
    ]  # fmt: skip
    manifest["slots"][1]["root"]["midi"] = 62
    manifest = with_tones(manifest)
    held = chart_of(manifest, score_of(manifest))[0]["rows"][1]["cells"][0]
    assert [one["tone"] for one in held] == [""]  # the pad plays roots alone: no word is needed


def test_the_score_labels_every_setting_where_there_is_room_and_says_the_tones(make_kit):
    manifest, _ = make_kit()
    toned(manifest, "tones", (0, 3, 7, 12))
    (mark,) = marks_of(with_tones(manifest)["slots"][0], score_of(manifest))
    assert mark.label == "0 +3 +7 +12"
    assert mark.said == "set root 0, third +3, fifth +7, octave +12"


@pytest.fixture
def sketched(make_kit, song_midi):
    """Return the score of a kit whose first sound plays three notes, and its manifest."""
    manifest, files = make_kit()
    manifest["device"]["voices"] = 2
    # beats, at 120 a minute two a second; MIDI 63 is its root: Bb is four down in `one`, F three up in `two`
    keys = {"sound-1": [(0.0, 8.0, 63), (8.0, 2.0, 59), (12.0, 4.0, 66)], "sound-2": [(9.0, 1.0, 84)]}
    sketch = read_sketch(manifest, {**files, "listen/song.mid": song_midi(keys, 20.0)})
    return manifest, score_of(manifest, sketch)


def test_the_notes_of_the_song_stand_where_the_midi_file_has_them_at_the_setting_that_the_fit_chose(sketched):
    manifest, score = sketched
    assert [(note.slot, note.start, note.setting) for note in score.sketch.notes] == [
        (1, 0.0, 0), (1, 2.0, -4), (None, 2.25, 20), (1, 3.0, 3)
    ]  # fmt: skip
    assert [note.x for note in notes_of(manifest["slots"][0], score, manifest["kit"], True)] == [0.0, 40.0, 60.0]


def test_a_note_is_as_long_as_the_device_sounds_it(sketched):
    _, score = sketched
    first, second, third = (note for note in score.sketch.notes if note.slot == 1)
    # 4.1 s are 8.2 beats, but the slot is struck again after 8: two patterns of four
    assert first.length == pytest.approx(2.0)
    # four down it lasts 2^(4/12) as long, and is struck again a pattern later
    assert second.length == pytest.approx(1.0)
    # three up 2^(-3/12): 6.895 beats, but nothing is drawn behind the last key's end, a pattern on
    assert third.length == pytest.approx(1.0)


def test_what_the_device_cannot_reach_stands_hollow_at_its_own_slot(sketched):
    manifest, score = sketched
    (note,) = notes_of(
        manifest["slots"][1], score, manifest["kit"], True
    )  # MIDI 84 is 20 over its root of 64, and the device moves by 12
    assert (note.x, note.reached) == (45.0, False)


def test_a_device_whose_notes_stop_lets_go_with_the_key(make_kit, song_midi):
    manifest, files = make_kit()
    manifest["device"]["note_off"] = "stops"
    data = song_midi({"sound-1": [(0.0, 1.0, 63)], "sound-2": [(16.0, 4.0, 64)]}, 20.0)
    assert read_sketch(manifest, {**files, "listen/song.mid": data}).notes[0].length == pytest.approx(0.25)


def test_the_oldest_note_gives_its_voice_to_a_new_one(make_kit, song_midi):
    manifest, files = make_kit()
    manifest["device"]["voices"] = 1
    data = song_midi({"sound-1": [(0.0, 8.0, 63)], "sound-2": [(2.0, 4.0, 64)]}, 20.0)
    notes = read_sketch(manifest, {**files, "listen/song.mid": data}).notes
    assert notes[0].length == pytest.approx(0.5)


def test_a_kit_without_a_song_is_laid_out_along_the_plain_one(make_kit, song_midi):
    manifest, files = make_kit()
    manifest["song"] = {"beats_per_pattern": 4.0, "sections": []}
    marks = [(0.0, "plain"), (0.0, "Dm"), (8.0, "Dm")]
    sketch = read_sketch(manifest, {**files, "listen/song.mid": song_midi({"sound-1": [(4.0, 4.0, 63)]}, 16.0, marks)})
    score = score_of(manifest, sketch)
    assert (score.patterns, score.sections) == (4, ())
    assert [(chord.name, chord.x, chord.width) for chord in score.plain] == [("Dm", 0, 50), ("Dm", 50, 50)]
    assert [note.x for note in notes_of(manifest["slots"][0], score, manifest["kit"], True)] == [25.0]


def test_a_song_longer_than_the_sketch_says_how_much_is_played(make_kit, song_midi):
    manifest, files = make_kit()
    sketch = read_sketch(manifest, {**files, "listen/song.mid": song_midi({"sound-1": [(0.0, 4.0, 63)]}, 12.0)})
    score = score_of(manifest, sketch)
    assert (score.played, score.patterns) == (3, 5)


@pytest.mark.parametrize("data", [b"", b"MThd", b"no midi at all"])
def test_a_song_file_that_is_none_leaves_the_score_without_notes(make_kit, data):
    assert read_sketch(make_kit()[0], {"listen/song.mid": data}) is None


def test_the_chart_says_what_to_set_and_what_sounds(make_kit):
    manifest, _ = make_kit()
    table = chart_of(manifest, score_of(manifest))[0]
    assert [chord["name"] for chord in table["chords"]] == ["Dm", "Bb"]
    cells = table["rows"][0]["cells"]
    # MIDI 63 is Eb4 (a flat key), four semitones below it B3
    assert [(cell[0]["setting"], cell[0]["note"]) for cell in cells] == [("0", "Eb4"), ("−4", "B3")]


@pytest.mark.parametrize(("setting", "note"), [(-12, "D4"), (0, "D5"), (-5, "A4")])
def test_a_sound_stored_an_octave_up_sounds_an_octave_higher_than_its_root_at_zero(setting, note):
    slot = {"root": {"midi": 62}, "play_semitones": -12}
    assert sounding_note(slot, setting, {"middle_c": "C4"}, flats=True) == note


def test_the_masking_map_puts_the_covered_sound_left_and_keeps_the_worst_figure():
    checks = [
        {"check": "masking", "about": ["low", "pad"], "figure": figure, "result": "warn"} for figure in (61.0, 65.0)
    ]
    found = masking_map([*checks, {"check": "peak", "about": [], "figure": 0.0}])
    assert found["columns"] == ["pad"]
    assert [(row["name"], row["cells"][0]["figure"]) for row in found["rows"]] == [("low", 65.0)]
    assert masking_map([]) is None


@pytest.mark.parametrize(("number", "text"), [(0, "0"), (-0.0, "0"), (5, "+5"), (-7.5, "−7.5")])
def test_numbers_carry_a_true_minus(number, text):
    assert signed(number) == text


def test_every_note_says_its_name_its_setting_where_it_stands_and_its_beats(sketched):
    manifest, score = sketched
    said = [note.said for note in notes_of(manifest["slots"][0], score, manifest["kit"], True)]
    # MIDI 63 is Eb4 in a key with flats, 59 B3, 66 Gb4; the first ends after eight beats, where the next one begins
    assert said == [
        "Eb4, set 0; one, Dm; beats 1 to 9",
        "B3, set −4; one, Bb; beats 9 to 13",
        "Gb4, set +3; two, F; beats 13 to 17",
    ]
    (hollow,) = notes_of(manifest["slots"][1], score, manifest["kit"], True)
    assert hollow.said == "C6, beyond the device, only the master plays it; one, Bb; beats 10 to 11"  # MIDI 84


def test_a_note_of_a_sound_without_a_root_says_so(sketched):
    manifest, score = sketched
    manifest["slots"][0]["root"]["midi"] = None
    said = notes_of(manifest["slots"][0], score, manifest["kit"], True)[0].said
    assert said.startswith("no clear root, set 0; one, Dm; ")


@pytest.mark.parametrize(
    ("patterns", "numbers"),
    [
        (12, list(range(1, 13))),
        (48, list(range(1, 49, 2))),
        (96, list(range(1, 97, 4))),
        (200, list(range(1, 201, 16))),
    ],
)
def test_patterns_are_numbered_as_often_as_there_is_room(make_kit, patterns, numbers):
    manifest, _ = make_kit()
    manifest["song"]["sections"][1]["patterns"] = patterns - 3
    score = score_of(manifest)
    assert [number for _, number in score.numbers] == numbers
    assert all(x == pytest.approx(100 * (number - 1) / patterns, abs=0.001) for x, number in score.numbers)
    assert score.long == (patterns >= 48)


def test_a_long_song_is_drawn_as_wide_as_its_chords_names_need_and_no_wider_than_browsers_draw(make_kit):
    manifest, _ = make_kit()
    section = manifest["song"]["sections"][1]
    section["patterns"] = 93
    section["chords"] = [{"chord": "III", "name": "Fmaj7", "pattern": n, "patterns": 1} for n in range(93)]
    assert score_of(manifest).wide_px == round(96 * (5 * 7.0 + 9.0))  # 7 px a letter and 9 between names
    section["chords"] = [{"chord": "III", "name": "F", "pattern": n, "patterns": 1} for n in range(93)]
    assert score_of(manifest).wide_px == round(96 * (3 * 7.0 + 9.0))  # the numeral is wider than the name
    section["patterns"] = 5000
    assert score_of(manifest).wide_px == 24000
    assert score_of(manifest).crowded(score_of(manifest).chords[-1])
