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

from kitfold.sheet import sheet_files, sheet_page
from kitfold.sheet.audio import exact_codes, mp3_bytes, read_take

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
    take = read_take(out.getvalue())
    once = mp3_bytes(take)
    assert once == mp3_bytes(take)
    heard, heard_hz = soundfile.read(io.BytesIO(once))
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    assert np.argmax(spectrum) * heard_hz / len(heard) == pytest.approx(440, abs=1.0)  # one bin of a second
    assert len(heard) / heard_hz == pytest.approx(1.0, abs=0.001)  # the header's trim leaves whole frames


def test_heavy_sounds_go_beside_the_page_and_the_page_says_so(make_kit):
    manifest, files = make_kit()
    beside = sheet_files(manifest, files, beside_bytes=1000)
    assert sorted(beside) == [
        "sheet.html", "sheet/master-1.js", "sheet/master-2.js", "sheet/slot-1.js", "sheet/slot-2.js",
    ]  # fmt: skip
    assert b"lie beside it in the folder" in beside["sheet.html"]
    assert b"lie beside it in the folder" not in sheet_files(manifest, files)["sheet.html"]


def test_a_build_whose_sounds_are_missing_still_gets_a_page(make_kit):
    assert "Play chart" in sheet_page(make_kit()[0], {})
