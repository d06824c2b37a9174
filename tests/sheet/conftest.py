"""A small kit made in code, with its manifest written by hand, and a browser to open its sheet in."""

import io
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from kitfold.sheet import sheet_files

CHROMIUM = Path("/usr/bin/chromium")  # Debian's package `chromium`
SWITCHES = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
RATE_HZ, MASTER_HZ = 18000, 44100


def wav(samples, rate_hz, subtype):
    out = io.BytesIO()
    soundfile.write(out, samples, rate_hz, format="WAV", subtype=subtype)
    return out.getvalue()


def tone(hz, seconds, rate_hz, gain=0.5):
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    return gain * np.sin(2 * np.pi * hz * times) * np.minimum(1, (seconds - times) / 0.05)


def slot_of(number, name, midi, seconds):
    hz = 440.0 * 2 ** ((midi - 69) / 12)  # equal temperament, A4 = 440 Hz (ISO 16)
    file = f"slots/{number:02d}_{number}.wav"
    holds = [
        {"section": "one", "chord": "i", "semitones": 0, "setting": 0, "needs_s": 4.0, "lasts_s": seconds, "ok": True},
        {"section": "one", "chord": "VI", "semitones": -4, "setting": -4, "needs_s": 2.0,
         "lasts_s": round(seconds * 2 ** (4 / 12), 4), "ok": True},
        {"section": "two", "chord": "III", "semitones": 3, "setting": 3, "needs_s": 4.0,
         "lasts_s": round(seconds * 2 ** (-3 / 12), 4), "ok": False},
    ]  # fmt: skip
    slot = {
        "slot": number, "sound": name, "copy": None, "file": file, "sha256": "ab" * 32,
        "frames": round(seconds * RATE_HZ), "rate_hz": RATE_HZ, "bits": 8, "encoding": "unsigned", "channels": 1,
        "bytes": round(seconds * RATE_HZ) + 44, "seconds": seconds, "memory": round(seconds * RATE_HZ),
        "plays": "chords", "play_semitones": 0, "play_db": -6.0,
        "root": {"pitched": True, "note": "x", "midi": midi, "hz": hz, "error_cents": 0.2},
        "level": {"lufs": -9.0, "peak_db": -6.0, "true_peak_db": -6.0}, "loop": None, "cost_db": -20.0, "holds": holds,
        "changes": [{"what": "shorten", "why": "its tail gave back 1 s", "cost_db": -30.0}],
        "made": {"source": "takes/x.flac", "source_sha256": "cd" * 32, "from": None, "rights": "own work",
                 "steps": [{"step": "trim", "settings": {"head_db": -50.0}, "found": {"head_cut_s": 0.1}}]},
    }  # fmt: skip
    files = {
        file: wav(tone(hz, seconds, RATE_HZ), RATE_HZ, "PCM_U8"),
        f"masters/{name}.wav": wav(tone(hz, seconds + 1.0, MASTER_HZ), MASTER_HZ, "PCM_24"),
    }
    return slot, files


@pytest.fixture(scope="session")
def make_kit():
    """Return a function that makes a manifest and its files: `count` slots, each as long as said, D4 upwards."""

    def made(count=2, seconds=4.1, name="sound-{}", title="Reeds", section="one"):
        made_slots = [slot_of(n, name.format(n), 62 + n % 12, seconds) for n in range(1, count + 1)]
        files = {file: data for _, some in made_slots for file, data in some.items()}
        slots = [slot for slot, _ in made_slots]
        for slot in slots:
            for hold in slot["holds"]:
                hold["section"] = section if hold["section"] == "one" else "two"
        chords = [[("i", "Dm", 0, 2), ("VI", "Bb", 2, 1)], [("III", "F", 0, 2)]]
        keys = ("chord", "name", "pattern", "patterns")
        sections = [
            {"name": label, "patterns": length, "silent": [], "shift": {},
             "chords": [dict(zip(keys, one, strict=True)) for one in some]}
            for label, length, some in ((section, 3, chords[0]), ("two", 2, chords[1]))
        ]  # fmt: skip
        manifest = {
            "schema": "kitfold-manifest/1", "made_with": {"kitfold": "0"},
            "kit": {"name": "reeds", "title": title, "version": "1", "author": title, "licence": "CC0-1.0",
                    "key": "D minor", "tempo": 120.0, "tempo_slowest": 120.0, "middle_c": "C4", "a4_hz": 440.0},
            "song": {"beats_per_pattern": 4.0, "sections": sections},
            "device": {"name": "plain", "rate_hz": [RATE_HZ], "bits": 8, "encoding": "unsigned", "channels": 1,
                       "slots": count, "transpose": [-12, 12], "voices": 4, "note_off": "plays-on", "loop": False},
            "budget": {"unit": "frames", "limit": 2 * count * 73800, "used": count * 73800, "slots": count,
                       "slots_used": count, "cost_db": -10.0, "more": None},
            "slots": slots, "files": [],
            "checks": [
                {"check": "masking", "result": "warn", "figure": 60.0, "limit": 50.0, "unit": "%",
                 "about": [name.format(1), name.format(2)], "advice": f"{name.format(1)} quieter"},
                {"check": "peak", "result": "pass", "figure": -6.0, "limit": 0.0, "unit": "dBFS", "about": [],
                 "advice": ""},
            ],
        }  # fmt: skip
        return manifest, files

    return made


@pytest.fixture(scope="session")
def silence():
    """Return a function that writes so many seconds of 24-bit silence: a take that is only counted along."""
    return lambda seconds: wav(np.zeros(round(seconds * 48000)), 48000, "PCM_24")


@pytest.fixture(scope="session")
def song_midi():
    """Return a function that writes a Standard MIDI File: sounds with (beat, beats, note), its end, its markers."""
    import mido

    def events_of(track, events):
        at = 0
        for tick, message in sorted(events, key=lambda event: event[0]):
            track.append(message.copy(time=tick - at))
            at = tick
        return at

    def made(keys, end, marks=()):
        file = mido.MidiFile(type=1, ticks_per_beat=480, charset="utf-8")
        clock = file.add_track("title")
        at = events_of(clock, [(round(beat * 480), mido.MetaMessage("marker", text=text)) for beat, text in marks])
        clock.append(mido.MetaMessage("end_of_track", time=round(end * 480) - at))
        for name, notes in keys.items():
            ons = [(round(at * 480), mido.Message("note_on", note=note, velocity=100)) for at, _, note in notes]
            offs = [(round((at + long) * 480), mido.Message("note_off", note=note)) for at, long, note in notes]
            events_of(file.add_track(name), offs + ons)
        out = io.BytesIO()
        file.save(file=out)
        return out.getvalue()

    return made


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """Return Debian's Chromium with a fresh profile; without it, skip here and fail in CI."""
    missing = None if CHROMIUM.exists() else f"{CHROMIUM} is not there (apt-get install chromium)"
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing = "playwright is not installed (pip install -e .[test])"
    if missing:
        pytest.fail(missing) if os.environ.get("CI") else pytest.skip(missing)
    with sync_playwright() as driver:
        profile = tmp_path_factory.mktemp("profile")
        context = driver.chromium.launch_persistent_context(profile, executable_path=CHROMIUM, args=SWITCHES)
        yield context
        context.close()


@pytest.fixture
def opened(browser, tmp_path):
    """Return a function that writes a sheet and opens it from file://; `said` and `asked`: its log and requests."""
    pages = []

    def opens(manifest, files, **options):
        for name, data in sheet_files(manifest, files, **options).items():
            (tmp_path / name).parent.mkdir(exist_ok=True)
            (tmp_path / name).write_bytes(data)
        page = browser.new_page()
        pages.append(page)
        page.said, page.asked = [], []
        page.on("console", lambda message: page.said.append(message.text))
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("dialog", lambda dialog: (page.said.append(f"dialog {dialog.message}"), dialog.dismiss()))
        page.on("request", lambda request: page.asked.append(request.url))
        page.goto((tmp_path / "sheet.html").as_uri())
        return page

    yield opens
    for page in pages:
        page.close()
