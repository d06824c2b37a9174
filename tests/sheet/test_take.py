"""The transfer part: the cue list, the take without loss, the countdown."""

import base64
import io

import numpy as np
import pytest
import soundfile

from kitfold.sheet.audio import flac_bytes
from kitfold.sheet.take import CUES_FILE, TAKE_FILE, cues_of

HEAD = (
    "cue,slot,name,note_in_take,start_s,start_frame,length_s,length_frames,set_semitones,set_level_db,note_when_set,"
    "loop_start_s,loop_end_s"
)
CUES = f"{HEAD}\n1,0,level tone,,1.0,48000,1.0,48000,,,,,\n2,1,sound-1,D4,4.0,192000,1.5,72000,-12,-7.5,D3,,\n"


@pytest.fixture
def with_take(make_kit):
    manifest, files = make_kit()
    out = io.BytesIO()
    noise = np.random.default_rng(1).integers(-(2**23), 2**23, (48000, 1), dtype=np.int32) * 256
    soundfile.write(out, noise, 48000, format="WAV", subtype="PCM_24")
    return manifest, {**files, TAKE_FILE: out.getvalue(), CUES_FILE: CUES.encode()}, noise


def test_cues_are_read_in_order_and_only_where_there_is_a_take(with_take):
    _, files, _ = with_take
    assert [(cue["slot"], cue["name"], cue["start_s"], cue["set"]) for cue in cues_of(files)] == [
        (0, "level tone", 1.0, ""),
        (1, "sound-1", 4.0, "−12"),
    ]
    assert cues_of({CUES_FILE: b""}) == []


def test_a_cue_says_what_is_heard_and_what_plays_then_and_an_older_sheet_what_it_has(with_take):
    _, files, _ = with_take
    assert [(cue["in_take"], cue["when_set"]) for cue in cues_of(files)] == [("", ""), ("D4", "D3")]
    old = "cue,slot,name,note,start_s,length_s,set_semitones,set_level_db\n1,1,x,D3,1.0,1.0,-12,0.0\n"
    (cue,) = cues_of({**files, CUES_FILE: old.encode()})
    assert (cue["in_take"], cue["when_set"]) == ("", "D3")


def test_no_slot_is_to_be_armed_for_the_level_tone(opened, with_take):
    manifest, files, _ = with_take
    page = opened(manifest, files)
    rows = page.evaluate("[...document.querySelectorAll('.transfer tbody tr')].map((row) => row.cells[0].textContent)")
    assert rows == ["– none", "1"]
    assert page.inner_text("#next-what") == "Next, no slot to arm"
    page.evaluate(
        "kitSheet.Take.voice = {ended: false, began: -1.5, from: 0}; kitSheet.Player.context = {currentTime: 0}"
    )
    page.evaluate("kitSheet.Take.show()")  # a second and a half in, the tone sounds and the slot comes next
    assert page.inner_text("#next-what") == "Next to arm"
    assert page.inner_text("#next-name") == "1 sound-1"


def test_the_take_travels_without_loss(with_take):
    _, files, noise = with_take
    back, rate_hz = soundfile.read(io.BytesIO(flac_bytes(files[TAKE_FILE])), dtype="int32", always_2d=True)
    assert rate_hz == 48000
    assert np.array_equal(back, noise)  # bit for bit


def test_the_page_says_what_to_arm_and_counts_down_to_it(opened, with_take):
    manifest, files, _ = with_take
    page = opened(manifest, files)
    state = (
        "(at) => { const s = kitSheet.Take.state(at); return [s.now && s.now.name, s.next && s.next.name, s.left]; }"
    )
    assert page.evaluate(state, 0.25) == [None, "level tone", 0.75]
    assert page.evaluate(state, 1.5) == ["level tone", "sound-1", 2.5]
    assert page.evaluate(state, 5.0) == ["sound-1", None, None]
    page.click("#play-take")
    page.click("#caution-go")
    for _ in range(100):
        if page.inner_text("#count") == "1":
            break
        page.wait_for_timeout(20)
    assert page.inner_text("#count") == "1"  # the take starts a second before its first sound
    assert page.inner_text("#next-name") == "level tone"
    assert page.said == []
    assert base64.b64decode(page.inner_text("#clip-take") or page.text_content("#clip-take"))[:4] == b"fLaC"


def test_a_looped_slot_records_what_it_stores_though_the_take_runs_on(with_take):
    _, files, _ = with_take
    cue = cues_of(files, [{"slot": 1, "frames": 26100, "rate_hz": 18000}])[1]  # 1.45 s; the take goes round 50 ms more
    assert (cue["length_s"], cue["record"], cue["pitched"], cue["level"]) == (1.5, "1.450", "an octave up", "−7.5 dB")
    assert [one["record_s"] for one in cues_of(files)] == [0.0, 1.5]  # the tone is not recorded
