"""Reading and writing: what is refused and why, what is read, and that nothing is ever half written."""

import errno
import hashlib
import io
import os
import pathlib
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from kitfold.errors import KitfoldError, PackError, SoundFileError
from kitfold.files import (
    WrittenFiles,
    digest_of,
    file_name_problem,
    read_sound,
    safe_file_name,
    sha256_of,
    sound_facts,
    write_bytes,
    write_master,
    write_text,
)
from kitfold.sound import Sound

RATE_HZ = 8000


def tone(frames=4000, channels=1):
    return 0.5 * np.sin(0.3 * np.arange(frames))[:, None] * np.ones((1, channels))


def take(folder, samples=None, rate_hz=RATE_HZ, name="take.wav", subtype="FLOAT", **options):
    path = folder / name
    soundfile.write(path, tone() if samples is None else samples, rate_hz, subtype=subtype, **options)
    return path


# What is read


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(
    ("format_", "subtype"),
    [("WAV", "PCM_U8"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_32"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"),
     ("WAV", "ULAW"), ("WAVEX", "PCM_16"), ("RF64", "PCM_24"), ("W64", "PCM_16"), ("AIFF", "PCM_24"), ("AU", "PCM_16"),
     ("CAF", "PCM_24"), ("CAF", "ALAC_24"), ("FLAC", "PCM_24"), ("OGG", "VORBIS"), ("OGG", "OPUS"),
     ("MP3", "MPEG_LAYER_III"), ("XI", "DPCM_16")],
)  # fmt: skip
def test_whatever_libsndfile_reads_is_read(tmp_path, format_, subtype, channels):
    if format_ == "XI" and channels == 2:
        return  # an XI instrument is mono
    rate_hz = 44_100 if format_ == "XI" else 48_000  # an XI has no rate of its own
    path = take(tmp_path, tone(9000, channels), rate_hz, "take.bin", subtype, format=format_)
    sound = read_sound(path)
    assert (sound.frames, sound.channels, sound.rate_hz) == (9000, channels, rate_hz)
    # coarse: 8 bits and lossy codecs, loosest at the ends; what matters is that it is this sound, in place and at level
    assert np.abs(sound.float64() - tone(9000, channels))[1000:-1000].max() < 0.06


@pytest.mark.parametrize("rate_hz", [4000, 192_000])
def test_rates_from_4_to_192_khz_are_read(tmp_path, rate_hz):
    assert read_sound(take(tmp_path, rate_hz=rate_hz)).rate_hz == rate_hz


def test_only_the_region_is_read_and_it_is_the_right_one(tmp_path, monkeypatch):
    samples = tone(8000, 2)
    path = take(tmp_path, samples)
    asked = []
    read = soundfile.SoundFile.read
    monkeypatch.setattr(
        soundfile.SoundFile, "read", lambda self, frames, **kw: asked.append(frames) or read(self, frames, **kw)
    )
    sound = read_sound(path, 0.25, 0.75)
    assert asked == [4000]
    assert np.array_equal(sound.samples, samples[2000:6000].astype(np.float32))
    assert read_sound(path, start_s=0.5).frames == 4000
    assert read_sound(path, end_s=0.5).frames == 4000


@pytest.mark.parametrize(("format_", "subtype"), [("FLAC", "PCM_24"), ("OGG", "VORBIS"), ("OGG", "OPUS"),
                                                  ("MP3", "MPEG_LAYER_III"), ("CAF", "ALAC_24")])  # fmt: skip
def test_a_region_of_a_compressed_sound_is_a_part_of_the_whole(tmp_path, format_, subtype):
    samples = tone(60_000) + np.random.default_rng(1).normal(0, 0.01, (60_000, 1))
    path = take(tmp_path, samples, 48_000, "take.bin", subtype, format=format_)
    whole, part = read_sound(path), read_sound(path, 0.5, 1.0)
    assert np.abs(part.float64() - whole.float64()[24_000:48_000]).max() < 1e-6  # MP3 decodes in float32


def test_a_long_file_is_read_by_region_though_the_whole_is_refused(tmp_path):
    path = take(tmp_path, np.tile(tone(4000), (601, 1)), 4000, subtype="PCM_U8")
    assert "start_s and end_s" in refused(path, r"lasts 601 s; allowed are 600 s \(10 minutes\)").hint
    assert read_sound(path, 0.5, 600.5).seconds == 600


def test_facts_come_from_the_header_alone(tmp_path, monkeypatch):
    path = take(tmp_path, tone(8000, 2), name="take.flac", subtype="PCM_24")
    monkeypatch.delattr(soundfile.SoundFile, "read")
    facts = sound_facts(path)
    assert (facts.rate_hz, facts.channels, facts.frames) == (RATE_HZ, 2, 8000)
    assert (facts.format, facts.subtype, facts.seconds) == ("FLAC", "PCM_24", 1.0)


def test_a_hash_is_the_files_sha256(tmp_path):
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: SHA-256 of "abc"
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


# What is refused


def refused(path, match, **region):
    with pytest.raises(SoundFileError, match=match) as caught:
        read_sound(path, **region)
    (mistake,) = caught.value.mistakes
    assert mistake.where == str(path)
    assert mistake.hint
    return mistake


def test_a_missing_file_is_refused_and_the_nearest_name_offered(tmp_path):
    take(tmp_path, name="reed-pad.wav")
    assert "reed-pad.wav?" in refused(tmp_path / "red-pad.wav", "does not exist").hint
    refused(tmp_path / "nowhere" / "a.wav", "does not exist")
    refused(tmp_path / "reed-pad.wav" / "a.wav", "does not exist")


def test_a_folder_is_refused(tmp_path):
    refused(tmp_path, "is a folder, not a sound file")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_refused_without_waiting_for_it(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    refused(tmp_path / "pipe.wav", "is not a regular file")


@pytest.mark.parametrize("name", ["a\0b.wav", "x" * 300 + ".wav", "a\ud800.wav"])
def test_a_name_that_no_file_can_have_is_refused(tmp_path, name):
    refused(tmp_path / name, "cannot be read|does not exist")


def test_an_empty_file_is_refused(tmp_path):
    (tmp_path / "a.wav").touch()
    refused(tmp_path / "a.wav", r"is empty \(0 bytes\)")


@pytest.mark.parametrize("name", ["a.wav", "a.raw", "a.flac", "a.txt"])
def test_what_is_not_audio_is_refused(tmp_path, name):
    (tmp_path / name).write_bytes(b"The tide comes in twice a day." * 40)
    refused(tmp_path / name, "is not audio that can be read")


@pytest.mark.parametrize(
    ("format_", "subtype"),
    [("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAVEX", "PCM_16"), ("RF64", "PCM_16"), ("W64", "PCM_16"),
     ("AIFF", "PCM_24"), ("AU", "PCM_16"), ("SVX", "PCM_16"), ("WAV", "IMA_ADPCM"), ("CAF", "PCM_16"),
     ("FLAC", "PCM_16"), ("MP3", "MPEG_LAYER_III"), ("OGG", "VORBIS"), ("OGG", "OPUS")],
)  # fmt: skip
@pytest.mark.parametrize("left", [0.3, 0.9])
def test_a_file_that_was_cut_short_is_refused(tmp_path, format_, subtype, left):
    noise = np.random.default_rng(2).normal(0, 0.1, (48_000, 1))
    path = take(tmp_path, noise, 48_000, "take.bin", subtype, format=format_)
    assert read_sound(path).frames >= 48_000  # ADPCM fills its last block
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * left)])
    refused(path, "is cut short: its (header promises|last page)|is not audio that can be read, or it is damaged")


def test_one_missing_frame_is_noticed_and_a_missing_pad_byte_is_none(tmp_path):
    data = take(tmp_path, tone(101), subtype="PCM_U8").read_bytes()
    (tmp_path / "pad.wav").write_bytes(data[:-1])
    assert read_sound(tmp_path / "pad.wav").frames == 101
    (tmp_path / "frame.wav").write_bytes(data[:-2])
    refused(tmp_path / "frame.wav", "promises 101 bytes of sound, the file holds 100")


def test_a_stream_of_unknown_length_is_no_broken_promise(tmp_path):
    data = bytearray(take(tmp_path, subtype="PCM_16").read_bytes())
    struct.pack_into("<I", data, 4, 0xFFFFFFFF)
    struct.pack_into("<I", data, data.index(b"data") + 4, 0xFFFFFFFF)
    (tmp_path / "pipe.wav").write_bytes(data)
    assert read_sound(tmp_path / "pipe.wav").frames == 4000


def test_a_cut_behind_the_region_does_not_hurt_a_format_that_can_be_read_up_to_it(tmp_path):
    noise = np.random.default_rng(2).normal(0, 0.1, (48_000, 1))
    path = take(tmp_path, noise, 48_000, "take.flac", "PCM_16")
    path.write_bytes(path.read_bytes()[:60_000])
    assert read_sound(path, 0, 0.3).frames == 14_400
    refused(path, "cut short|damaged", start_s=0.5)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e300])
def test_samples_that_are_not_finite_are_refused_and_counted(tmp_path, value):
    samples = tone()
    samples[7] = value
    with np.errstate(over="ignore"):
        refused(take(tmp_path, samples, subtype="DOUBLE"), r"has 1 samples that are not finite \(NaN or infinite\)")


@pytest.mark.parametrize("level", [0.0, 2e-5, -2e-5])
def test_silence_is_refused(tmp_path, level):
    refused(take(tmp_path, np.full((4000, 2), level)), "is silent: nothing in it is louder than -90 dBFS")


@pytest.mark.parametrize("level", [0.25, -0.25])
def test_a_constant_offset_is_refused(tmp_path, level):
    refused(take(tmp_path, np.full((4000, 1), level)), r"holds no sound but a constant offset of 0\.25 of full scale")
    refused(take(tmp_path, np.full((4000, 2), [0.1, level])), "holds no sound but a constant offset")


def test_a_sound_on_an_offset_or_in_one_channel_is_read(tmp_path):
    assert read_sound(take(tmp_path, 0.3 + 0.001 * tone())).frames == 4000
    assert read_sound(take(tmp_path, tone(4000, 2) * [0, 1])).channels == 2


@pytest.mark.parametrize("frames", [0, 1])
def test_fewer_than_two_frames_are_refused(tmp_path, frames):
    match = rf"has {frames} frames? of sound; allowed are 2 and more"
    refused(take(tmp_path, tone(frames) + 0.1), match)
    if frames:
        refused(take(tmp_path), match, start_s=0.1, end_s=0.1 + frames / RATE_HZ)


def test_more_than_two_channels_are_refused(tmp_path):
    refused(take(tmp_path, tone(4000, 8)), "has 8 channels; allowed are 1 and 2")


@pytest.mark.parametrize("rate_hz", [2000, 3999, 192_001, 384_000])
def test_rates_outside_4_to_192_khz_are_refused(tmp_path, rate_hz):
    refused(take(tmp_path, rate_hz=rate_hz), f"has a rate of {rate_hz} Hz; allowed are 4000 to 192000 Hz")
    with pytest.raises(SoundFileError, match="has a rate"):
        sound_facts(tmp_path / "take.wav")


@pytest.mark.parametrize(
    ("start_s", "end_s"),
    [
        (0.5, None),
        (-0.1, None),
        (0.3, 0.2),
        (0.2, 0.2),
        (0, 0.6),
        (float("nan"), None),
        (0, float("inf")),
        (1e308, None),
    ],
)
def test_a_region_outside_the_file_is_refused_with_its_length(tmp_path, start_s, end_s):
    refused(take(tmp_path), r"has no region from .* s; allowed is 0 to 0\.5 s", start_s=start_s, end_s=end_s)


def test_numbers_that_were_never_scaled_to_full_scale_are_refused(tmp_path):
    refused(take(tmp_path, tone() * 32768), r"peaks at \+84 dBFS; allowed is up to \+40 dBFS")
    assert read_sound(take(tmp_path, tone() * 8)).peak() == pytest.approx(4, rel=1e-3)


@settings(max_examples=150, deadline=None)
@given(data=st.data(), seed=st.integers(0, 99))
def test_no_bytes_at_all_raise_anything_but_our_own_error(tmp_path_factory, data, seed):
    format_, subtype = data.draw(st.sampled_from([("WAV", "PCM_16"), ("AIFF", "PCM_24"), ("FLAC", "PCM_16"),
                                                  ("AU", "PCM_16"), ("W64", "PCM_16"), ("RF64", "FLOAT"),
                                                  ("OGG", "VORBIS")]))  # fmt: skip
    file = io.BytesIO()
    soundfile.write(file, np.random.default_rng(seed).normal(0, 0.1, 300), 8000, format=format_, subtype=subtype)
    found = bytearray(file.getvalue())
    for _ in range(data.draw(st.integers(0, 6))):
        found[data.draw(st.integers(0, min(len(found) - 1, 120)))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "any.bin"
    path.write_bytes(bytes(found[: data.draw(st.integers(0, len(found)))]))
    try:
        sound = read_sound(path)
    except SoundFileError:
        return
    assert 1 <= sound.channels <= 2
    assert sound.frames >= 2


# What is written


def test_a_file_is_written_with_its_folders_and_nothing_beside_it(tmp_path):
    path = tmp_path / "a" / "b" / "kit.bin"
    write_bytes(path, b"one")
    write_bytes(path, b"two")
    assert path.read_bytes() == b"two"
    assert os.listdir(path.parent) == ["kit.bin"]


def test_text_has_the_same_bytes_on_every_system(tmp_path):
    write_text(tmp_path / "a.toml", 'title = "Salzwiese – früh"\n')
    assert (tmp_path / "a.toml").read_bytes() == 'title = "Salzwiese – früh"\n'.encode()


def test_a_file_in_parts_is_known_by_the_same_digest_as_the_whole(tmp_path):
    files = WrittenFiles(tmp_path)
    written = files.write("a/parts.bin", iter([b"one ", b"", b"two"]))
    assert written == files.write("whole.bin", b"one two") == digest_of(b"one two")
    assert written == (hashlib.sha256(b"one two").hexdigest(), 7)
    assert dict(files) == {"a/parts.bin": b"one two", "whole.bin": b"one two"}


def test_parts_that_fail_leave_no_file(tmp_path):
    files = WrittenFiles(tmp_path)

    def failing():
        yield b"one"
        raise ValueError("no more")

    with pytest.raises(ValueError, match="no more"):
        files.write("x.bin", failing())
    assert list(tmp_path.iterdir()) == []
    assert "x.bin" not in files


def test_an_error_while_writing_leaves_the_earlier_file_and_nothing_else(tmp_path, monkeypatch):
    path = tmp_path / "kit.zip"
    write_bytes(path, b"earlier")

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(PackError, match=r"kit\.zip cannot be written: the disk is full\n  hint: free some space"):
        write_bytes(path, b"later" * 1000)
    assert path.read_bytes() == b"earlier"
    assert os.listdir(tmp_path) == ["kit.zip"]


@pytest.mark.parametrize(("number", "match"), [(errno.EACCES, "permission denied"), (errno.EROFS, "disk is read-only"),
                                               (errno.EIO, os.strerror(errno.EIO))])  # fmt: skip
def test_what_the_disk_refuses_is_said_in_words(tmp_path, monkeypatch, number, match):
    def refuse(self, *_, **__):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(pathlib.Path, "open", refuse)
    with pytest.raises(PackError, match=match):
        write_bytes(tmp_path / "a", b"")


def test_a_file_in_the_place_of_a_folder_is_said_in_words(tmp_path):
    (tmp_path / "a").touch()
    with pytest.raises(PackError, match="a part of its path is a file, not a folder"):
        write_bytes(tmp_path / "a" / "b", b"")
    (tmp_path / "folder").mkdir()
    with pytest.raises(PackError, match=r"folder cannot be written"):
        write_bytes(tmp_path / "folder", b"")
    assert sorted(os.listdir(tmp_path)) == ["a", "folder"]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permissions do not hold for root")
def test_a_folder_without_permission_is_said_in_words(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(PackError, match="permission denied"):
            write_bytes(tmp_path / "a", b"")
    finally:
        tmp_path.chmod(0o700)


@pytest.mark.parametrize("channels", [1, 2])
def test_a_24_bit_take_comes_out_of_a_master_bit_for_bit(tmp_path, channels):
    codes = np.random.default_rng(3).integers(-(2**23), 2**23, (1001, channels), dtype=np.int32) << 8
    source = take(tmp_path, codes, 44_100, subtype="PCM_24")
    write_master(tmp_path / "master.wav", read_sound(source))
    with soundfile.SoundFile(tmp_path / "master.wav") as file:
        assert (file.subtype, file.samplerate, file.format) == ("PCM_24", 44_100, "WAV")
        assert np.array_equal(file.read(dtype="int32", always_2d=True), codes)


def test_a_master_is_rounded_to_the_nearest_step_and_clipped(tmp_path):
    step = 2.0**-23
    write_master(tmp_path / "a.wav", Sound([0.6 * step, -0.6 * step, 0.4 * step, 1.5, -1.5], 44_100))
    got, _ = soundfile.read(tmp_path / "a.wav", dtype="int32")
    assert (got >> 8).tolist() == [1, -1, 0, 2**23 - 1, -(2**23)]


def test_the_same_master_gives_the_same_bytes_and_nothing_is_a_master_too(tmp_path):
    hashes = set()
    for name in ("a", "b"):
        write_master(tmp_path / name, Sound(tone(), 44_100))
        hashes.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(hashes) == 1
    write_master(tmp_path / "c.wav", Sound(np.zeros((0, 2)), 44_100))
    assert soundfile.info(tmp_path / "c.wav").frames == 0


# Names


@pytest.mark.parametrize(
    "name", ["01_reed-pad.wav", "masters", "a.b.c", "tide riser.wav", "console", "com10", "früh.aif"]
)
def test_ordinary_names_are_safe(name):
    assert safe_file_name(name) == name


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "a.", "a ", "con", "NUL", "nul.wav", "Com1.tar.gz", "LPT9", "COM¹", "aux .txt", "CONIN$", "a/b",
     "a\\b", "a:b", "a?", "a*", 'a"b', "<a>", "a|b", "a\nb", "a\0", "\ud800", "x" * 256, "é" * 128],
)  # fmt: skip
def test_names_that_some_file_system_reserves_are_refused_with_the_reason(name):
    assert file_name_problem(name)
    with pytest.raises(PackError, match="hint: choose another name"):
        safe_file_name(name)


@given(stem=st.sampled_from(["con", "prn", "aux", "nul", "com1", "lpt9", "com0", "pad", "con1", "null", "COM²", "lp"]),
       ending=st.sampled_from(["", ".wav", ".", " ", " .wav", ".con", "x"]))  # fmt: skip
def test_reserved_names_are_those_of_pythons_own_windows_paths(stem, ending):
    name = stem + ending
    reserved = pathlib.PureWindowsPath(name).is_reserved() or name[-1] in ". "
    if stem == "com0":  # Microsoft's page has listed it and dropped it again; we stay clear of it
        reserved = reserved or ending != "x"
    assert bool(file_name_problem(name)) == reserved


def test_errors_of_this_layer_are_all_ours():
    assert issubclass(SoundFileError, KitfoldError)
    assert issubclass(PackError, KitfoldError)


@pytest.mark.parametrize(
    ("written", "meant"),
    [("TAKES/Pad.WAV", "takes/pad.wav"), ("takes\\pad.wav", "takes/pad.wav"), ("Takes\\padd.wav", "takes/pad.wav")],
)
def test_a_path_in_another_case_or_with_backslashes_is_offered_as_it_is(tmp_path, written, meant):
    (tmp_path / "takes").mkdir()
    (tmp_path / "takes/pad.wav").write_bytes(b"")
    if (tmp_path / written).exists():
        pytest.skip("this file system takes it for the same")
    with pytest.raises(SoundFileError) as error:
        sound_facts(tmp_path / written)
    assert error.value.mistakes[0].hint == f"did you mean {tmp_path / meant}?"
