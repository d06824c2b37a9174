"""What the files of a published pack say of themselves, read back by readers that are not ours.

Readers: wavinfo, mutagen and libsndfile from pip; ffprobe (FFmpeg) and SoX from Debian. None of them knows kitfold.
"""

import json

import numpy as np
import pytest
import soundfile
from mutagen.mp3 import MP3
from mutagen.wave import WAVE
from wavinfo import WavInfoReader

UNKNOWN = 327.67  # 0x7FFF hundredths, as wavinfo shows it


@pytest.fixture(scope="module")
def manifest(published):
    return json.loads((published.folder / "manifest.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def sounds(manifest):
    return {sound["name"]: sound for sound in manifest["sounds"]}


@pytest.fixture(scope="module")
def files(published, sounds):
    return {name: published.folder / sound["file"] for name, sound in sounds.items()}


def read(path):
    return WavInfoReader(str(path), info_encoding="utf-8")


def test_file_names_carry_root_and_tempo(sounds):
    assert {name: sound["file"] for name, sound in sounds.items()} == {
        "pad": "full/pad_D3_120bpm.wav",
        "sharp": "full/sharp_D3_120bpm.wav",
        "swell": "full/swell_D3_120bpm.wav",
        "hit": "full/hit_none_120bpm.wav",
    }


@pytest.mark.parametrize("name", ["pad", "sharp", "swell", "hit"])
def test_all_readers_find_the_same_sound(files, sounds, program, name):
    path, sound = files[name], sounds[name]
    wanted = (sound["rate_hz"], sound["channels"], 24, sound["frames"])
    known = soundfile.info(path)
    assert (known.samplerate, known.channels, known.subtype, known.frames) == (*wanted[:2], "PCM_24", wanted[3])
    info = WAVE(path).info
    seconds = sound["frames"] / sound["rate_hz"]
    assert (info.sample_rate, info.channels, info.bits_per_sample, info.length) == (*wanted[:3], seconds)
    seen = read(path)
    assert (seen.fmt.sample_rate, seen.fmt.channel_count, seen.fmt.bits_per_sample, seen.data.frame_count) == wanted
    probed = json.loads(program("ffprobe", "-v", "error", "-show_streams", "-of", "json", path).stdout)["streams"][0]
    assert (int(probed["sample_rate"]), probed["channels"], probed["bits_per_sample"], probed["duration_ts"]) == wanted
    soxed = [int(program("soxi", flag, path).stdout) for flag in ("-r", "-c", "-b", "-s")]
    assert tuple(soxed) == wanted


@pytest.mark.parametrize("name", ["pad", "swell"])
def test_sox_decodes_the_same_codes_without_a_warning(files, program, name):
    done = program("sox", files[name], "-t", "raw", "-e", "signed", "-b", "32", "-L", "-", text=False)
    assert done.stderr == b""
    codes, _ = soundfile.read(files[name], dtype="int32", always_2d=True)
    assert np.array_equal(np.frombuffer(done.stdout, "<i4").reshape(codes.shape), codes)


def test_the_root_of_a_tuned_sound_is_its_note_without_a_fraction(files, sounds):
    for name in ("pad", "swell"):
        smpl = read(files[name]).smpl
        assert (smpl.midi_note, smpl.midi_pitch_detune_cents) == (50, 0) == (sounds[name]["root"]["midi"], 0)


def test_the_root_of_an_untuned_sound_has_the_fraction_that_was_measured(files, sounds):
    smpl = read(files["sharp"]).smpl
    assert smpl.midi_note == 50
    cents = smpl.midi_pitch_detune_cents * 100 / 2**32
    assert cents == pytest.approx(sounds["sharp"]["root"]["error_cents"], abs=0.005)  # the manifest's two digits
    assert cents == pytest.approx(17, abs=0.5)  # how it was made; half a cent is what such a short sound is good for


def instrument(path):
    """Read the instrument chunk where RIFF's own sizes say it is: (note, fine tune in cents, low, high)."""
    found = [chunk for chunk in read(path).main_list if getattr(chunk, "ident", None) == b"inst"]
    data = path.read_bytes()[found[0].start : found[0].start + found[0].length]
    return data[0], int.from_bytes(data[1:2], "little", signed=True), data[3], data[4]


def test_the_fine_tune_sets_the_sound_straight(files):
    assert instrument(files["pad"]) == (50, 0, 45, 55)  # D3, and the kit's natural range of 5 semitones
    assert instrument(files["sharp"]) == (50, -17, 45, 55)
    assert instrument(files["hit"]) == (60, 0, 0, 127)


def test_libsndfile_finds_the_same_loop_and_root(files, sounds):
    log = soundfile.SoundFile(files["pad"]).extra_info
    loop = sounds["pad"]["loop"]
    assert "Midi Note    : 50" in log
    assert f"Start : {loop['start']:5d}  End : {loop['end'] - 1:5d}" in log


def test_the_loop_and_its_marks_are_those_of_the_manifest(files, sounds):
    seen, loop = read(files["pad"]), sounds["pad"]["loop"]
    (found,) = seen.smpl.sample_loops
    assert (found.start, found.end, found.loop_type, found.repetition_count) == (loop["start"], loop["end"] - 1, 0, 0)
    marks = {one["label"]: one["frame"] for one in seen.cues.to_dict().values()}
    assert marks == {"loop start": loop["start"], "loop end": loop["end"] - 1}
    assert read(files["sharp"]).smpl.sample_loops == []


def test_a_risers_peak_is_marked_on_its_beat(files):
    (mark,) = read(files["swell"]).cues.to_dict().values()
    assert mark == {"frame": round(3 * 60 / 120 * 44_100), "label": "peak"}  # three beats at 120 a minute
    wave, _ = soundfile.read(files["swell"])
    window = 882  # 20 ms: the peak is one of a level
    levels = [float(np.sum(wave[start : start + window] ** 2)) for start in range(0, len(wave) - window, window)]
    assert abs(int(np.argmax(levels)) * window - mark["frame"]) < 0.1 * 44_100  # a tenth of a second, as an ear would


def test_all_readers_find_the_same_texts(files, program):
    wanted = {"title": "Röhricht: sharp", "artist": "Ann Öther", "copyright": "CC-BY-4.0; CC-BY-4.0, Bo Åkesson"}
    info = read(files["sharp"]).info
    assert {key: getattr(info, key) for key in wanted} == wanted
    assert info.software.startswith("kitfold ")
    assert info.comment == "root D3 +17.0 cents; 120 bpm; D minor"
    assert {key: soundfile.SoundFile(files["sharp"]).copy_metadata()[key] for key in wanted} == wanted
    probed = program("ffprobe", "-v", "error", "-show_format", "-of", "json", files["sharp"])
    tags = json.loads(probed.stdout)["format"]["tags"]
    assert {key: tags[key] for key in wanted} == wanted
    assert tags["originator_reference"] == "reeds-1.2.0"
    assert tags["coding_history"].strip() == "A=PCM,F=44100,W=24,M=mono,T=kitfold"


def ebur128(program, path):
    """Measure with FFmpeg's own meter: integrated (I), momentary (M) and short-term (S) loudness, every 100 ms."""
    graph = "aresample=48000,ebur128=metadata=1"
    frames = program("ffmpeg", "-v", "verbose", "-i", path, "-af", f"{graph},ametadata=print:file=-", "-f", "null", "-")
    found = {}
    for line in frames.stdout.splitlines():
        key, _, value = line.partition("=")
        if key.startswith("lavfi.r128."):
            found.setdefault(key.removeprefix("lavfi.r128."), []).append(float(value))
    return found


def test_the_loudness_fields_agree_with_the_manifest_and_with_ffmpegs_meter(files, sounds, program):
    for name in ("pad", "sharp"):
        bext = read(files[name]).bext
        level = sounds[name]["level"]
        assert bext.version == 2
        assert bext.max_momentary_loudness == level["lufs"]
        assert bext.max_true_peak == level["true_peak_db"]
        measured = ebur128(program, files[name])
        # FFmpeg's momentary values come every 100 ms, in which this pad falls by 0.23 dB; ours is taken at every frame
        assert 0.0 <= bext.max_momentary_loudness - max(measured["M"]) + 0.005 < 0.25
        assert measured["I"][-1] == pytest.approx(bext.loudness_value, abs=0.1)  # what EBU Tech 3341 allows a meter
        assert bext.loudness_range == UNKNOWN


def test_short_term_loudness_is_there_where_the_sound_is_long_enough_and_unknown_where_not(files, program):
    long = read(files["sharp"]).bext.max_shortterm_loudness
    # as above: every 100 ms, in which this pad falls by 0.25 dB
    assert 0.0 <= long - max(ebur128(program, files["sharp"])["S"]) + 0.005 < 0.25
    assert read(files["swell"]).bext.max_shortterm_loudness == UNKNOWN  # 1.5 s and a release
    hit = read(files["hit"]).bext  # 0.2 s: no gating block of 400 ms, so no integrated loudness
    assert (hit.loudness_value, hit.max_shortterm_loudness) == (UNKNOWN, UNKNOWN)
    assert hit.max_momentary_loudness < 0


def test_the_device_edition_carries_what_its_device_file_allows(published):
    edition = json.loads((published.folder / "device/small/manifest.json").read_text("utf-8"))
    slots = {slot["sound"]: slot for slot in edition["slots"] if slot["copy"] is None}
    seen = read(published.folder / "device/small" / slots["pad"]["file"])
    assert (seen.smpl.midi_note, seen.smpl.midi_pitch_detune_cents) == (slots["pad"]["root"]["midi"], 0)
    (found,) = seen.smpl.sample_loops
    assert (found.start, found.end + 1) == tuple(slots["pad"]["loop"].values())
    assert seen.info.title == "Röhricht: pad"
    assert seen.bext.max_true_peak == slots["pad"]["level"]["true_peak_db"]


def test_the_previews_are_mp3_of_the_sounds_and_of_the_song(published, manifest, sounds):
    for name, sound in sounds.items():
        info = MP3(published.folder / sound["preview"]).info
        assert info.length == pytest.approx(sound["frames"] / sound["rate_hz"], abs=0.15), name  # a few frames of MP3
    song = MP3(published.folder / manifest["preview"]).info
    assert song.length == pytest.approx(3 * 2 + 5, abs=0.15)  # three patterns of four beats at 120, and the tail
