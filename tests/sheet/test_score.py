"""The score and the play chart, by hand from the song."""

import copy

import pytest

from kitfold.sheet.chart import chart_of, masking_map, sounding_note
from kitfold.sheet.score import marks_of, score_of, signed


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
    # 4.1 s of a song of 10 s; four semitones down it lasts 2^(4/12) as long, three up 2^(-3/12)
    assert [mark.lasts for mark in marks] == pytest.approx(
        [41.0, 51.657, 34.477], abs=0.001
    )  # places have three decimals
    assert [mark.covered for mark in marks] == pytest.approx([40.0, 20.0, 34.477], abs=0.01)
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
