"""Bad input, each kind refused in one message: where, what was found, what is allowed; nothing is written."""

import errno
import os
import shutil
import struct
import subprocess
from itertools import count
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from kitfold.cli.main import _exit_code

RATE = 22_050


@pytest.fixture(scope="module")
def made(shared_folder):
    """A kit with a build that exists already."""
    assert _exit_code(["build", str(shared_folder.kit()), "--out", str(shared_folder.out), "--quiet"]) == 0
    return shared_folder


@pytest.fixture
def folder(kit_folder, made):
    """A kit folder of this test's own, with an earlier build in it."""
    shutil.copytree(made.out, kit_folder.out)
    return kit_folder


@pytest.fixture
def refused(folder, run):
    """Build and be refused: nothing may have changed on disk; gives the message."""

    def ran(kit, code=2, *arguments):
        before = folder.bytes()
        assert any(path.endswith("manifest.json") for path in before)
        done = run("build", kit, "--out", folder.out, *arguments)
        assert done.code == code
        assert folder.bytes() == before
        assert done.out == ""
        assert done.err.startswith("kitfold: ")
        return done.err

    return ran


@pytest.fixture
def with_source(folder, refused):
    """Put a file in the place of the pad's source and be refused."""

    def ran(content, name="bad.wav", **changes):
        if content is not None:
            (folder.path / name).write_bytes(content)
        sound = {"name": "pad", "source": name, **changes}
        said = refused(folder.kit(sounds=[sound]))
        assert "kit.toml: sound[1] (pad)" in said
        assert name in said
        return said

    return ran


def wav(samples, rate_hz=RATE, subtype="FLOAT", kind="WAV"):
    import io

    file = io.BytesIO()
    soundfile.write(file, samples, rate_hz, subtype=subtype, format=kind)
    return file.getvalue()


def tone(frames=4000, channels=1):
    return np.repeat(0.3 * np.sin(0.1 * np.arange(frames))[:, None], channels, axis=1)


# Sounds.


def test_a_missing_source_is_refused_and_a_near_name_is_offered(with_source):
    said = with_source(None, name="padd.wav")
    assert "does not exist" in said
    assert "did you mean" in said
    assert "pad.wav?" in said


def test_an_empty_source_is_refused(with_source):
    assert "is empty (0 bytes)" in with_source(b"")


@pytest.mark.parametrize("kind", ["WAV", "AIFF", "FLAC"])
def test_a_truncated_source_is_refused(with_source, kind):
    whole = wav(tone(), subtype="PCM_16", kind=kind)
    said = with_source(whole[: len(whole) // 2], name=f"bad.{kind.lower()}")
    assert "cut short" in said or "damaged" in said


@pytest.mark.parametrize(
    "content", [b"not audio at all, only words", b"RIFF\x24\0\0\0WAVE", b"fLaC" + bytes(40), bytes(999)]
)
def test_what_is_not_audio_is_refused(with_source, content):
    assert "is not audio that can be read, or it is damaged" in with_source(content)


def test_a_folder_in_the_place_of_a_source_is_refused(folder, refused):
    (folder.path / "bad.wav").mkdir()
    assert "is a folder, not a sound file" in refused(folder.kit(sounds=[{"name": "pad", "source": "bad.wav"}]))


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_nan_and_infinity_are_refused(with_source, value):
    samples = tone()
    samples[7] = value
    assert "has 1 samples that are not finite (NaN or infinite)" in with_source(wav(samples))


def test_all_silence_is_refused(with_source):
    assert "is silent" in with_source(wav(np.zeros(4000)))


def test_a_constant_offset_is_refused(with_source):
    assert "no sound but a constant offset of 0.25" in with_source(wav(np.full(4000, 0.25)))


def test_one_frame_is_refused(with_source):
    assert "has 1 frame of sound; allowed are 2 and more" in with_source(wav([0.5]))


def test_eight_channels_are_refused(with_source):
    assert "has 8 channels; allowed are 1 and 2" in with_source(wav(tone(channels=8)))


@pytest.mark.parametrize("rate_hz", [2000, 384_000])
def test_rates_that_are_too_low_or_high_are_refused(with_source, rate_hz):
    assert f"has a rate of {rate_hz} Hz; allowed are 4000 to 192000 Hz" in with_source(wav(tone(), rate_hz))


def test_over_ten_minutes_are_refused_and_a_region_is_suggested(with_source):
    said = with_source(wav(np.tile(tone(4000), (602, 1)), 4000, "PCM_U8"))
    assert "lasts 602 s; allowed are 600 s" in said
    assert "start_s and end_s" in said


@pytest.mark.parametrize(("start_s", "end_s"), [(9, None), (0.1, 9), (0.0, 1e-5)])
def test_regions_that_the_source_does_not_have_are_refused(folder, refused, start_s, end_s):
    region = {key: value for key, value in (("start_s", start_s), ("end_s", end_s)) if value is not None}
    said = refused(folder.kit(sounds=[{"name": "pad", "source": "pad.wav", **region}]))
    assert "has no region" in said or "frame" in said


@pytest.mark.parametrize("source", ["a\0b.wav", "x" * 999, "ä" * 200 + ".wav", "/dev/null", "."])
def test_sources_that_no_file_can_be_are_refused(folder, refused, source):
    assert "sound[1] (pad)" in refused(folder.kit(sounds=[{"name": "pad", "source": source}]))


def test_a_sound_that_a_device_cannot_play_at_all_is_refused(folder, refused):
    """A tone of 9 kHz is all above the 4 kHz that a device at 8000 Hz can store."""
    times = np.arange(11_025) / RATE
    fade = np.hanning(11_025)
    folder.sound("high.wav", 0.5 * fade * np.sin(2 * np.pi * 9000 * times))
    folder.device("tiny")
    kit = folder.kit(sounds=[{"name": "high", "source": "high.wav"}], head={"device": "tiny"})
    said = refused(kit)
    assert "sound[1] (high)" in said
    assert "above 4000 Hz" in said


def test_steps_that_leave_nothing_are_refused(folder, refused):
    steps = [{"step": "filter", "highpass_hz": 90_000, "slope_db": 48}]
    folder.sound("wide.wav", tone(48_000) * np.hanning(48_000)[:, None], 192_000, "FLOAT")
    said = refused(folder.kit(sounds=[{"name": "wide", "source": "wide.wav", "steps": steps}]))
    assert "sound[1] (wide) is silent after its steps" in said


def test_every_sound_that_fails_is_reported_not_only_the_first(folder, refused):
    (folder.path / "empty.wav").write_bytes(b"")
    sounds = [
        {"name": "one", "source": "gone.wav"},
        {"name": "two", "source": "empty.wav"},
        {"name": "three", "from": "one"},
        {"name": "pad", "source": "pad.wav"},
    ]
    said = refused(folder.kit(sounds=sounds))
    assert said.index("sound[1] (one)") < said.index("sound[2] (two)")
    assert "(three)" not in said  # it has nothing wrong of its own


# Kits and devices. What each refusal says in full is in tests/plan; here: that the command refuses and writes nothing.


@pytest.mark.parametrize(
    ("head", "sound", "said"),
    [
        ({"name": "a/b"}, {}, "kit.name must match a-z 0-9 -"),
        ({"name": "../reeds"}, {}, "kit.name must match"),
        ({"name": "nul"}, {}, "kit.name is reserved"),
        ({}, {"name": "con"}, "sound[1] (con).name is reserved"),
        ({}, {"name": "a.b"}, "must match a-z 0-9 -"),
        ({}, {"slot": 10}, "slot must be at most 9, the slots of mono8-22s (got 10)"),
        ({}, {"slot": -1}, "slot must be at least 1 (got -1)"),
        ({}, {"stpes": []}, "did you mean 'steps'?"),
        ({}, {"steps": [{"step": "trimm"}]}, "did you mean 'trim'?"),
        ({}, {"steps": [{"step": "effect", "name": "vst3"}]}, "name must be one of bitcrush"),
        ({"tempo": "fast"}, {}, "kit.tempo must be a number (got 'fast')"),
        ({"tempo": 10**18}, {}, "kit.tempo must be at most 400"),
        ({"device": "mono9"}, {}, "kit.device names no known device (got 'mono9')"),
    ],
)
def test_a_kit_with_a_mistake_is_refused(folder, refused, head, sound, said):
    found = refused(folder.kit(sounds=[{"name": "pad", "source": "pad.wav", **sound}], head=head))
    assert "kit.toml: " in found
    assert said in found


@pytest.mark.parametrize(
    ("sounds", "said"),
    [
        ([("a", {}), ("a", {})], "has 2 sounds named 'a'"),
        ([("a", {"slot": 2}), ("b", {"slot": 2})], "has 2 sounds in slot 2: a, b"),
        ([("a", {"from": "b"}), ("b", {"from": "a"})], "is made from itself: a → b → a"),
        ([("a", {"from": "c"})], "sound[1] (a).from names no sound of the kit (got 'c')"),
    ],
)
def test_sounds_that_do_not_go_together_are_refused(folder, refused, sounds, said):
    entries = [
        {"name": name, **changes} if "from" in changes else {"name": name, "source": "pad.wav", **changes}
        for name, changes in sounds
    ]
    assert said in refused(folder.kit(sounds=entries))


@pytest.mark.parametrize("pattern", ["{name.__class__}.wav", "{slot}{secret}.wav", "{name!r}.wav", "../{name}.wav"])
def test_a_file_name_pattern_reads_nothing_but_the_four_fields(folder, refused, pattern):
    folder.device("tiny", file_name=pattern)
    assert "file_name" in refused(folder.kit(head={"device": "tiny"}))


@pytest.mark.parametrize(
    "pattern", ["a*b/{name}.wav", "{slot}?.wav", "con/{name}.wav", "{slot}<.wav", "{name}..../{slot}.wav"]
)
def test_file_names_that_some_system_cannot_hold_are_refused(folder, refused, pattern):
    folder.device("tiny", file_name=pattern)
    said = refused(folder.kit(head={"device": "tiny"}))
    assert "tiny.toml: file_name" in said


def test_a_kit_that_does_not_fit_ends_with_one_and_writes_nothing(folder, refused):
    folder.device("tiny", memory_s=0.05)
    said = refused(folder.kit(head={"device": "tiny"}), 1)
    assert "the kit does not fit tiny: it needs" in said
    assert "over" in said
    assert "leave out" in said


def test_more_sounds_than_slots_end_with_one(folder, refused):
    folder.device("tiny", slots=1)
    assert "2 slots are needed and 1 is there: 1 over" in refused(folder.kit(head={"device": "tiny"}), 1)


def test_a_missing_kit_is_refused(folder, refused):
    assert "gone.toml does not exist" in refused(folder.path / "gone.toml")


# The disk.


def test_an_output_that_is_a_file_is_refused(kit_folder, run):
    kit = kit_folder.kit()
    (kit_folder.path / "out").write_text("mine")
    before = kit_folder.bytes()
    done = run("build", kit, "--out", kit_folder.path / "out")
    assert done.code == 2
    assert "cannot be written" in done.err
    assert kit_folder.bytes() == before


def test_a_folder_that_is_no_build_of_ours_is_not_replaced(kit_folder, run):
    kit = kit_folder.kit()
    mine = kit_folder.out / "reeds-mono8-22s"
    mine.mkdir(parents=True)
    (mine / "thesis.txt").write_text("mine")
    before = kit_folder.bytes()
    done = run("build", kit, "--out", kit_folder.out)
    assert done.code == 2
    assert "not a build of kitfold's" in done.err
    assert kit_folder.bytes() == before


@pytest.mark.parametrize("at", [1, 2, 4])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EIO])
def test_a_disk_that_refuses_at_any_file_leaves_the_earlier_build(folder, refused, monkeypatch, at, code):
    """The 1st, 2nd or 4th file that is opened for writing inside the new build fails as a real disk would."""
    calls, real = count(1), Path.open

    def failing(path, mode="r", *arguments, **options):
        if "x" in mode and ".new" in str(path) and next(calls) == at:
            raise OSError(code, os.strerror(code), str(path))
        return real(path, mode, *arguments, **options)

    monkeypatch.setattr(Path, "open", failing)
    said = refused(folder.kit())
    assert "cannot be written: " in said
    assert next(calls) > at  # the failing call was reached


@pytest.fixture
def small_disk(tmp_path):
    """A real disk of 64 kB; skipped where none can be mounted."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = (
        shutil.which("mount")
        and os.name == "posix"
        and os.geteuid() == 0
        and subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], capture_output=True, check=False
        ).returncode
        == 0
    )
    if not mounted:
        pytest.skip("no right to mount a disk here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_is_refused_and_left_as_it_was(kit_folder, run, small_disk):
    kit = kit_folder.kit()
    (small_disk / "mine.txt").write_text("mine")
    done = run("build", kit, "--out", small_disk / "build")
    assert done.code == 2
    assert "cannot be written: the disk is full" in done.err
    assert sorted(path.name for path in small_disk.rglob("*")) == ["mine.txt"]


def test_a_read_only_disk_is_refused(kit_folder, run, small_disk):
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    done = run("build", kit_folder.kit(), "--out", small_disk / "build")
    assert done.code == 2
    assert "the disk is read-only" in done.err


# Whatever a kit says: mostly right, so that it comes far, with one value that is anything.

ANY = st.recursive(
    st.text(max_size=6) | st.integers(-(2**63), 2**63 - 1) | st.floats() | st.booleans(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
PLACES = (
    [
        ("kit", key)
        for key in ("name", "title", "version", "licence", "device", "key", "tempo", "tempo_slowest", "a4_hz")
    ]
    + [
        ("sound", key)
        for key in ("name", "source", "start_s", "end_s", "steps", "recipe", "plays", "copies", "spare", "slot")
    ]
    + [
        ("step", key)
        for key in ("step", "as", "head_db", "tail_db", "pre_ms", "fade_ms", "semitones", "name", "to", "beats")
    ]
    + [("section", key) for key in ("name", "chords", "silent", "shift")]
    + [("fit", key) for key in ("allow", "hold_floor_db", "natural_range_semitones", "repitch_semitones")]
    + [("song", "beats_per_pattern")]
)
LIKELY = {
    "plays": ["chords", "tones", [0, 7], [-48, 48]], "copies": ["all", "none"], "steps": [[], [{"step": "reverse"}]],
    "device": ["mulaw8-13s", ["stereo16-18mb", "mono12-41s"]], "tempo": [10, 400], "start_s": [0.5],
    "chords": [["vii°", "-", "bII", "5"]], "shift": [{"pad": -48}, {"pad": 48}], "allow": [[]],
    "recipe": ["bell", "riser"], "end_s": [1e-4, 0.01],
    "hold_floor_db": [-90, -0.01], "repitch_semitones": [[1, 24], [7]], "spare": [0.01, 100],
    "beats_per_pattern": [256, 0.001], "fade_ms": [60_000],
}  # fmt: skip


@given(place=st.sampled_from(PLACES), data=st.data())
def test_arbitrary_kits_are_built_or_refused_in_words(shared_folder, place, data):
    table, key = place
    value = data.draw(st.sampled_from(LIKELY[key]) | ANY if key in LIKELY else ANY)
    step = {"step": "trim"}
    sound = {"name": "pad", "source": "pad.wav", "plays": "chords", "steps": [step, {"step": "tune"}]}
    section = {"name": "a", "chords": ["i", "VI"]}
    kit = shared_folder.table(
        sounds=[sound, {"name": "tail", "from": "pad"}], head={"name": "any"}, song={"section": [section]}, fit={}
    )
    {"kit": kit["kit"], "sound": sound, "step": step, "section": section, "fit": kit["fit"], "song": kit["song"]}[
        table
    ][key] = value
    if key == "recipe":
        del sound["steps"]
    path = shared_folder.text("any.toml", shared_folder.toml(kit))
    for command in (["check"], ["build", "--out", str(shared_folder.path / "any")]):
        assert _exit_code([*command, str(path), "--quiet"]) in (0, 1, 2)


# Whatever a file of sound holds.

SHORT = st.lists(
    st.floats(-2, 2, width=32) | st.sampled_from([0.0, 1.0, -1.0, float("nan"), float("inf")]), max_size=300
)
RECIPES = st.sampled_from(["raw", "pad", "hit", "pluck", "stacked-pad", "riser", None])
DEVICES = st.sampled_from(["mono8-22s", "mono12-41s", "mulaw8-13s", "stereo16-18mb"])


@settings(max_examples=40)
@given(
    samples=SHORT,
    times=st.integers(1, 40),
    rate_hz=st.sampled_from([4000, 22_050, 192_000]),
    channels=st.sampled_from([1, 2]),
    recipe=RECIPES,
    device=DEVICES,
)
def test_arbitrary_short_sounds_are_built_or_refused_in_words(
    shared_folder, samples, times, rate_hz, channels, recipe, device
):
    audio = np.tile(np.array(samples, np.float32), times)[: len(samples) * times // channels * channels]
    (shared_folder.path / "any.wav").write_bytes(wav(audio.reshape(-1, channels), rate_hz))
    sound = {"name": "any", "source": "any.wav", **({"recipe": recipe} if recipe else {})}
    kit = shared_folder.kit(
        sounds=[sound], head={"name": "any", "device": device}, song={"section": [{"name": "a", "chords": ["i", "VI"]}]}
    )
    assert _exit_code(["build", str(kit), "--out", str(shared_folder.path / "any"), "--quiet"]) in (0, 1, 2)


@settings(max_examples=40)
@given(
    content=st.binary(max_size=400),
    magic=st.sampled_from([b"", b"RIFF", b"fLaC", b"OggS", b"FORM", b"ID3", b".snd", b"riff"]),
)
def test_arbitrary_bytes_for_a_sound_are_refused_in_words(shared_folder, content, magic):
    (shared_folder.path / "any.wav").write_bytes(magic + content)
    kit = shared_folder.kit(sounds=[{"name": "any", "source": "any.wav"}], head={"name": "any"})
    assert _exit_code(["build", str(kit), "--out", str(shared_folder.path / "any"), "--quiet"]) == 2


@settings(max_examples=30)
@given(place=st.integers(0, 120), byte=st.integers(0, 255))
def test_a_wav_with_one_wrong_byte_in_its_header_never_shows_a_bug(shared_folder, place, byte):
    content = bytearray(wav(tone(3000), subtype="PCM_16"))
    content[place] = byte
    (shared_folder.path / "any.wav").write_bytes(bytes(content))
    kit = shared_folder.kit(sounds=[{"name": "any", "source": "any.wav"}], head={"name": "any"})
    assert _exit_code(["build", str(kit), "--out", str(shared_folder.path / "any"), "--quiet"]) in (0, 1, 2)


def test_a_wav_that_promises_four_gigabytes_is_refused(with_source):
    content = bytearray(wav(tone(), subtype="PCM_16"))
    content[40:44] = struct.pack("<I", 0x7FFE0000)
    assert "cut short" in with_source(bytes(content))
