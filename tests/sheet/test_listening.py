"""Buttons and the status line while something sounds, and after it: they say what is so."""

import pytest

from kitfold.sheet.take import CUES_FILE, TAKE_FILE

SHORT_S, LONG_S = 0.3, 4.1


def until(page, claim):
    for _ in range(250):
        if page.evaluate(claim):
            return
        page.wait_for_timeout(20)
    pytest.fail(f"never: {claim}")


def status(page):
    return page.text_content("#status")


def listening(opened, kit, **options):
    """Open a sheet and answer its caution, so that sounds may start; nothing sounds."""
    page = opened(*kit, **options)
    page.click("[data-play='1']")
    page.click("#caution-go")
    until(page, "kitSheet.Player.voices.length === 1")
    page.click("#stop")
    until(page, "document.querySelector('button.on') === null")
    return page


def with_song(kit):
    manifest, files = kit
    song = next(data for name, data in files.items() if name.startswith("masters/"))
    return manifest, {**files, "listen/song-master.wav": song, "listen/song-device.wav": song}


def test_the_button_of_a_sound_that_plays_says_stop_and_stops_it(opened, make_kit):
    page = listening(opened, make_kit())
    button = page.locator("[data-play='1']")
    assert "Play slot 1, sound-1" in " ".join(button.text_content().split())
    button.click()
    until(page, "document.querySelector('[data-play=\"1\"]').textContent.includes('Stop')")
    assert "Stop slot 1, sound-1" in " ".join(button.text_content().split())
    assert button.get_attribute("aria-pressed") is None  # a pressed “Stop” would say the contrary of what it is
    button.click()
    until(page, "document.querySelector('[data-play=\"1\"]').textContent.includes('Play')")
    assert page.evaluate("kitSheet.Player.voices.length") == 0


def test_the_song_s_button_says_stop_while_it_plays(opened, make_kit):
    page = listening(opened, with_song(make_kit()))
    assert page.inner_text("#play-song") == "Play the song"
    page.click("#play-song")
    until(page, "document.getElementById('play-song').textContent === 'Stop the song'")
    page.keyboard.press("Escape")
    until(page, "document.getElementById('play-song').textContent === 'Play the song'")


def test_escape_stops_all_sound_also_what_is_only_asked_for(opened, make_kit):
    page = listening(opened, make_kit())
    for number in (1, 2):
        page.click(f"[data-play='{number}']")
    until(page, "kitSheet.Player.voices.length === 2")
    page.keyboard.press("Escape")
    assert page.evaluate("kitSheet.Player.voices.length") == 0
    assert status(page) == ""
    page.evaluate("""() => {
      kitSheet.Store.notes.clear();
      kitSheet.playRow(1);
      document.dispatchEvent(new KeyboardEvent('keydown', { key: 'Escape' }));
    }""")
    page.wait_for_timeout(400)
    assert page.evaluate("kitSheet.Player.voices.length") == 0
    page.click("[data-play='1']")  # and after it everything plays again
    until(page, "kitSheet.Player.voices.length === 1")
    assert page.said == []


def test_what_has_ended_is_no_longer_said_to_sound(opened, make_kit):
    page = listening(opened, make_kit(seconds=SHORT_S))  # its master lasts a second longer
    page.click("[data-play='1']")
    until(page, "document.getElementById('status').textContent === 'sound-1, device'")
    until(page, "kitSheet.Player.voices.length === 0")
    until(page, "document.getElementById('status').textContent === ''")


def test_when_the_newest_sound_ends_the_one_that_still_sounds_is_named(opened, make_kit):
    page = listening(opened, make_kit())
    page.click("[data-play='1']")
    until(page, "document.getElementById('status').textContent === 'sound-1, device'")
    page.click("[data-play='2']")
    until(page, "document.getElementById('status').textContent === 'sound-2, device'")
    page.evaluate("kitSheet.Player.stop(kitSheet.Player.voices[1])")
    until(page, "document.getElementById('status').textContent === 'sound-1, device'")


def test_the_version_that_is_heard_is_said_as_soon_as_it_changes(opened, make_kit):
    page = listening(opened, make_kit())
    page.click("[data-play='1']")
    until(page, "document.getElementById('status').textContent === 'sound-1, device'")
    page.check("[value='master']")
    assert status(page) == "sound-1, master"


def test_a_version_that_is_missing_is_said_to_be(opened, make_kit):
    manifest, files = make_kit()
    page = listening(opened, (manifest, {name: data for name, data in files.items() if "masters/sound-1" not in name}))
    page.check("[value='master']")
    page.click("[data-play='1']")
    until(page, "document.getElementById('status').textContent.includes('no master of it is here')")


def test_the_song_s_end_is_said(opened, make_kit):
    page = listening(opened, with_song(make_kit()))
    page.evaluate("kitSheet.playSong(2.4)")  # in patterns of two seconds; the song lasts 5.1 s
    until(page, "document.getElementById('status').textContent === 'The song, device'")
    until(page, "document.getElementById('status').textContent === 'The song has ended'")


HEAD = "cue,slot,name,note_in_take,start_s,length_s,set_semitones,set_level_db,note_when_set"
CUES = f"""{HEAD}
1,0,level tone,,1.0,1.0,,,
2,1,sound-1,D4,7.0,1.5,-12,-7.5,D3
3,2,sound-2,E4,13.5,1.0,0,0.0,E4
"""


@pytest.fixture
def take(make_kit, silence):
    """Return a kit with a take of 16 s: a tone at 1 s, slots at 7 s and, five seconds after its end, at 13.5 s."""
    manifest, files = make_kit()
    for slot, seconds in zip(manifest["slots"], (1.5, 1.0), strict=True):
        slot["frames"] = round(seconds * slot["rate_hz"])
    return manifest, {**files, TAKE_FILE: silence(16.0), CUES_FILE: CUES.encode()}


def at(page, seconds):
    """Show the transfer part as it is at a moment of the take."""
    page.evaluate(f"kitSheet.Take.voice = {{ended: false, began: -{seconds}, from: 0}}")
    page.evaluate("kitSheet.Player.context = {currentTime: 0}; kitSheet.Take.show()")
    return {
        part: page.inner_text(f"#{part}") for part in ("count", "now-name", "take-record", "next-what", "next-name")
    }


def test_at_rest_the_part_names_what_the_take_would_start_from(opened, take):
    page = opened(*take)
    assert (page.inner_text("#next-what"), page.inner_text("#next-name")) == ("Next, no slot to arm", "level tone")
    page.select_option("#take-from", "2")
    assert (page.inner_text("#next-what"), page.inner_text("#next-name")) == ("Next to arm", "2 sound-2")
    assert page.inner_text("#take-record") == "Record 1.000 s of it, from where it starts"


def test_a_start_from_a_slot_never_names_what_lies_before_it(opened, take):
    page = listening(opened, take)
    page.select_option("#take-from", "2")
    seen = page.evaluate("""async () => {
      const seen = new Set();
      const parts = ['next-what', 'next-name', 'now-name', 'take-record'];
      const note = () => seen.add(parts.map((id) => document.getElementById(id).textContent).join(' / '));
      const every = { subtree: true, childList: true, characterData: true };
      new MutationObserver(note).observe(document.querySelector('.countdown'), every);
      document.getElementById('play-take').click();
      document.getElementById('caution-go').click();
      await new Promise((done) => setTimeout(done, 800));
      note();
      return [...seen];
    }""")
    assert seen == ["Next to arm / 2 sound-2 / nothing / Record 1.000 s of it, from where it starts"]
    assert page.inner_text("#count") == "5"  # seconds of lead


def test_while_a_slot_sounds_the_part_counts_down_to_the_end_of_its_recording(opened, take):
    page = opened(*take)
    assert at(page, 7.25) == {
        "count": "1.3", "now-name": "1 sound-1", "take-record": "Stop recording in 1.3 s: 1.500 s in all",
        "next-what": "Next to arm", "next-name": "2 sound-2",
    }  # fmt: skip
    assert at(page, 9.0)["take-record"] == "Stop recording now: slot 1 has its 1.500 s"  # half a second after its end
    assert at(page, 11.0)["take-record"] == "Record 1.000 s of it, from where it starts"
    assert at(page, 1.5)["take-record"] == "Do not record this: set the input by it"


def test_a_full_memory_allows_no_later_stop_and_the_page_says_so(opened, take):
    manifest, files = take
    assert "to the frame" not in opened(manifest, files).inner_text(".transfer")
    manifest["budget"]["used"] = manifest["budget"]["limit"]
    page = opened(manifest, files)
    assert "full to the frame: each recording must stop no later than that" in page.inner_text(".transfer .lead")
    assert at(page, 7.5)["take-record"] == "Stop recording in 1.0 s, no later: 1.500 s in all"


def test_another_start_is_taken_up_while_the_take_plays(opened, take):
    page = listening(opened, take)
    page.click("#play-take")
    assert page.is_visible("#caution")  # again, though a sound was played before: the take's tone is louder than most
    page.click("#caution-go")
    until(page, "kitSheet.Take.playing()")
    until(page, "document.getElementById('play-take').textContent.trim() === 'Stop the take'")  # with the next frame
    page.select_option("#take-from", "2")
    until(page, "kitSheet.Take.voice.from === 8.5 && kitSheet.Take.playing()")  # five seconds before 13.5 s
    until(page, "document.getElementById('next-name').textContent === '2 sound-2'")
    assert page.evaluate("kitSheet.Player.voices.length") == 1
    assert status(page) == "The transfer take: arm 2 sound-2, 1.000 s"


def test_the_switch_of_versions_does_not_call_the_take_a_master(opened, take):
    page = listening(opened, take)
    page.click("#play-take")
    page.click("#caution-go")
    until(page, "kitSheet.Take.playing()")
    page.check("[value='master']")
    page.wait_for_timeout(100)
    assert status(page) == "The transfer take: level tone comes, arm no slot"
    page.evaluate("kitSheet.Take.voice.began -= 15.5")
    until(page, "document.getElementById('status').textContent === 'The transfer take has ended'")
    assert page.inner_text("#play-take") == "Play the take"
