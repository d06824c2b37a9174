"""The page as text: the same bytes twice, nothing from outside, names as text, sounds exact."""

import base64
import hashlib
import io
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest
import soundfile

from kitfold.files import Store
from kitfold.pack.slots import stored_name
from kitfold.sheet import audio, embed, sheet_files, sheet_page, sheet_parts
from kitfold.sheet import page as paging
from kitfold.sheet.audio import exact_codes, mp3_bytes, song_flac
from kitfold.sheet.embed import EXACT_SONG_BYTES

HOSTILE = "</script><script>alert(1)</script>\"'&<b onmouseover=alert(2)>שלום 🌊{}{{{{7*7}}}}"


class Elements(HTMLParser):
    """Collects every tag with its attributes, and the text of scripts by their id."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.scripts, self._script = [], {}, None
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._script = dict(attrs).get("id", "own") if tag in ("script", "style") else None
        if self._script == "own" and tag == "style":
            self._script = "style"

    def handle_data(self, data):
        if self._script:
            self.scripts[self._script] = self.scripts.get(self._script, "") + data

    def handle_endtag(self, tag):
        self._script = None


def test_the_same_build_gives_the_same_page(make_kit):
    manifest, files = make_kit()
    assert sheet_page(manifest, files) == sheet_page(json.loads(json.dumps(manifest)), dict(reversed(files.items())))


def test_nothing_is_loaded_from_outside_the_page(make_kit):
    found = Elements(sheet_page(*make_kit()))
    addresses = [attrs[key] for _, attrs in found.tags for key in ("src", "href", "action", "data") if key in attrs]
    assert addresses
    assert all(address.startswith(("#", "data:")) for address in addresses)
    assert "url(" not in found.scripts["style"]
    assert "@import" not in found.scripts["style"]


def test_the_policy_lets_only_the_page_s_own_script_and_style_run(make_kit):
    found = Elements(sheet_page(*make_kit()))
    policy = next(attrs["content"] for _, attrs in found.tags if attrs.get("http-equiv") == "Content-Security-Policy")
    hashes = re.findall(r"'sha256-([^']+)'", policy)
    own = [found.scripts["own"], found.scripts["style"]]
    assert hashes == [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in own]
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert not [attrs for _, attrs in found.tags if "style" in attrs or any(key.startswith("on") for key in attrs)]


def test_names_that_look_like_code_stay_text(make_kit):
    plain = Elements(sheet_page(*make_kit()))
    odd = Elements(sheet_page(*make_kit(title=HOSTILE, section=HOSTILE, name=HOSTILE.replace("/", "∕"))))
    assert [tag for tag, _ in odd.tags] == [tag for tag, _ in plain.tags]
    assert odd.scripts["own"] == plain.scripts["own"]
    assert not [attrs for _, attrs in odd.tags if any(key.startswith("on") for key in attrs)]


def test_what_the_device_stores_is_in_the_page_code_by_code(make_kit):
    manifest, files = make_kit()
    found = Elements(sheet_page(manifest, files))
    for slot in manifest["slots"]:
        codes = base64.b64decode(found.scripts[f"clip-slot-{slot['slot']}"])
        stored = files[slot["file"]][-slot["frames"] :]  # a WAV's data is last here; 8-bit WAV is offset by 128
        assert (np.frombuffer(codes, np.int8).astype(int) + 128).tolist() == list(stored)


@pytest.mark.parametrize(
    ("subtype", "bits", "encoding", "width"),
    [("PCM_16", 16, "signed", 2), ("PCM_24", 24, "signed", 3), ("ULAW", 8, "mu-law", 2), ("FLOAT", 32, "float", 4)],
)
def test_every_kind_of_code_comes_back_as_soundfile_reads_it(subtype, bits, encoding, width):
    samples = np.linspace(-0.9, 0.9, 500).reshape(-1, 2)
    out = io.BytesIO()
    soundfile.write(out, samples, 24000, format="WAV", subtype=subtype)
    codes = exact_codes({"encoding": encoding, "bits": bits, "file": "x.wav"}, out.getvalue())
    assert codes.width == width
    wanted, _ = soundfile.read(io.BytesIO(out.getvalue()))
    if width == 4:
        found = np.frombuffer(codes.data, "<f4")
    else:
        padded = np.zeros((500, 4), np.uint8)
        padded[:, 4 - width :] = np.frombuffer(codes.data, np.uint8).reshape(-1, width)
        found = padded.view("<i4").ravel() / 2.0**31
    assert found.tolist() == wanted.ravel().tolist()  # exact


@pytest.mark.parametrize("rate_hz", [44100, 46000, 96000])
def test_masters_compress_to_the_same_bytes_and_to_the_same_sound(rate_hz):
    times = np.arange(rate_hz) / rate_hz
    out = io.BytesIO()
    soundfile.write(out, 0.5 * np.sin(2 * np.pi * 440 * times), rate_hz, format="WAV", subtype="PCM_24")
    once = mp3_bytes(out.getvalue())
    audio._KEPT = audio.Recent(1)
    assert once == mp3_bytes(out.getvalue())
    heard, heard_hz = soundfile.read(io.BytesIO(once))
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    assert np.argmax(spectrum) * heard_hz / len(heard) == pytest.approx(440, abs=1.0)  # one bin of a second
    assert len(heard) / heard_hz == pytest.approx(1.0, abs=0.001)  # the header's trim leaves whole frames


def with_song(files, seconds=3.0, rate_hz=48000, hz=2000.0):
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    out = io.BytesIO()
    soundfile.write(out, 0.5 * np.sin(2 * np.pi * hz * times), rate_hz, format="WAV", subtype="PCM_24")
    return {**files, "listen/song-master.wav": out.getvalue(), "listen/song-device.wav": out.getvalue()}


def test_the_page_is_the_same_on_any_number_of_threads(make_kit):
    manifest, files = make_kit()
    files = with_song(files)
    pages = []
    for jobs in (1, 2, 5):
        audio._KEPT = audio.Recent(96)
        pages.append(sheet_files(manifest, files, jobs=jobs))
    assert pages[0] == pages[1] == pages[2]


def test_no_sound_is_compressed_twice_in_a_page_nor_in_the_next_one(make_kit, monkeypatch):
    manifest, files = make_kit()
    files, made = with_song(files), []
    monkeypatch.setattr(audio, "_KEPT", audio.Recent(96))
    mp3_of_file = audio.mp3_of_file
    monkeypatch.setattr(audio, "mp3_of_file", lambda data: made.append(len(data)) or mp3_of_file(data))
    first = sheet_files(manifest, files, jobs=1)
    assert len(made) == 2  # two masters
    assert sheet_files(manifest, files, jobs=1) == first
    assert len(made) == 2


def test_with_a_store_the_page_is_the_same_into_it_and_out_of_it_and_nothing_is_compressed_again(
    make_kit, monkeypatch, tmp_path
):
    manifest, files = make_kit()
    files = with_song(files)
    wanted = sheet_files(manifest, files)
    monkeypatch.setattr(audio, "_KEPT", audio.Recent(0))
    assert sheet_files(manifest, files, store=Store(tmp_path)) == wanted
    for name in ("mp3_of_file", "read_slot"):
        monkeypatch.setattr(audio, name, None)
    assert sheet_files(manifest, files, store=Store(tmp_path)) == wanted


def test_the_device_s_song_travels_at_its_own_rate_without_loss_but_for_rounding_under_its_steps(make_kit):
    manifest, files = make_kit()
    files = with_song(files)
    found = Elements(sheet_page(manifest, files))
    data = base64.b64decode(found.scripts["clip-song-device"])
    assert data == song_flac(files["listen/song-device.wav"], 18000, 14, EXACT_SONG_BYTES)
    heard, rate_hz = soundfile.read(io.BytesIO(data))
    assert rate_hz == 18000
    wanted = 0.5 * np.sin(2 * np.pi * 2000.0 * np.arange(len(heard)) / 18000)
    # half a step of 14 bits; soxr's VHQ is good for 20 bits and more; its ends ring, for the sine begins at once
    assert np.max(np.abs(heard - wanted)[300:-300]) < 0.5 / 2**13 + 2**-19
    assert json.loads(found.scripts["kit-data"])["song"] == {"rate_hz": 18000, "bits": 14}


def test_a_long_song_of_the_device_is_compressed_and_the_page_says_so(make_kit, monkeypatch):
    manifest, files = make_kit()
    files = with_song(files)
    assert "without compression, rounded to 14 bits" in sheet_page(manifest, files)
    monkeypatch.setattr(embed, "EXACT_SONG_BYTES", 1000)
    page = sheet_page(manifest, files)
    assert "is compressed as MP3 too" in page
    assert "the masters and the song from them compressed as MP3" in page
    data = json.loads(Elements(page).scripts["kit-data"])
    assert (data["song"], data["master_song"]) == (None, None)


def wav_of(samples, rate_hz):
    out = io.BytesIO()
    soundfile.write(out, samples, rate_hz, format="WAV", subtype="PCM_24")
    return out.getvalue()


def test_a_song_much_too_long_to_travel_without_loss_is_not_compressed_whole_to_find_that_out(monkeypatch):
    noise = np.random.default_rng(2).uniform(-0.5, 0.5, (48_000 * 8, 2))
    data = wav_of(noise, 48_000)
    made = []
    flac = audio._flac
    monkeypatch.setattr(audio, "_flac", lambda samples, *how: made.append(len(samples)) or flac(samples, *how))
    whole = song_flac(data, 48_000, 16, 10**9)
    assert soundfile.info(io.BytesIO(whole)).frames == len(noise)
    assert made == [38_400, len(noise)]
    assert song_flac(data, 48_000, 16, len(whole)) == whole
    assert song_flac(data, 48_000, 16, len(whole) - 1) is None, "one byte too long"
    made.clear()
    assert song_flac(data, 48_000, 16, len(whole) // 2) is None
    assert made == [38_400], "the excerpts alone"


def test_the_masters_song_travels_at_16_bits_without_loss_and_the_page_says_so(make_kit):
    manifest, files = make_kit()
    files = with_song(files)
    page = sheet_page(manifest, files)
    found = Elements(page)
    heard, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(found.scripts["clip-song-master"])))
    wanted, _ = soundfile.read(io.BytesIO(files["listen/song-master.wav"]))
    assert rate_hz == 48000
    assert np.max(np.abs(heard - wanted)) <= 0.5 / 2**15  # half a step of 16 bits
    assert "The song from the masters is at 48 kHz and 16 bits, without loss." in page
    assert json.loads(found.scripts["kit-data"])["master_song"] == {"rate_hz": 48000, "bits": 16}


def test_an_unchanged_kit_says_that_nothing_was_changed(make_kit):
    manifest, files = make_kit()
    manifest["budget"]["cost_db"] = -120.0
    for slot in manifest["slots"]:
        slot.update(changes=[], cost_db=-120.0)
    text = sheet_page(manifest, files)
    assert "−120 dB" not in text
    assert "Nothing was changed to make the kit fit" in text
    assert text.count("Nothing was changed to fit</b>") == len(manifest["slots"])


def test_a_copy_left_out_is_said_beside_a_slot_that_is_whole_itself(make_kit):
    manifest, files = make_kit()
    left_out = {"what": "drop-copy", "why": "no room", "cost_db": -70.0}
    manifest["slots"][0].update(changes=[left_out], cost_db=-120.0)
    repitched = {"what": "repitch", "why": "half the room", "cost_db": -60.0}
    manifest["slots"][1].update(changes=[{**left_out, "cost_db": -17.9}, repitched], cost_db=-60.0, play_semitones=-12)
    text = sheet_page(manifest, files)
    assert "A copy left out (notes are played from further off)" in text
    assert "Its changes cost −17.9 dB</b>: a copy left out (−17.9 dB), stored an octave up (not heard)" in text
    assert "no change is heard" not in text


def test_each_row_leads_to_the_checks_that_name_it(make_kit):
    manifest, files = make_kit()
    found = Elements(sheet_page(manifest, files))
    links = [attrs["href"] for tag, attrs in found.tags if tag == "a" and attrs.get("href", "").startswith("#check-")]
    assert links == ["#check-0", "#check-0"]  # masking names both sounds, and is the first check
    assert [attrs["id"] for _, attrs in found.tags if attrs.get("id", "").startswith("check-")] == ["check-0"]


def test_what_a_parent_said_is_not_said_again_of_what_is_made_from_it(make_kit):
    manifest, files = make_kit()
    trim, loop = {"step": "trim"}, {"step": "loop", "said": ["the loop holds one beat"]}
    riser = {"step": "riser", "said": ["its loop is gone"]}
    manifest["slots"][0]["made"]["steps"] = [trim, loop, {"step": "store"}]
    manifest["slots"][1]["made"].update({"from": "sound-1", "steps": [trim, loop, riser, {"step": "store"}]})
    text = sheet_page(manifest, files)
    assert text.count("the loop holds one beat") == 1
    assert text.count("its loop is gone") == 1
    assert "Its first steps are those of <bdi>sound-1</bdi>, and what they had to say stands there: trim, loop." in text


def test_chords_stand_by_name_and_by_numeral_in_the_score_and_in_the_chart(make_kit):
    text = sheet_page(*make_kit())
    score, chart = text.split('id="chart"')
    assert re.search(r">Dm</text><text [^>]*>i</text>", score)
    assert "<bdi>Dm</bdi> <small><bdi>i</bdi></small>" in chart


def test_heavy_sounds_go_beside_the_page_and_the_page_says_so(make_kit):
    manifest, files = make_kit()
    beside = sheet_files(manifest, files, beside_bytes=1000)
    assert sorted(beside) == [
        "sheet.html", "sheet/master-1.js", "sheet/master-2.js", "sheet/slot-1.js", "sheet/slot-2.js",
    ]  # fmt: skip
    assert b"lie beside it in the folder" in beside["sheet.html"]
    assert b"lie beside it in the folder" not in sheet_files(manifest, files)["sheet.html"]


def test_sounds_beside_the_page_are_made_only_so_far_ahead_of_who_writes_them(make_kit, monkeypatch):
    manifest, files = make_kit()
    monkeypatch.setattr(embed, "_MOST_AHEAD", 1)
    made, clip = [], embed._clip
    monkeypatch.setattr(embed, "_clip", lambda key, *how: made.append(key) or clip(key, *how))
    written, ahead = [], []
    for name, _ in sheet_parts(manifest, files, beside_bytes=1, jobs=1):
        written.append(name)
        ahead.append(len(made) - len(written))
    assert written[-1] == "sheet.html"
    assert written[:-1] == [f"sheet/{key}.js" for key in made]
    assert len(made) == 4
    assert max(ahead) <= 1
    assert dict(sheet_parts(manifest, files, beside_bytes=1, jobs=3)).keys() == set(written)


def test_what_a_check_says_of_a_copy_stands_in_its_own_row(make_kit):
    manifest, files = make_kit()
    manifest["slots"][1] |= {"sound": manifest["slots"][0]["sound"], "copy": -4}
    about = [stored_name(manifest["slots"][0]["sound"], -4)]  # as the checks of a build name it
    manifest["checks"].append(
        {
            "check": "tuning",
            "result": "fail",
            "figure": 9.0,
            "limit": 3.0,
            "unit": "cents",
            "about": about,
            "advice": "",
        }
    )
    own, copy = sheet_page(manifest, files).split('id="chart"')[0].split('<li class="row"')[1:]
    assert "falls short" in copy
    assert "falls short" not in own


def test_rows_are_made_only_so_far_ahead_of_who_writes_the_page(make_kit, monkeypatch):
    manifest, files = make_kit(count=12)
    wanted = sheet_files(manifest, files)["sheet.html"]
    monkeypatch.setattr(embed, "_MOST_AHEAD", 1)
    monkeypatch.setattr(paging, "_PIECES", 2)
    made, row = [], paging.Rows.row
    monkeypatch.setattr(paging.Rows, "row", lambda rows, slot: made.append(slot["slot"]) or row(rows, slot))
    name, contents = next(parts := sheet_parts(manifest, files, jobs=1))
    text = b""
    for part in contents:
        text += part
        assert len(made) <= text.count(b'<li class="row"') + 3
    assert (name, made) == ("sheet.html", list(range(1, 13)))
    assert text == wanted
    assert list(parts) == []


def test_a_build_whose_sounds_are_missing_still_gets_a_page(make_kit):
    assert "Play chart" in sheet_page(make_kit()[0], {})
