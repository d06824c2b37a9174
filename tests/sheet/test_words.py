"""What the page says: shifts, cuts, levels, settings and scales, each by hand."""

from types import SimpleNamespace

import pytest

from kitfold.pack import check_song
from kitfold.sheet import sheet_page
from kitfold.sheet.coded import coded
from kitfold.sheet.numbers import decibels, record_seconds
from kitfold.sheet.playing import how_played
from kitfold.sheet.scales import BAND_TICKS, time_ticks
from kitfold.sheet.words import error_words, pitched_up


def song(*sections):
    return {"sections": [dict(zip(("name", "silent", "shift"), one, strict=True)) for one in sections]}


@pytest.mark.parametrize(
    ("plays", "sections", "said"),
    [
        ([0], [("ebb", [], {}), ("dusk", [], {"x": 7})], "plays each chord's root, shifted +7 (the fifth) in dusk"),
        ([0], [("ebb", [], {"x": 7}), ("dusk", ["x"], {"x": 5})],
         "plays each chord's root, shifted +7 (the fifth) in ebb"),
        ([0], [("ebb", [], {"y": 7})], "plays each chord's root"),
        ("chords", [("ebb", [], {"x": -12}), ("dusk", [], {"x": -12})],
         "held under each chord, shifted −12 (an octave down) in ebb and dusk"),
        ("tones", [("ebb", [], {"x": 7}), ("dusk", [], {"x": 12})],
         "plays the tones of each chord, shifted +7 in ebb, shifted +12 (an octave up) in dusk"),
        ([0, 7], [("ebb", [], {"x": 2})], "plays 0, +7 from each chord's root, shifted +2 in ebb"),
        ("fixed", [("ebb", [], {"x": 2})], "never moved"),
    ],
)  # fmt: skip
def test_how_a_sound_is_played_names_its_shifts(plays, sections, said):
    assert how_played({"sound": "x", "plays": plays}, song(*sections)) == said


def test_a_sound_is_said_to_be_shifted_in_its_own_row(make_kit):
    manifest, files = make_kit()
    manifest["slots"][0]["plays"] = [0]
    manifest["song"]["sections"][1]["shift"] = {"sound-1": 7}
    assert "shifted +7 (the fifth) in two" in sheet_page(manifest, files)


@pytest.mark.parametrize(
    ("stored_s", "at", "whole_s", "said"),
    [
        (3.48, 0, 6.7, "shortened to 3.48 s, 52 % of its 6.70 s (−20.0 dB)"),
        (6.4, 0, 6.7, "shortened to 6.40 s, 96 % of its 6.70 s (−20.0 dB)"),
        (
            1.5,
            -12,
            4.0,
            "shortened to 3.00 s, 75 % of its 4.00 s (−20.0 dB)",
        ),  # played an octave down it lasts twice that
        (3.48, 0, 0.0, "shortened to 3.48 s (−20.0 dB)"),  # no master is there to compare
    ],
)
def test_a_cut_says_how_much_is_left_of_the_whole(stored_s, at, whole_s, said):
    changes = [{"what": "shorten", "why": "", "cost_db": -20.0}]
    assert error_words({"seconds": stored_s, "play_semitones": at, "changes": changes}, whole_s) == said


def test_the_row_says_how_much_is_left(make_kit):
    # 4.1 s are stored of a master of 5.1 s
    assert "Shortened to 4.10 s, 80 % of its 5.10 s" in sheet_page(*make_kit())


@pytest.mark.parametrize(
    ("level_db", "text"),
    [(0.0, "0.0 dB"), (-0.04, "0.0 dB"), (-8.0, "−8.0 dB"), (-13.34, "−13.3 dB"), (2.0, "+2.0 dB")],
)
def test_levels_have_one_form(level_db, text):
    assert decibels(level_db) == text


def test_no_level_is_written_without_its_decimal(make_kit):
    manifest, files = make_kit()
    manifest["slots"][0]["play_db"] = 0.0
    text = sheet_page(manifest, files)
    assert "<b>0.0 dB</b>" in text
    assert ">0.0 dB</td>" in text
    assert ">0 dB<" not in text
    assert ">−6 dB<" not in text


@pytest.mark.parametrize(
    ("seconds", "text"), [(7.606937, "7.606"), (3.48, "3.480"), (0.0, "0.000"), (0.340604, "0.340")]
)
def test_a_time_to_record_is_never_rounded_up(seconds, text):
    assert record_seconds(seconds) == text


@pytest.mark.parametrize(
    ("at", "text"), [(0, ""), (-12, "an octave up"), (-7, "7 semitones up"), (-1, "1 semitone up")]
)
def test_how_far_up_a_slot_is_stored(at, text):
    assert pitched_up(at) == text


@pytest.mark.parametrize(
    ("text", "pieces"),
    [
        ("add them to `silent`; so", [("add them to ", False), ("silent", True), ("; so", False)]),
        ("quieter (level.lufs = -26.0), and", [("quieter (", False), ("level.lufs = -26.0", True), ("), and", False)]),
        ("down (shift = {sea-1 = -12})", [("down (", False), ("shift = {sea-1 = -12}", True), (")", False)]),
        ("`[[sound]]` and `a`", [("[[sound]]", True), (" and ", False), ("a", True)]),
        ("one ` alone, 3 = 3", [("one ` alone, 3 = 3", False)]),
        ("", []),
    ],
)
def test_settings_are_set_apart_from_the_sentence(text, pieces):
    assert coded(text) == pieces


def test_advice_carries_no_backtick_and_the_page_says_once_which_file_it_speaks_of(make_kit):
    manifest, files = make_kit()
    manifest["checks"][0]["advice"] = "make <it> 6 dB quieter (level.lufs = -26.0), or add it to `silent`"
    text = sheet_page(manifest, files).split('id="checks"')[1].split('id="kit-data"')[0]
    assert "make &lt;it&gt; 6 dB quieter (<code>level.lufs = -26.0</code>), or add it to <code>silent</code>" in text
    assert text.count("are those of kit.toml") == 1
    assert "`" not in text


@pytest.mark.parametrize(
    ("span_s", "texts", "last"),
    [(7.99, ["0 s", "2 s", "4 s", "6 s"], 75.09), (0.34, ["0 s", "0.1 s", "0.2 s", "0.3 s"], 88.24),
     (0.6, ["0 s", "0.2 s", "0.4 s", "0.6 s"], 100.0), (0.01, ["0 s", "0.005 s", "0.01 s"], 100.0),
     (90.0, ["0 s", "50 s"], 55.56)],
)  # fmt: skip
def test_seconds_stand_where_they_are(span_s, texts, last):
    ticks = time_ticks(span_s)
    assert [tick.text for tick in ticks] == texts
    assert ticks[-1].x == last  # percent of the span, by hand
    assert time_ticks(0.0) == ()


def test_frequencies_stand_at_their_bands():
    # bands a tenth of a decade apart (IEC 61260-1) from 31.6 Hz: 100 Hz is the sixth of 29, 1 kHz the sixteenth
    assert [tick.x for tick in BAND_TICKS] == pytest.approx([100 * n / 28 for n in (5, 15, 25)], abs=0.01)


def test_the_drawings_have_scales_and_the_legend_says_what_is_dotted(make_kit):
    text = sheet_page(*make_kit())
    assert text.count('<svg class="scale"') == 4  # two figures in each of two rows
    assert ">4 s</text>" in text
    assert text.count(">10 kHz</text>") == 2
    assert "the dotted line is half the device’s rate" in text


def kit_of(sounding, starts, voices=4):
    """Return as much of a played kit as the voices check looks at, and the preview's notes in its one section."""
    section = SimpleNamespace(name="ebb")
    kit = SimpleNamespace(
        plan=SimpleNamespace(song=SimpleNamespace(sections=[section])),
        packed=SimpleNamespace(device=SimpleNamespace(name="small", voices=voices)),
        sounding=lambda _: list(sounding),
        holds=lambda name: name == "pad",
    )
    notes = [SimpleNamespace(section="ebb", sound=sound, start_beats=at) for sound, at in starts]
    return kit, SimpleNamespace(notes=notes)


def test_the_voices_check_tells_what_may_play_from_what_the_preview_plays(monkeypatch):
    starts = [("pad", 0.0), ("bell", 0.0), ("bass", 2.0), ("pad", 4.0), ("bell", 4.5)]
    kit, sketch = kit_of(["pad", "bell", "bass", "wood", "stone"], starts)
    monkeypatch.setattr(check_song, "arranged", lambda plan, packed: sketch)
    (check,) = check_song.voices(kit)
    assert (check.result, check.figure, check.limit, check.unit) == ("warn", 5, 4, "sounds")
    assert "5 sounds may play in ebb" in check.advice
    assert "the preview starts at most 2 of their notes together there and leaves wood and stone out" in check.advice
    assert "trigger 1 of them at other times" in check.advice
    assert check.advice.endswith("pad is held meanwhile")


def test_a_section_behind_the_preview_s_end_is_said_to_be(monkeypatch):
    kit, sketch = kit_of(["a", "b"], [], voices=1)
    monkeypatch.setattr(check_song, "arranged", lambda plan, packed: sketch)
    assert "the preview ends before that section" in check_song.voices(kit)[0].advice
