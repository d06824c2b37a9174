"""A careful forger's pack, in which every hash agrees: what its manifest says of a sound is measured, and is wrong."""

import io
import json
import shutil
import struct

import numpy as np
import pytest
import soundfile

from kitfold.pack.verify.verify import verify

PAD, SLOT = "full/pad_D3_120bpm.wav", "device/tiny/01_pad.wav"


@pytest.fixture
def check(parts, forge, tmp_path):
    """Forge a pack and return what verify finds, as (file, what)."""

    def found(changed=None, **how):
        report = verify(forge.zip(tmp_path / "pack.zip", forge.all({**parts, **(changed or {})}, **how)))
        return {(one.file, one.what) for one in report.differences}

    return found


@pytest.fixture
def slots(parts):
    return {slot["sound"]: slot for slot in json.loads(parts["device/tiny/manifest.json"])["slots"]}


def changed_sound(data, change):
    """Return a WAV of the same form with other samples."""
    samples, rate_hz = soundfile.read(io.BytesIO(data), always_2d=True, dtype="float64")
    file = io.BytesIO()
    soundfile.write(file, change(samples), rate_hz, format="WAV", subtype=soundfile.info(io.BytesIO(data)).subtype)
    return file.getvalue()


def sound(name, key, value):
    """Return a forger of one figure of a sound of the full edition."""

    def change(entry):
        if entry["name"] == name:
            inner = entry
            for part in key[:-1]:
                inner = inner[part]
            inner[key[-1]] = value

    return change


def slot(name, key, value):
    """Return a forger of one figure of a slot."""
    change = sound(name, key, value)
    return lambda entry: change({**entry, "name": entry["sound"]}) if len(key) > 1 else only(entry, name, key[0], value)


def only(entry, name, key, value):
    if entry["sound"] == name:
        entry[key] = value


def test_a_forger_who_changes_nothing_is_not_found(check):
    assert not check()


# 3 dB and a quarter of a semitone lie far over verify's limits, 0.05 dB and 1 cent.
def test_a_sound_made_louder_is_found_by_its_level(check, parts):
    assert (PAD, "level.lufs") in check({PAD: changed_sound(parts[PAD], lambda samples: samples * 10 ** (-3 / 20))})


def test_a_sound_that_was_moved_is_found_by_its_root(check, parts):
    def flat(samples):
        times = np.arange(len(samples)) * 2 ** (-25 / 1200)
        return np.interp(times, np.arange(len(samples)), samples[:, 0])[:, np.newaxis]

    assert (PAD, "root.error_cents") in check({PAD: changed_sound(parts[PAD], flat)})


def test_a_click_is_found_by_its_peak(check, parts):
    def clicked(samples):
        samples[3000] = 0.99
        return samples

    assert (PAD, "level.peak_db") in check({PAD: changed_sound(parts[PAD], clicked)})


@pytest.mark.parametrize(
    ("key", "value", "what"),
    [
        (("level", "lufs"), -12.3, "level.lufs"),
        (("level", "peak_db"), -0.5, "level.peak_db"),
        (("level", "true_peak_db"), 0.4, "level.true_peak_db"),
        (("root", "error_cents"), 4.0, "root.error_cents"),
        (("root", "error_cents"), None, "root.error_cents"),
        (("root", "hz"), 150.0, "root.error_cents"),
        (("root", "midi"), 52, "root.hz"),
        (("root", "hz"), None, "root"),
        (("frames",), 4000, "seconds"),
        (("seconds",), 3.0, "seconds"),
        (("rate_hz",), 48000, "seconds"),
        (("channels",), 2, "bytes of sound"),
        (("channels",), 3, "form"),
        (("loop",), {"start": 0, "end": 10**6}, "loop"),
        (("loop",), {"start": 10, "end": 5}, "loop"),
        (("loop",), {"start": 10, "end": 5000}, "loop in its smpl chunk"),
        (("rights",), " ", "rights"),
        (("preview",), "preview/none.mp3", "preview of pad"),
    ],
)
def test_a_figure_that_is_not_the_file_s_is_found(check, key, value, what):
    assert (PAD, what) in check(of_sound=sound("pad", key, value)) or ("preview/none.mp3", what) in check(
        of_sound=sound("pad", key, value)
    )


@pytest.mark.parametrize(
    ("key", "value", "what"),
    [
        ("bits", 16, "slot 1 bits"),
        ("encoding", "unsigned", "slot 1 encoding"),
        ("memory", 1, "budget.used"),
        ("slot", 77, "slots"),
    ],
)
def test_a_slot_that_its_device_could_not_have_is_found(check, key, value, what):
    assert ("device/tiny/manifest.json", what) in check(of_slot=slot("pad", (key,), value))


def test_a_slot_s_own_figures_are_measured_too(check, slots):
    assert slots["pad"]["loop"]  # this device goes round
    assert slots["hit"]["loop"] is None
    for key, value in (("lufs", -3.0), ("peak_db", -7.0)):
        found = check(of_slot=lambda entry, key=key, value=value: entry["level"].update({key: value}))
        assert {(SLOT, f"level.{key}"), ("device/tiny/02_hit.wav", f"level.{key}")} <= found


def test_a_loop_that_is_another_in_the_file_is_found(check, slots):
    loop = slots["pad"]["loop"]
    moved = {"start": loop["start"] + 1, "end": loop["end"]}
    assert (SLOT, "loop in its smpl chunk") in check(of_slot=slot("pad", ("loop",), moved))


def test_a_note_that_is_another_in_the_file_is_found(check, parts):
    place = parts[PAD].index(b"smpl") + 8 + 12
    data = bytearray(parts[PAD])
    struct.pack_into("<I", data, place, 60)
    assert check({PAD: bytes(data)}) == {(PAD, "note in its smpl chunk")}


def test_holds_are_measured_on_the_stored_file(check, slots, parts):
    """The pad goes round on tiny, for ever; on the other device it lasts as long as it is."""
    device = json.loads(parts["device/mono8-22s/manifest.json"])
    pad = next(one for one in device["slots"] if one["sound"] == "pad")
    assert pad["holds"]
    assert all(one["lasts_s"] > 0 for one in pad["holds"])
    assert all(one["lasts_s"] is None for one in slots["pad"]["holds"])

    def longer(entry):
        for hold in entry["holds"]:
            hold["lasts_s"] = 0.5 if hold["lasts_s"] is None else hold["lasts_s"] + 0.05

    files = {file for file, what in check(of_slot=longer) if what.startswith("hold of ")}
    assert files == {SLOT, f"device/mono8-22s/{pad['file']}"}


def test_two_sounds_swapped_with_their_hashes_are_found_by_what_they_hold(check, parts):
    hit = "full/hit_none_120bpm.wav"
    assert {file for file, _ in check({PAD: parts[hit], hit: parts[PAD]})} == {PAD, hit}


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda hold: hold.update(ok=not hold["ok"]), "hold of i in shore: ok"),
        (lambda hold: hold.update(chord="iv"), "hold of iv in shore"),
        (lambda hold: hold.update(section="dusk"), "hold of i in dusk"),
        (lambda hold: hold.update(setting=hold["setting"] + 1), "hold of i in shore"),
        (lambda hold: hold.update(semitones=5), "hold of i in shore"),
    ],
)
def test_a_hold_that_the_song_or_its_own_figures_deny_is_found(check, change, what):
    def forge(entry):
        for hold in entry["holds"]:
            if hold["chord"] == "i":
                change(hold)

    assert (SLOT, what) in check(of_slot=forge)


@pytest.mark.parametrize("note", ["D4", "E3", "", "H2", None])
def test_a_note_that_is_not_its_number_is_found(check, note):
    assert (PAD, "root.note") in check(of_sound=sound("pad", ("root", "note"), note))


def test_an_edition_of_another_kit_song_device_or_sound_is_found(check):
    assert ("device/tiny/manifest.json", "kit.author") in check(of_pack=lambda pack: pack["kit"].update(author="Bo"))
    assert ("device/tiny/manifest.json", "song.sections") in check(
        of_pack=lambda pack: pack["song"].update(sections=[])
    )
    renamed = check(of_pack=lambda pack: pack["editions"][0].update(device="huge"))
    assert ("device/tiny/manifest.json", "device.name") in renamed
    assert ("device/tiny/manifest.json", "sound pad") in check(of_sound=sound("pad", ("name",), "pod"))
    assert ("manifest.json", "sound hit") in check(of_sound=sound("pad", ("name",), "hit"))


def test_a_pack_without_a_licence_is_found(check):
    for licence in ("", "as you like", None, 5):
        found = check(of_pack=lambda pack, licence=licence: pack["kit"].update(licence=licence))
        assert ("manifest.json", "kit.licence") in found


def test_a_table_that_says_other_figures_is_found(parts, forge, tmp_path):
    forgery = forge.all(parts)
    forgery["manifest.csv"] = forgery["manifest.csv"].replace(b"D3", b"E3")
    pack = json.loads(forgery["manifest.json"])
    import hashlib

    for entry in pack["files"]:
        if entry["file"] == "manifest.csv":
            entry["sha256"] = hashlib.sha256(forgery["manifest.csv"]).hexdigest()
    forgery["manifest.json"] = forge.json(pack)
    forgery["SHA256SUMS"] = forge.sums(forgery)
    found = verify(forge.zip(tmp_path / "pack.zip", forgery)).differences
    assert [(one.file, one.what) for one in found] == [("manifest.csv", "rows")]


def test_fields_that_we_do_not_know_are_ignored(check):
    def newer(entry):
        entry["colour"] = {"of": ["the", "cover"]}

    assert not check(of_sound=newer, of_slot=newer, of_pack=newer)


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"[]",
        b"{",
        b"\xff\xfe",
        b'{"schema": "kitfold-pack/1"}',
        b'{"schema": "kitfold-pack/1", "schema": "kitfold-pack/1"}',
        b'{"schema": "kitfold-pack/1", "sounds": NaN}',
        b'{"schema": "kitfold-pack/1", "sounds": 1e999}',
        b'{"schema": "kitfold-pack/1", "sounds": ' + b"9" * 5000 + b"}",
        b'{"schema": "kitfold-pack/1", "sounds": ' + b"[" * 100_000,
        b'{"schema": "kitfold-pack/1", "sounds": [' + b"0," * 300_000 + b"0]}",
        b'{"schema": "kitfold-manifest/1", "slots": [{}]}',
    ],
    ids=lambda text: text[:40].decode("latin-1"),
)
def test_a_manifest_that_is_none_is_a_line_and_no_crash(parts, forge, text, tmp_path):
    changed = {**parts, "manifest.json": text}
    changed["SHA256SUMS"] = forge.sums(changed)
    assert {one.file for one in verify(forge.zip(tmp_path / "pack.zip", changed)).differences} >= {"manifest.json"}


def test_a_build_s_figures_are_measured_too(published, tmp_path):
    build = shutil.copytree(published.build, tmp_path / "build")
    manifest = json.loads((build / "manifest.json").read_text("utf-8"))
    manifest["slots"][0]["level"]["lufs"] += 0.1  # twice verify's limit
    manifest["slots"][0]["root"]["error_cents"] += 1.5
    (build / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    file = manifest["slots"][0]["file"]
    assert [(one.file, one.what) for one in verify(build).differences] == [
        (file, "level.lufs"),
        (file, "root.error_cents"),
    ]
