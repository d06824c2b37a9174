"""Whole builds of small kits: what the fit chose is what the files hold, and a kit that cannot fit says why.

Files are read with soundfile and struct alone; the device is emulated here: it reads a file faster or slower. The smpl
chunk's layout is that of the Multimedia Programming Interface and Data Specifications 1.0, from memory: the end of its
loop is the last frame that is played.
"""

import json
import re
import struct

import numpy as np
import pytest
import soundfile as sf

RATE_HZ = 44_100
D3_HZ = 440 * 2 ** (-19 / 12)  # ISO 16: A4 = 440 Hz, equal temperament
STEPS = [{"step": "trim"}, {"step": "tune", "to": "tonic"}, {"step": "level", "lufs": -20}]
HOLD = [{"name": "a", "chords": ["i", "v"]}]  # at 120 beats a minute, 4 beats a pattern: 2 s each, v five down


def tone(partials, seconds, hz=D3_HZ, fall=0.4):
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = sum(gain * np.sin(2 * np.pi * hz * n * times + n) for n, gain in partials.items())
    return 0.3 * wave / max(partials.values()) * np.minimum(1, times / 0.01) * np.exp(-fall * times)


DULL = {1: 1.0, 2: 0.3, 3: 0.1}  # up to 440 Hz
BRIGHT = dict.fromkeys(range(1, 40), 1.0)  # up to 5.7 kHz, all alike


def sound(name, **changes):
    return {"name": name, "source": f"{name}.wav", "steps": STEPS, "plays": "fixed", **changes}


def built(run, folder, path, device, *options):
    done = run("build", path, "--quiet", *options)
    assert done.code == 0, done.out + done.err
    place = folder.path / "build" / f"reeds-{device}"
    return place, json.loads((place / "manifest.json").read_text(encoding="utf-8"))


def played(place, slot, semitones):
    """Play a slot as a sampler does: the same frames, read at another speed."""
    samples, rate_hz = sf.read(place / slot["file"], always_2d=True)
    return samples, rate_hz * 2 ** (semitones / 12)


def line_hz(samples, rate_hz, near_hz):
    """Return the frequency of the line near a frequency, by the phase between two windows: exact for a steady tone."""
    window, hop = int(0.5 * rate_hz), int(0.05 * rate_hz)
    start = len(samples) // 8
    two = [samples[n : n + window, 0] * np.hanning(window) for n in (start, start + hop)]
    at = near_hz / rate_hz
    phases = [np.angle(np.sum(part * np.exp(-2j * np.pi * at * np.arange(window)))) for part in two]
    turn = (phases[1] - phases[0] - 2 * np.pi * at * hop + np.pi) % (2 * np.pi) - np.pi
    return (at + turn / (2 * np.pi * hop)) * rate_hz


def smpl(path):
    """Return (MIDI note, first frame, last frame) of a file's smpl chunk; None without one."""
    data, at = path.read_bytes(), 12
    while at < len(data):
        name, size = data[at : at + 4], struct.unpack_from("<I", data, at + 4)[0]
        if name == b"smpl":
            fields = struct.unpack_from("<9I6I", data, at + 8)
            assert fields[7] == 1
            return fields[3], fields[11], fields[12]
        at += 8 + size + size % 2
    return None


# An octave up (goal 4).


@pytest.fixture
def bright_and_dull(kit_folder):
    for name, partials in (("dull-a", DULL), ("bright-a", BRIGHT), ("dull-b", {1: 1.0}), ("bright-b", BRIGHT)):
        kit_folder.sound(f"{name}.wav", tone(partials, 2.0, fall=0.4 if name.endswith("a") else 0.7), RATE_HZ)
    # six of eight seconds: whole at pitch they do not fit, with the dull ones an octave up they do
    kit_folder.device(rate_hz=16_000, bits=16, memory_s=6.05, transpose=[-12, 12])
    names = ("dull-a", "bright-a", "dull-b", "bright-b")
    return kit_folder.kit([sound(name) for name in names], {"device": "tiny"})


def test_dull_sounds_alone_are_stored_an_octave_up_and_play_at_their_root_and_length(run, kit_folder, bright_and_dull):
    place, manifest = built(run, kit_folder, bright_and_dull, "tiny")
    for slot in manifest["slots"]:
        dull = slot["sound"].startswith("dull")
        assert slot["play_semitones"] == (-12 if dull else 0)
        assert [change["what"] for change in slot["changes"]] == (["repitch"] if dull else [])
        assert slot["root"]["note"] == "D3"  # the wanted note, not the stored one
        assert abs(slot["root"]["error_cents"]) <= 1
        samples, rate_hz = played(place, slot, slot["play_semitones"])
        assert abs(1200 * np.log2(line_hz(samples, rate_hz, D3_HZ) / D3_HZ)) <= 1  # the goal
        master, master_hz = sf.read(place / "masters" / f"{slot['sound']}.wav", always_2d=True)
        # half a stored frame of rounding, played an octave down, is a whole frame
        assert abs(len(samples) / rate_hz - len(master) / master_hz) <= 1 / 16_000
    assert manifest["budget"]["used"] <= manifest["budget"]["limit"]


def test_without_repitch_no_octave_is_used_and_tails_are_cut(run, kit_folder, bright_and_dull):
    text = bright_and_dull.read_text(encoding="utf-8") + '[fit]\nallow = ["shorten"]\n'
    bright_and_dull.write_text(text, encoding="utf-8")
    _, manifest = built(run, kit_folder, bright_and_dull, "tiny")
    assert {slot["play_semitones"] for slot in manifest["slots"]} == {0}
    assert {change["what"] for slot in manifest["slots"] for change in slot["changes"]} == {"shorten"}


def test_the_settings_of_holds_hold_the_octave_and_lie_in_reach(run, kit_folder):
    kit_folder.sound("pad.wav", tone(DULL, 4.0), RATE_HZ)
    kit_folder.device(rate_hz=16_000, bits=16, memory_s=2.4, transpose=[-24, 12])
    path = kit_folder.kit([sound("pad", plays="chords")], {"device": "tiny"}, song={"section": HOLD})
    place, manifest = built(run, kit_folder, path, "tiny")
    (slot,) = manifest["slots"]
    assert slot["play_semitones"] == -12
    assert {(hold["semitones"], hold["setting"]) for hold in slot["holds"]} == {(0, -12), (-5, -17)}
    for hold in slot["holds"]:
        assert -24 <= hold["setting"] <= 12
        assert hold["ok"]
        samples, rate_hz = played(place, slot, hold["setting"])
        wanted = D3_HZ * 2 ** (hold["semitones"] / 12)
        assert abs(1200 * np.log2(line_hz(samples, rate_hz, wanted) / wanted)) <= 1
        assert len(samples) / rate_hz >= hold["needs_s"]
    # a device that reaches only an octave down cannot play v from an octave up
    kit_folder.device(rate_hz=16_000, bits=16, memory_s=2.4, transpose=[-12, 12])
    _, manifest = built(run, kit_folder, path, "tiny")
    assert {slot["play_semitones"] for slot in manifest["slots"]} == {0}


# Other intervals than the octave, where the kit asks for them.

MIDDLE = dict.fromkeys(range(1, 34), 1.0)  # up to 4.85 kHz: under half of 16 kHz by a fifth, not by an octave
UPS = [3, 5, 7, 9, 12]


def test_what_an_octave_up_would_dull_is_stored_as_far_up_as_keeps_it_and_plays_at_its_root_and_length(run, kit_folder):
    for name, partials in (("dull", {1: 1.0}), ("middle", MIDDLE), ("bright", dict.fromkeys(range(1, 54), 1.0))):
        kit_folder.sound(f"{name}.wav", 0.1 * tone(partials, 2.0), RATE_HZ)  # so low that none clips
    chunks = ["smpl", "info"]
    kit_folder.device(rate_hz=16_000, bits=16, memory_s=4.4, transpose=[-12, 12], wav_chunks=chunks)
    names = ("dull", "middle", "bright")
    path = kit_folder.kit([sound(name) for name in names], {"device": "tiny"}, fit={"repitch_semitones": UPS})
    place, manifest = built(run, kit_folder, path, "tiny")
    assert manifest["fit"]["repitch_semitones"] == UPS
    # 1 + 2 x 2^(-7/12) + 2 s are 4.33; a sixth up middle would lose its highest partials, a fourth up it is too long
    settings = {slot["sound"]: slot["play_semitones"] for slot in manifest["slots"]}
    assert settings == {"dull": -12, "middle": -7, "bright": 0}
    for slot in manifest["slots"]:
        semitones, stored_at = slot["play_semitones"], slot["root"]["midi"] - slot["play_semitones"]
        assert slot["root"]["note"] == "D3"  # as it is once it is set
        assert abs(slot["root"]["error_cents"]) <= 1
        samples, rate_hz = played(place, slot, semitones)
        assert abs(1200 * np.log2(line_hz(samples, rate_hz, D3_HZ) / D3_HZ)) <= 1  # the goal
        master, master_hz = sf.read(place / "masters" / f"{slot['sound']}.wav", always_2d=True)
        # half a stored frame of rounding, played lower, is at most a whole one
        assert abs(len(samples) / rate_hz - len(master) / master_hz) <= 1 / 16_000
        assert slot["frames"] == len(samples) == manifest_frames(master, master_hz, semitones)
        # the note that the file itself sounds, as its chunks and its own words say it
        data = (place / slot["file"]).read_bytes()
        assert struct.unpack_from("<I", data, data.index(b"smpl") + 8 + 12)[0] == stored_at
        assert f"root {({50: 'D3', 57: 'A3', 62: 'D4'})[stored_at]}".encode() in data
        steps = [step for step in slot["made"]["steps"] if step["step"] == "transpose"]
        assert [step["settings"]["semitones"] for step in steps] == [-semitones] * bool(semitones)
    whys = {slot["sound"]: [change["why"] for change in slot["changes"]] for slot in manifest["slots"]}
    assert whys["middle"][0].startswith("stored 7 semitones up and played 7 down: 67 % of the room")
    assert whys["dull"][0].startswith("stored an octave up and played an octave down: half the room")
    assert manifest["budget"]["used"] == sum(slot["frames"] for slot in manifest["slots"])
    assert manifest["budget"]["used"] <= manifest["budget"]["limit"]
    page = (place / "sheet.html").read_text(encoding="utf-8")
    assert re.search("[Ss]tored 7 semitones up (?!and played)", page)  # in the sheet's own words, beside the manifest's
    checked = run("verify", place)
    assert checked.code == 0, checked.out + checked.err


def manifest_frames(master, master_hz, semitones):
    """Return how many frames a device stores of a sound: each lasts 2^(n/12) times as long once it plays n lower."""
    return round(len(master) / master_hz * 16_000 * 2 ** (semitones / 12))


def test_an_interval_is_used_only_where_all_settings_of_its_holds_lie_in_reach(run, kit_folder):
    kit_folder.sound("pad.wav", tone(DULL, 4.0), RATE_HZ)
    for low, wanted in ((-12, -7), (-11, -5), (-10, -5), (-9, 0)):  # v lies five down: 7 + 5 reach 12
        kit_folder.device(rate_hz=16_000, bits=16, memory_s=2.7, transpose=[low, 12])
        path = kit_folder.kit(
            [sound("pad", plays="chords")],
            {"device": "tiny"},
            song={"section": HOLD},
            fit={"repitch_semitones": UPS[1:]},
        )
        place, manifest = built(run, kit_folder, path, "tiny")
        (slot,) = manifest["slots"]
        assert slot["play_semitones"] == wanted
        assert {(hold["semitones"], hold["setting"]) for hold in slot["holds"]} == {(0, wanted), (-5, wanted - 5)}
        for hold in slot["holds"]:
            assert low <= hold["setting"] <= 12
            assert hold["ok"]
            samples, rate_hz = played(place, slot, hold["setting"])
            hz = D3_HZ * 2 ** (hold["semitones"] / 12)
            assert abs(1200 * np.log2(line_hz(samples, rate_hz, hz) / hz)) <= 1
            assert len(samples) / rate_hz >= hold["needs_s"]


def test_the_default_is_the_octave_alone_to_the_byte(run, kit_folder, bright_and_dull):
    said = bright_and_dull.read_text(encoding="utf-8")
    slots = []
    for text in (said, said + "[fit]\nrepitch_semitones = [12]\n"):
        bright_and_dull.write_text(text, encoding="utf-8")
        place, _ = built(run, kit_folder, bright_and_dull, "tiny")
        slots.append({path.name: path.read_bytes() for path in sorted((place / "slots").rglob("*.*"))})
    assert slots[0] == slots[1]
    assert len(slots[0]) == 4


# Loops.

LOOPING = ("mono12-41s", "stereo16-18mb")


@pytest.fixture
def short_pad(kit_folder):
    """Return a kit with a pad of 1.2 s under chords of 2 s."""
    kit_folder.sound("pad.wav", tone({1: 1.0, 2: 0.5, 3: 0.3, 4: 0.2}, 1.2, fall=0.0), RATE_HZ)

    def kit(device, **tables):
        return kit_folder.kit([sound("pad", plays="chords")], {"device": device}, song={"section": HOLD}, **tables)

    return kit


@pytest.mark.parametrize("device", LOOPING)
def test_a_pad_too_short_for_its_chord_loops_and_lasts_for_ever(run, kit_folder, short_pad, device):
    place, manifest = built(run, kit_folder, short_pad(device), device)
    (slot,) = manifest["slots"]
    start, end = slot["loop"]["start"], slot["loop"]["end"]
    assert 0 <= start < end <= slot["frames"] == sf.info(place / slot["file"]).frames
    assert [hold["lasts_s"] for hold in slot["holds"]] == [None, None]
    assert all(hold["ok"] for hold in slot["holds"])
    assert "loop" in [change["what"] for change in slot["changes"]]
    stored_at = slot["root"]["midi"] - slot["play_semitones"]
    assert smpl(place / slot["file"]) == (stored_at, start, end - 1)


@pytest.mark.parametrize("device", LOOPING)
def test_where_no_loop_is_allowed_the_pad_is_kept_whole_and_the_hold_said_to_fail(run, kit_folder, short_pad, device):
    path = short_pad(device, fit={"allow": ["shorten", "repitch", "lower-rate", "drop-copy"]})
    done = run("build", path, "--quiet")
    assert done.code == 1  # written, and short
    place = kit_folder.path / "build" / f"reeds-{device}"
    (slot,) = json.loads((place / "manifest.json").read_text(encoding="utf-8"))["slots"]
    assert slot["loop"] is None
    assert smpl(place / slot["file"]) is None
    assert not all(hold["ok"] for hold in slot["holds"])
    assert slot["seconds"] == pytest.approx(1.2, abs=0.05)  # its trimmed ends


def test_a_hold_that_fails_for_want_of_a_loop_that_may_not_be_made_says_so_and_is_right(run, kit_folder, short_pad):
    path = short_pad("mono12-41s", fit={"allow": ["shorten"]})
    assert run("build", path, "--quiet").code == 1
    manifest = json.loads((kit_folder.path / "build" / "reeds-mono12-41s" / "manifest.json").read_text("utf-8"))
    (hold,) = [check for check in manifest["checks"] if check["check"] == "hold"]
    assert hold["result"] == "fail"
    assert "allow `loop` in fit.allow" in hold["advice"]
    built(run, kit_folder, short_pad("mono12-41s", fit={"allow": ["shorten", "loop"]}), "mono12-41s")


def test_where_a_loop_would_not_help_it_is_not_advised(run, kit_folder, short_pad):
    """On a device that does not loop, and where it may be made but the sound has no part that is held."""
    for allow, device in ((["shorten"], "mono8-22s"), (["shorten", "loop"], "mono12-41s"), (["shorten"], "mono12-41s")):
        path = short_pad(device, fit={"allow": allow})
        kit_folder.sound("pad.wav", tone({1: 1.0, 2: 0.5}, 1.2, fall=40.0), RATE_HZ)
        assert run("build", path, "--quiet").code == 1
        manifest = json.loads((kit_folder.path / "build" / f"reeds-{device}" / "manifest.json").read_text("utf-8"))
        (hold,) = [check for check in manifest["checks"] if check["check"] == "hold"]
        assert hold["result"] == "fail"
        assert "`loop`" not in hold["advice"]


@pytest.mark.parametrize("copies", ["auto", "none"])
def test_a_kit_that_would_fit_with_a_loop_is_told_to_allow_it_and_then_fits(run, kit_folder, copies):
    """Two pads held 2 s each, v five down: 4.3 s with fades; 4.1 s are there, and each loop ends after 2.0 s."""
    for name in "ab":
        kit_folder.sound(f"{name}.wav", tone({1: 1.0, 2: 0.5, 3: 0.3, 4: 0.2}, 4.0, fall=0.0), RATE_HZ)
    kit_folder.device(rate_hz=16_000, memory_s=4.1, transpose=[-12, 12], loop=True, note_off="stops")
    sounds = [sound(name, plays="chords", copies=copies) for name in "ab"]
    path = kit_folder.kit(sounds, {"device": "tiny"}, song={"section": HOLD}, fit={"allow": ["shorten"]})
    said = refused(run, path, 1)
    assert "allow `loop` in fit.allow, which is enough" in said
    kit_folder.kit(sounds, {"device": "tiny"}, song={"section": HOLD}, fit={"allow": ["shorten", "loop"]})
    _, manifest = built(run, kit_folder, path, "tiny")
    assert any(slot["loop"] for slot in manifest["slots"])
    assert all(hold["ok"] for slot in manifest["slots"] for hold in slot["holds"])


def test_a_looped_kit_has_the_same_bytes_on_one_job_and_two(run, kit_folder, short_pad):
    path, bytes_of = short_pad("mono12-41s"), []
    for jobs in (1, 2):
        place, _ = built(run, kit_folder, path, "mono12-41s", "--jobs", jobs, "--fresh")
        bytes_of.append({file.name: file.read_bytes() for file in sorted(place.rglob("*")) if file.is_file()})
    assert bytes_of[0] == bytes_of[1]


# Rates, and what more memory would buy.


def test_a_lower_rate_is_used_where_it_is_allowed_and_only_there(run, kit_folder):
    kit_folder.sound("pad.wav", tone(DULL, 2.0), RATE_HZ)
    kit_folder.device(rate_hz=[16_000, 8_000], bits=16, memory_s=1.1)
    for allow, rate_hz, what in (
        (["shorten", "lower-rate"], 8_000, ["lower-rate"]),
        (["shorten"], 16_000, ["shorten"]),
    ):
        path = kit_folder.kit([sound("pad")], {"device": "tiny"}, fit={"allow": allow})
        place, manifest = built(run, kit_folder, path, "tiny")
        (slot,) = manifest["slots"]
        assert slot["rate_hz"] == rate_hz == sf.info(place / slot["file"]).samplerate
        assert [change["what"] for change in slot["changes"]] == what


def test_more_memory_buys_what_the_manifest_says(run, kit_folder):
    kit_folder.sound("a.wav", tone(BRIGHT, 2.0), RATE_HZ)
    kit_folder.sound("b.wav", tone(BRIGHT, 2.0, fall=1.5), RATE_HZ)
    budgets = []
    for memory_s in (2, 3):
        kit_folder.device(rate_hz=16_000, bits=16, memory_s=memory_s, transpose=[0, 0])
        _, manifest = built(run, kit_folder, kit_folder.kit([sound("a"), sound("b")], {"device": "tiny"}), "tiny")
        budgets.append(manifest["budget"])
        slots = manifest["slots"]
        total = sum(10 ** (slot["cost_db"] / 10) for slot in slots)
        # each figure is rounded to a tenth of a dB
        assert budgets[-1]["cost_db"] == pytest.approx(10 * np.log10(total), abs=0.15)
    assert budgets[0]["more"] == {"units": 16_000, "cost_db": budgets[1]["cost_db"]}
    assert budgets[1]["cost_db"] < budgets[0]["cost_db"]


def test_a_small_kit_fits_the_device_with_companded_codes_at_its_own_pitch(run, kit_folder, samples):
    kit_folder.sound("hit.wav", samples.hit())
    kit_folder.sound("pad.wav", tone(BRIGHT, 14.0, fall=0.2), RATE_HZ)
    path = kit_folder.kit([sound("pad"), {**sound("hit"), "steps": [{"step": "trim"}]}], {"device": "mulaw8-13s"})
    place, manifest = built(run, kit_folder, path, "mulaw8-13s")
    assert manifest["budget"]["used"] == sum(slot["frames"] for slot in manifest["slots"]) <= 13 * 15_000
    assert {slot["play_semitones"] for slot in manifest["slots"]} == {0}
    pad = manifest["slots"][0]
    assert [change["what"] for change in pad["changes"]] == ["shorten"]
    assert sf.info(place / pad["file"]).subtype == "ULAW"


# Kits that cannot be (goal 6).

PADS = [sound("a", plays="chords"), sound("b", plays="chords")]


@pytest.fixture
def pads(kit_folder):
    for name in "ab":
        kit_folder.sound(f"{name}.wav", tone(DULL, 4.0), RATE_HZ)
    return kit_folder


def refused(run, path, code):
    done = run("build", path)
    assert done.code == code, done.out + done.err
    assert not (path.parent / "build").exists() or not list((path.parent / "build").rglob("manifest.json"))
    return " ".join(done.err.split())


def test_no_memory_at_all_is_a_mistake_of_the_device_file(run, pads):
    pads.device(memory_s=0)
    said = refused(run, pads.kit(PADS, {"device": "tiny"}), 2)
    assert "tiny.toml: memory_s" in said


def test_too_little_memory_says_how_much_is_missing_and_what_would_do(run, pads):
    pads.device(memory_s=0.5, transpose=[-12, 12])
    said = refused(run, pads.kit(PADS, {"device": "tiny"}, song={"section": HOLD}), 1)
    assert "the kit does not fit tiny: it needs" in said
    assert "and has 0.50 s (4,000 frames)" in said
    assert "hint: " in said


def test_one_slot_for_two_sounds_says_so_and_that_leaving_one_out_is_enough(run, pads):
    pads.device(slots=1, memory_s=60)
    said = refused(run, pads.kit(PADS, {"device": "tiny"}), 1)
    assert "2 slots are needed and 1 is there: 1 over" in said
    assert "which is enough" in said


def test_two_sounds_in_one_slot_and_a_slot_that_is_not_there_are_mistakes_of_the_kit(run, pads):
    pads.device(slots=4)
    twice = [{**PADS[0], "slot": 1}, {**PADS[1], "slot": 1}]
    said = refused(run, pads.kit(twice, {"device": "tiny"}), 2)
    assert "slot" in said
    assert "1" in said
    beyond = [{**PADS[0], "slot": 5}, PADS[1]]
    assert "slot" in refused(run, pads.kit(beyond, {"device": "tiny"}), 2)


def test_a_chord_out_of_reach_with_no_copies_is_said_with_the_way_out(run, pads):
    pads.device(memory_s=60, transpose=[-2, 2])
    path = pads.kit([{**PADS[0], "copies": "none"}], {"device": "tiny"}, song={"section": HOLD})
    done = run("build", path)
    assert done.code == 1  # the build is written; the check fails
    said = " ".join(done.out.split()) + " ".join(done.err.split())
    assert "out of reach" in said
    checks = json.loads((pads.path / "build" / "reeds-tiny" / "manifest.json").read_text(encoding="utf-8"))["checks"]
    (reach,) = [check for check in checks if check["check"] == "reach"]
    assert (reach["result"], reach["figure"], reach["limit"], reach["about"]) == ("fail", -5, -2, ["a"])
    assert 'copies = "auto"' in reach["advice"]


def test_the_table_says_to_set_an_octave_down_for_a_fixed_sound_that_is_stored_an_octave_up(
    run, kit_folder, bright_and_dull
):
    shown = run("build", bright_and_dull, "--out", kit_folder.out).out
    rows = {line.split()[1]: line.split() for line in shown.splitlines() if line.strip()[:1].isdigit()}
    manifest = json.loads(next(kit_folder.out.glob("*/manifest.json")).read_text(encoding="utf-8"))
    settings = {slot["sound"]: slot["play_semitones"] for slot in manifest["slots"] if not slot["holds"]}
    assert -12 in settings.values()
    for name, semitones in settings.items():
        assert f"{semitones:+d}" in rows[name], rows[name]
