"""The preview, measured on its bytes: what the device version lacks, what it adds, and that the two can be compared."""

import io

import numpy as np
import pyloudnorm
import pytest
import soundfile as sf
from scipy.signal import correlate, resample_poly, welch

from kitfold.pack.build import slot_files
from kitfold.pack.cast import Casting, arranged
from kitfold.pack.entries import manifest_of
from kitfold.pack.entry_parts import file_entry
from kitfold.pack.listen import _echoes, listen_files
from kitfold.sheet.sketch import read_sketch

NAMES = ("listen/song-master.wav", "listen/song-device.wav", "listen/song.mid")


def read(files, name):
    return sf.read(io.BytesIO(files[name]), always_2d=True)


def preview(made):
    return listen_files(made.plan, made.packed, made.masters)


def loudness(samples):
    return pyloudnorm.Meter(48_000).integrated_loudness(samples)


@pytest.fixture(scope="module")
def line_in(packer):
    made = packer.pack()
    return made, preview(made)


@pytest.fixture(scope="module")
def loaded(packer):
    made = packer.pack(packer.files)
    return made, preview(made)


@pytest.fixture(params=["line_in", "loaded"])
def either(request):
    return request.getfixturevalue(request.param)


def test_the_same_kit_gives_the_same_preview_on_any_number_of_jobs(packer, line_in):
    assert preview(packer.pack(jobs=2)) == line_in[1]
    made, files = line_in
    for jobs in (1, 3):
        assert listen_files(made.plan, made.packed, made.masters, jobs) == files


def test_both_versions_are_24_bit_at_48_khz_and_equally_long(either):
    assert tuple(either[1]) == NAMES
    infos = [sf.info(io.BytesIO(either[1][name])) for name in NAMES[:2]]
    assert {(info.samplerate, info.subtype, info.channels) for info in infos} == {(48_000, "PCM_24", 2)}
    assert infos[0].frames == infos[1].frames


def test_no_version_peaks_above_the_ceiling_and_one_gain_serves_both(either):
    for name in NAMES[:2]:
        samples, _ = read(either[1], name)
        peak = np.max(np.abs(resample_poly(samples, 8, 1)))
        assert 20 * np.log10(peak) <= -1 + 0.05  # two oversamplers


@pytest.mark.parametrize("name", ["pad", "pluck"])
def test_both_versions_are_as_loud_where_the_device_takes_nothing(packer, name):
    # 16 bits at 24 kHz hold all of both; the pad is folded from stereo to mono and comes out of both sides, the pluck
    # is mono in both. 0.3 LU: the pluck is cut where it is struck again, and rings in the master's version
    plain = {**packer.files, "rate_hz": 24_000, "loop": False, "note_off": "plays-on"}
    song = {"section": [{"name": "one", "chords": ["i", "VI", "-", "v"]}]}
    made = packer.pack(plain, [{**getattr(packer, name), "copies": "none"}], song)
    loud = [loudness(read(preview(made), version)[0]) for version in NAMES[:2]]
    assert loud[1] == pytest.approx(loud[0], abs=0.3)


def test_above_half_the_devices_rate_the_device_version_has_nothing(line_in):
    def high(name):
        samples, rate_hz = read(line_in[1], name)
        hz, power = welch(samples.mean(axis=1), rate_hz, "hann", 4096)
        return power[hz > 9000 / 2 * 1.02].sum() / power.sum()

    assert high("listen/song-master.wav") > 1e-4  # the hit is white noise
    assert high("listen/song-device.wav") < 1e-10  # soxr takes 110 dB and more; 24-bit steps lie at -140 dB


def test_the_device_versions_noise_floor_is_that_of_its_steps_and_dither(packer, shared_folder):
    """A note of one sine: between its line and half the rate there is quantising noise alone.

    Error power with triangular dither: a quarter of a step squared, white (Lipshitz, Wannamaker and Vanderkooy 1992).
    """
    rate_hz = 9000
    wave = 0.5 * np.sin(2 * np.pi * 440 * np.arange(3 * 22_050) / 22_050)
    shared_folder.sound(
        "sine.wav", np.pad(wave * np.minimum(1, np.arange(len(wave)) / 2000), (0, 10)), subtype="PCM_24"
    )
    sine = {"name": "sine", "source": "sine.wav", "plays": "fixed", "steps": [{"step": "level", "lufs": -20}]}
    made = packer.pack({**packer.line_in, "dither": "tpdf"}, [sine], song=None)
    start = round(0.2 * 48_000)
    device, master = (
        read(preview(made), f"listen/song-{name}.wav")[0][start : start + 96_000, 0] for name in ("device", "master")
    )
    (slot,) = made.packed.slots
    stored = slot.stored.codes[1800:19_800, 0] / 128 - 1
    assert slot.dithered

    def floor_db(samples, hz_rate):
        """Noise power per hertz over the line's power."""
        hz, power = welch(samples, hz_rate, "hann", 2048)
        line = power[abs(hz - 440) < 60].sum() * hz[1]
        return 10 * np.log10(np.mean(power[(hz > 1500) & (hz < 4000)]) / line)

    wanted = 10 * np.log10((1 / 128) ** 2 / 4 / (rate_hz / 2) / np.mean(stored**2))
    # 0.5 dB: some 60 segments of a noise of 500 bins
    assert floor_db(device, 48_000) == pytest.approx(wanted, abs=0.5)
    assert floor_db(master, 48_000) < wanted - 40


def test_a_delay_comes_so_many_beats_later_at_its_level(packer):
    dry, wet = (
        read(preview(packer.pack(sounds=[packer.hit], song=None, listen=table)), NAMES[0])[0][:, 0]
        for table in ({}, {"delay": 0.5, "delay_beats": 0.75})
    )
    scale = np.dot(wet[:96_000], dry[:96_000]) / np.dot(dry[:96_000], dry[:96_000])
    # at 120 beats a minute 0.75 beats are 0.375 s; the first hit comes on the third beat, at 1 s
    added = wet - scale * dry
    wanted = dry[48_000:58_000]
    place = int(np.argmax(correlate(added[48_000:80_000], wanted, mode="valid")))
    assert abs(place - 0.375 * 48_000) <= 1
    at = 48_000 + place
    assert np.dot(added[at : at + 10_000], wanted) / np.dot(wanted, wanted) == pytest.approx(0.5 * scale, rel=0.02)


@pytest.mark.parametrize("step", [1, 7, 999, 1000, 5000])
def test_echoes_are_to_the_bit_those_of_a_library_s_delay(step):
    """pedalboard.Delay, which holds its delay in frames too; ours takes a tenth of the time."""
    from pedalboard import Delay

    noise = np.random.default_rng(step).uniform(-0.5, 0.5, (3000, 2)).astype(np.float32)
    wanted = Delay(delay_seconds=(step + 0.01) / 48_000, feedback=0.35, mix=1.0)(noise.T, 48_000).T
    assert np.array_equal(_echoes(noise, step), wanted)


def test_a_reverb_rings_on_where_the_dry_sound_has_ended(packer):
    dry, wet = (
        read(preview(packer.pack(sounds=[packer.hit], song=None, listen=table)), NAMES[0])[0]
        for table in ({}, {"reverb": 0.25})
    )
    after = slice(round(1.3 * 48_000), round(1.45 * 48_000))  # the hit lasts 0.2 s from 1 s on
    assert not dry[after].any()
    assert np.sqrt(np.mean(wet[after] ** 2)) > 1e-4


def test_every_note_is_cast_as_the_fit_chose_and_within_reach(either):
    made, _ = either
    casting, (low, high) = Casting(made.packed), made.packed.device.transpose
    for note in arranged(made.plan, made.packed).notes:
        cast = casting.of(note)
        assert cast is not None
        assert low <= cast.setting <= high
        part = cast.slot.part
        assert cast.setting - part.play_semitones + part.root == note.semitones
        if part.serves and note.role == "held":
            assert any(served.ask.chord == note.chord and served.setting == cast.setting for served in part.serves)


def test_the_sheet_reads_from_the_midi_file_and_the_manifest_what_the_device_played(either):
    made, files = either
    manifest = manifest_of(
        made.plan, made.packed, [file_entry(*one) for one in slot_files(made.plan, made.packed)], [], []
    )
    sketch = arranged(made.plan, made.packed)
    read = read_sketch(manifest.as_json(), files)
    casting = Casting(made.packed)
    wanted = sorted(
        (cast.slot.slot, note.start_beats / 4, cast.setting) for note in sketch.notes if (cast := casting.of(note))
    )
    assert sorted((note.slot, note.start, note.setting) for note in read.notes) == [
        (slot, pytest.approx(start, abs=1 / 1920), setting)
        for slot, start, setting in wanted  # a tick of four beats
    ]
    assert read.patterns == sketch.beats / 4


def test_all_sounds_of_the_kit_are_heard_with_a_song_and_without(packer):
    for song in (packer.song, None):
        made = packer.pack(song=song)
        assert {note.sound for note in arranged(made.plan, made.packed).notes} == {
            sound["name"] for sound in packer.sounds
        }


def test_a_sound_that_the_device_cannot_reach_is_left_out_there_and_played_by_its_master(packer):
    fixed = {**packer.line_in, "transpose": [0, 0]}
    made = packer.pack(fixed, [packer.pluck], song={"section": [{"name": "one", "chords": ["iv", "iv"]}]})
    files = preview(made)
    assert read(files, NAMES[0])[0].any()
    assert not read(files, NAMES[1])[0].any()
