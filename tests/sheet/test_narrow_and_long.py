"""The sheet where there is little room: on a phone, on paper, and of a song of many patterns."""

import re
from itertools import pairwise

import pytest

from kitfold.sheet.take import CUES_FILE, TAKE_FILE

HEAD = "cue,slot,name,note_in_take,start_s,length_s,set_semitones,set_level_db,note_when_set"


@pytest.fixture
def loaded(make_kit, silence):
    """Return a kit of eight slots with its take: the second slot is stored an octave up."""
    manifest, files = make_kit(count=8)
    lines = [f"{n},{n},sound-{n},D{3 + n % 2},{10.0 * n},4.1,{-12 if n == 2 else 0},-6.0,D3" for n in range(1, 9)]
    cues = "\n".join([HEAD, "0,0,level tone,,1.0,1.0,,,", *lines])
    return manifest, {**files, TAKE_FILE: silence(1.0), CUES_FILE: cues.encode()}


def long_kit(make_kit, patterns, name="Dm"):
    manifest, files = make_kit()
    section = manifest["song"]["sections"][0]
    section["patterns"] = patterns - 2
    section["chords"] = [{"chord": "i", "name": name, "pattern": n, "patterns": 1} for n in range(patterns - 2)]
    return manifest, files


def test_on_a_phone_slot_and_sound_stay_while_a_table_scrolls_and_no_sign_rests_under_them(opened, loaded):
    page = opened(*loaded)
    page.set_viewport_size({"width": 360, "height": 740})
    found = page.evaluate("""async () => {
      const found = [];
      for (const view of document.querySelectorAll('.scroll')) {
        const table = view.querySelector('.numbered');
        if (!table) continue;
        const left = view.getBoundingClientRect().left;
        for (const at of [0, 37, 90, 150, 222, 9999]) {
          view.scrollTo({ left: at, behavior: 'instant' });
          await new Promise((done) => setTimeout(done, 120));
          const [slot, sound, ...rest] = [...table.rows[1].cells].map((cell) => cell.getBoundingClientRect());
          const heads = [...table.tHead.rows[0].cells].slice(2).map((cell) => cell.getBoundingClientRect());
          found.push({
            stays: Math.abs(slot.left - left) < 1 && sound.left >= slot.left && sound.right < left + 200,
            cut: heads.filter((head) => head.left < sound.right - 1 && head.right > sound.right + 1).length,
            moved: view.scrollLeft,
          });
        }
      }
      return found;
    }""")
    assert len(found) == 3 * 6  # two sections' charts and the take's table
    assert [one for one in found if not one["stays"] or one["cut"]] == []
    assert max(one["moved"] for one in found) > 100
    assert page.evaluate("document.documentElement.scrollWidth") == 360


def test_on_a_phone_the_figures_of_the_scales_keep_apart_and_inside(opened, make_kit):
    page = opened(*make_kit(seconds=7.0))
    page.set_viewport_size({"width": 360, "height": 740})
    boxes = page.evaluate("""[...document.querySelectorAll('#row-1 .scale')].map((scale) =>
      [...scale.querySelectorAll('text')].map((text) => text.getBoundingClientRect())
        .map((box) => [box.left, box.right]))""")
    assert [len(scale) for scale in boxes] == [5, 3]
    for scale in boxes:
        assert all(one[1] < two[0] for one, two in pairwise(scale))
        assert scale[0][0] >= 15
        assert scale[-1][1] <= 345  # the page's own margin is 16 px


def test_the_transfer_table_is_printed_with_all_that_the_take_needs_on_two_pages(opened, loaded):
    page = opened(*loaded)
    page.emulate_media(media="print")
    assert page.is_visible(".transfer table")
    assert not page.is_visible("#play-take")
    heads = page.locator(".transfer thead th").all_inner_texts()
    assert heads[:5] == ["Slot", "Sound", "Starts", "Record", "Pitched up"]
    assert page.locator(".transfer tbody tr").nth(2).locator("td, th").all_inner_texts() == [
        "2", "sound-2", "20.00 s", "4.100 s", "an octave up", "D3", "−12", "−6.0 dB", "D3",
    ]  # fmt: skip
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True))) == 2


@pytest.mark.parametrize(("patterns", "name"), [(96, "Dm"), (200, "Bbmaj7")])
def test_chord_names_and_pattern_numbers_of_a_long_song_keep_apart(opened, make_kit, patterns, name):
    page = opened(*long_kit(make_kit, patterns, name))
    for kind in (".chord > text:first-of-type", ".count-in"):
        boxes = page.evaluate(f"""[...document.querySelectorAll('.ruler {kind}')]
          .map((one) => one.getBoundingClientRect()).map((box) => [box.left, box.right])""")
        assert len(boxes) > 10
        assert all(one[1] <= two[0] for one, two in pairwise(boxes))


@pytest.mark.parametrize("width", [1280, 360])
def test_the_ruler_of_a_long_song_stays_in_view_and_goes_sideways_with_its_rows(opened, make_kit, width):
    page = opened(*long_kit(make_kit, 96))
    page.set_viewport_size({"width": width, "height": 500})
    page.evaluate("document.querySelector('#row-2').scrollIntoView({ block: 'end', behavior: 'instant' })")
    page.evaluate("document.querySelector('.staves').scrollLeft = 900")
    page.wait_for_timeout(100)
    found = page.evaluate("""() => {
      const box = (one) => document.querySelector(one).getBoundingClientRect();
      const [ruler, row] = ['.ruler .stave', '#row-2 .stave'].map(box);
      return { top: ruler.top, ruler: [ruler.left, ruler.width], row: [row.left, row.width] };
    }""")
    assert 0 <= found["top"] < 40
    assert found["ruler"] == pytest.approx(found["row"], abs=1)  # a pixel: chords stand over what is played to them


@pytest.mark.parametrize("width", [1280, 360])
def test_the_playhead_of_a_long_song_stands_at_its_chord_and_stays_in_view(opened, make_kit, width):
    page = opened(*long_kit(make_kit, 96))
    page.set_viewport_size({"width": width, "height": 800})
    for pattern in (0, 20, 60, 93, 5):
        page.evaluate(f"kitSheet.Song.show({pattern + 0.5}, 96)")
        page.wait_for_timeout(60)
        found = page.evaluate("""() => {
          const stave = document.querySelector('#row-1 .stave').getBoundingClientRect();
          const share = parseFloat(getComputedStyle(document.documentElement).getPropertyValue('--head'));
          const chord = document.querySelector('.chord.now rect').getBoundingClientRect();
          return { head: stave.left + (stave.width * share) / 100, chord: [chord.left, chord.right] };
        }""")
        assert found["chord"][0] < found["head"] < found["chord"][1]
        assert 0 < found["head"] < width
        names = page.locator("#row-1 .name").bounding_box()
        assert width == 360 or found["head"] > names["x"] + names["width"]


def test_a_reader_who_has_just_moved_the_score_is_left_alone(opened, make_kit):
    page = opened(*long_kit(make_kit, 96))
    page.locator(".staves").dispatch_event("wheel")
    page.evaluate("kitSheet.Song.show(90, 96)")
    assert page.evaluate("document.querySelector('.staves').scrollLeft") == 0
