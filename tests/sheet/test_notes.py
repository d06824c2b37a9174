"""The score's notes for a pointer, for keys and for a screen reader."""

import pytest


@pytest.fixture
def score(opened, make_kit, song_midi):
    manifest, files = make_kit()
    keys = {"sound-1": [(beat, 1.0, 63) for beat in range(16)], "sound-2": [(0.0, 4.0, 64)]}
    return opened(manifest, {**files, "listen/song.mid": song_midi(keys, 20.0)})


def test_every_note_carries_its_words_where_a_pointer_finds_them(score):
    notes = score.locator("#row-1 .heard")
    assert notes.count() == 16
    assert notes.nth(2).locator("title").text_content() == "Eb4, set 0; one, Dm; beats 3 to 4"
    box = notes.nth(2).locator("ellipse").bounding_box()
    score.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    score.locator("#row-1").scroll_into_view_if_needed()
    found = """() => {
      const box = document.querySelectorAll('#row-1 .heard ellipse')[2].getBoundingClientRect();
      const hit = document.elementFromPoint(box.left + box.width / 2, box.bottom + 2);
      return hit.closest('.heard').querySelector('title').textContent;
    }"""
    assert score.evaluate(found).startswith("Eb4, set 0")  # two pixels beside the note are near enough


def test_a_screen_reader_hears_a_list_of_named_notes_a_row(score):
    row = score.get_by_role("listbox", name="Notes of sound-1 in the song")
    assert row.get_by_role("option").count() == 16
    assert row.get_by_role("option", name="Eb4, set 0; one, Dm; beats 3 to 4").count() == 1


def test_the_arrow_keys_go_from_note_to_note_and_each_one_s_words_are_seen(score):
    score.locator("[data-play='1']").focus()
    score.keyboard.press("Tab")  # maybe a link to a check stands between
    while score.evaluate("document.activeElement.getAttribute('role')") != "listbox":
        score.keyboard.press("Tab")
    assert score.inner_text("#row-1 .tip") == "Eb4, set 0; one, Dm; beats 1 to 2"
    for key, beats in (
        ("ArrowRight", "2 to 3"),
        ("End", "16 to 17"),
        ("ArrowRight", "16 to 17"),
        ("ArrowLeft", "15 to 16"),
    ):
        score.keyboard.press(key)
        assert score.inner_text("#row-1 .tip").endswith(f"beats {beats}")
    active = score.evaluate("document.activeElement.getAttribute('aria-activedescendant')")
    assert active == "note-1-15"
    assert score.get_attribute(f"#{active}", "aria-selected") == "true"
    box, page = score.locator(".tip").bounding_box(), score.viewport_size
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= page["width"]
    score.keyboard.press("Tab")
    assert score.locator(".tip").count() == 0


def test_notes_add_one_stop_of_the_tab_key_a_row(score):
    stops = "[...document.querySelectorAll('.staves [tabindex=\"0\"], .staves button, .staves summary')].length"
    assert score.evaluate(stops) == 2 * 3  # play, notes and history in each of two rows


def test_a_click_on_a_note_shows_its_words(score):
    score.locator("#row-1 .heard").nth(5).locator(".hit").click(force=True)
    assert score.inner_text("#row-1 .tip") == "Eb4, set 0; one, Dm; beats 6 to 7"
