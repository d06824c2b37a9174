"""The transfer take, read back from its bytes: by libsndfile, wavinfo, the csv module and cross-correlation.

The device's conversion is written out again here from its own description: resample by soxr VHQ, round or dither,
the ends at zero.
"""

import csv
import io

import numpy as np
import pytest
import soundfile as sf
import soxr
import wavinfo
from scipy.signal import correlate, resample_poly

from kitfold.measure.pitch import cents_off
from kitfold.pack.quantise import content_seed, quantise
from kitfold.pack.transfer import GAP_S, transfer_files
from kitfold.sound import Sound

MU_LAW = {"rate_hz": 15000, "bits": 8, "encoding": "mu-law", "slots": 8, "memory_s": 12, "loading": "line-in"}
LOOPS = {
    "rate_hz": 46000, "bits": 12, "encoding": "signed", "slots": 8, "memory_s": 30, "transpose": [-12, 12], "voices": 4,
    "loop": True, "note_off": "stops", "slot_level": True, "loading": "line-in",
}  # fmt: skip
STEREO = {
    "rate_hz": [50000, 25000], "bits": 16, "channels": 2, "slots": 8, "memory_s": None, "memory_bytes": 4_000_000,
    "loading": "line-in", "transpose": [-12, 12],
}  # fmt: skip
DEVICES = {"eight bits": None, "mu-law": MU_LAW, "twelve bits, looped": LOOPS, "stereo at 50 kHz": STEREO}


class Take:
    """A take and its cue sheet, as they are read from their bytes."""

    def __init__(self, made):
        self.packed = made.packed
        self.files = transfer_files(made.plan, made.packed, made.masters)
        self.bytes = self.files["transfer/take.wav"]
        self.samples, self.rate_hz = sf.read(io.BytesIO(self.bytes), dtype="int32", always_2d=True)
        self.samples >>= 8  # libsndfile puts 24 bits into the upper part of 32
        self.rows = list(csv.DictReader(io.StringIO(self.files["transfer/cues.csv"].decode())))
        self.slots = {slot.slot: slot for slot in made.packed.slots}

    def cut(self, row):
        start = int(row["start_frame"])
        return self.samples[start : start + int(row["length_frames"])]

    @property
    def slot_rows(self):
        return [row for row in self.rows if row["slot"] != "0"]


@pytest.fixture(scope="module", params=DEVICES)
def take(packer, request):
    device = DEVICES[request.param] or packer.line_in
    song = None if device is MU_LAW else packer.song  # it cannot transpose
    return Take(packer.pack(device, _looped(packer) if device is LOOPS else packer.sounds, song))


def test_a_device_that_is_loaded_with_files_needs_no_take(packer):
    made = packer.pack(packer.files)
    assert transfer_files(made.plan, made.packed, made.masters) == {}


def test_the_take_cut_at_the_cues_and_converted_is_the_slots_bit_for_bit(take):
    assert len(take.slot_rows) == len(take.slots)
    for row in take.slot_rows:
        slot = take.slots[int(row["slot"])]
        stored = slot.stored
        heard = (take.cut(row) / 2**23).astype(np.float32)
        heard = soxr.resample(heard, take.rate_hz, stored.rate_hz, quality="VHQ")[: stored.frames]
        ends = row["loop_start_s"] == ""
        codes = quantise(heard, stored.bits, stored.encoding, slot.dithered, content_seed(heard), ends)
        assert np.array_equal(codes, stored.codes), row["name"]


def test_every_slot_is_found_again_where_the_sheet_says(take):
    mono = take.samples.mean(axis=1) / 2**23
    power = np.concatenate([[0.0], np.cumsum(mono**2)])
    for row in take.slot_rows:
        stored = take.slots[int(row["slot"])].stored
        decoded = _decoded(stored).mean(axis=1)
        up, down = _ratio(take.rate_hz, stored.rate_hz)
        wanted = resample_poly(decoded, up, down)
        match = correlate(mono, wanted, mode="valid", method="fft")
        energy = power[len(wanted) :] - power[: -len(wanted)]
        likeness = match / np.sqrt(np.maximum(energy, 1e-6 * energy.max()))
        assert abs(int(np.argmax(likeness)) - int(row["start_frame"])) <= 1, row["name"]


def test_the_gaps_are_exact_and_silent(take):
    gap = round(GAP_S * take.rate_hz)
    at = 0
    for row in take.rows:
        assert int(row["start_frame"]) == at + gap
        assert not take.samples[at : at + gap].any()
        at = int(row["start_frame"]) + int(row["length_frames"])
    assert len(take.samples) == at + gap
    assert not take.samples[at:].any()


def test_the_sheet_says_seconds_and_frames_alike_and_what_to_set(take):
    for row in take.slot_rows:
        slot = take.slots[int(row["slot"])]
        assert float(row["start_s"]) == pytest.approx(int(row["start_frame"]) / take.rate_hz, abs=1e-6)
        assert float(row["length_s"]) == pytest.approx(int(row["length_frames"]) / take.rate_hz, abs=1e-6)
        assert int(row["set_semitones"]) == slot.part.play_semitones
        assert float(row["set_level_db"]) == slot.gain.play_db
        assert row["name"].startswith(slot.part.name)
        if slot.loop:
            ends = [float(row["loop_start_s"]), float(row["loop_end_s"])]
            assert np.allclose(ends, np.array(slot.loop) / slot.stored.rate_hz, atol=1e-6)
    assert [int(row["slot"]) for row in take.slot_rows] == sorted(take.slots)


def test_the_sheet_names_the_note_that_is_heard_while_recording_and_the_one_that_it_plays_once_set(take):
    names = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")  # D minor is written with a flat
    for row in take.slot_rows:
        midi = take.slots[int(row["slot"])].note.midi
        wanted = [None, None] if midi is None else [midi - int(row["set_semitones"]), midi]
        found = [row["note_in_take"], row["note_when_set"]]
        for note, one in zip(found, wanted, strict=True):
            assert (one is None and note == "") or (
                note[:-1].replace("Db", "C#").replace("Gb", "F#") == names[one % 12] and int(note[-1]) == one // 12 - 1
            )


def test_a_slot_that_is_stored_an_octave_up_sounds_an_octave_higher_in_the_take(packer):
    made = packer.pack({**packer.line_in, "memory_s": 7}, fit={"allow": ["shorten", "repitch"]})
    files = transfer_files(made.plan, made.packed, made.masters)
    rows = list(csv.DictReader(io.StringIO(files["transfer/cues.csv"].decode())))
    up = [row for row in rows if row["set_semitones"] == "-12" and row["note_when_set"]]
    assert up
    for row in up:
        assert row["note_in_take"] == row["note_when_set"][:-1] + str(int(row["note_when_set"][-1]) + 1)


def test_a_slot_that_is_stored_a_fifth_up_sounds_a_fifth_higher_in_the_take(packer):
    fit = {"allow": ["shorten", "repitch"], "repitch_semitones": [7]}
    made = packer.pack({**packer.line_in, "memory_s": 7}, fit=fit)
    files = transfer_files(made.plan, made.packed, made.masters)
    rows = list(csv.DictReader(io.StringIO(files["transfer/cues.csv"].decode())))
    up = [row for row in rows if row["set_semitones"] == "-7" and row["note_when_set"]]
    assert up
    letters = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
    for row in up:
        note, slot = row["note_when_set"], next(s for s in made.packed.slots if s.slot == int(row["slot"]))
        above = letters.index(note[:-1].replace("C#", "Db").replace("F#", "Gb")) + 7
        assert row["note_in_take"].replace("C#", "Db").replace("F#", "Gb") == (
            f"{letters[above % 12]}{int(note[-1]) + above // 12}"
        )
        take, rate_hz = sf.read(io.BytesIO(files["transfer/take.wav"]))
        sent = take[int(row["start_frame"]) :][: int(row["length_frames"])]
        wanted_hz = slot.note.hz * 2 ** (7 / 12)
        assert abs(cents_off(Sound(sent, rate_hz), wanted_hz)) <= 1
        assert int(row["length_frames"]) / rate_hz == pytest.approx(slot.stored.frames / slot.stored.rate_hz, abs=0.001)


def test_the_take_has_24_bits_at_a_rate_that_players_have_and_no_less_than_the_devices(take):
    info = sf.info(io.BytesIO(take.bytes))
    assert info.subtype == "PCM_24"
    assert info.channels == take.packed.device.channels
    assert info.samplerate == (96_000 if take.packed.device.top_rate_hz > 48_000 else 48_000)


def test_an_independent_reader_finds_every_cue_its_label_and_its_length(take, tmp_path):
    path = tmp_path / "take.wav"
    path.write_bytes(take.bytes)
    cues = wavinfo.WavInfoReader(str(path)).cues
    found = {cue.name: cue.sample_offset for cue in cues.cues}
    assert found == {number: int(row["start_frame"]) for number, row in enumerate(take.rows, start=1)}
    assert {cue.chunk_id for cue in cues.cues} == {b"data"}
    for number, row in enumerate(take.rows, start=1):
        label = row["name"] if row["slot"] == "0" else f"{int(row['slot']):02d} {row['name']}"
        assert cues.label_and_note(number)[0] == label
        assert cues.range(number) == int(row["length_frames"])


def test_the_tone_stands_first_peaks_at_the_ceiling_and_nothing_peaks_higher(take):
    tone = take.cut(take.rows[0])[:, 0] / 2**23
    assert take.rows[0]["slot"] == "0"
    assert np.max(np.abs(tone)) == pytest.approx(10 ** (-1 / 20), abs=1e-6)  # 24-bit steps
    line = np.abs(np.fft.rfft(tone * np.hanning(len(tone))))
    assert np.argmax(line) * take.rate_hz / len(tone) == pytest.approx(1000, abs=take.rate_hz / len(tone))
    # stored at -1 dBTP as measured at four times the rate: another oversampler may find 0.2 dB more (EBU Tech 3341)
    assert np.max(np.abs(take.samples)) / 2**23 <= 10 ** (-0.8 / 20)


def test_the_take_holds_nothing_that_the_device_cannot_store(take):
    for row in take.slot_rows:
        part = take.cut(row).mean(axis=1) * np.hanning(int(row["length_frames"]))
        spectrum = np.abs(np.fft.rfft(part)) ** 2
        hz = np.fft.rfftfreq(len(part), 1 / take.rate_hz)
        above = hz > take.slots[int(row["slot"])].stored.rate_hz / 2 * 1.01
        # soxr's VHQ takes 110 dB and more (tests/pack/test_convert.py), 24-bit steps over a part of the band leave less
        assert spectrum[above].sum() < 1e-9 * spectrum.sum()


def test_the_take_can_do_without_its_tone(packer):
    made = packer.pack(transfer={"level_tone": False})
    files = transfer_files(made.plan, made.packed, made.masters)
    rows = list(csv.DictReader(io.StringIO(files["transfer/cues.csv"].decode())))
    assert [row["slot"] for row in rows] == [str(slot.slot) for slot in made.packed.slots]
    assert "no level tone" in files["transfer/README.txt"].decode()


def test_the_caution_stands_before_what_to_do(take):
    text = take.files["transfer/README.txt"].decode()
    assert text.startswith("Before the first play")
    for word in ("headphones", "monitors down", "overload", "line"):
        assert 0 <= text.index(word) < text.index("Then")
    assert all(len(line) <= 120 for line in text.splitlines())


def test_a_looped_slot_is_sent_50_ms_further_and_goes_round_there(packer):
    made = packer.pack(LOOPS, _looped(packer))
    looped = [slot for slot in made.packed.slots if slot.loop]
    assert looped
    for slot in looped:
        more = len(slot.sent.samples) / slot.sent.rate_hz - slot.stored.frames / slot.stored.rate_hz
        assert more == pytest.approx(0.05, abs=1 / 46_000)


def test_the_same_kit_gives_the_same_take_on_any_number_of_jobs(packer):
    one, two = (packer.pack(jobs=jobs) for jobs in (1, 2))
    assert transfer_files(one.plan, one.packed, one.masters) == transfer_files(two.plan, two.packed, two.masters)


def _looped(packer):
    """Return the sounds with a loop in the pad, which this song holds longer than it lasts."""
    tune, level = packer.pad["steps"]
    return [{**packer.pad, "steps": [tune, {"step": "loop", "method": "freeze"}, level]}, *packer.sounds[2:]]


def _decoded(stored):
    """Decode a slot's codes by libsndfile, through a file of the kind that a device loads."""
    from kitfold.pack.wav import wav_bytes

    samples, _ = sf.read(io.BytesIO(wav_bytes(stored)), always_2d=True)
    return samples


def _ratio(to_hz, from_hz):
    common = np.gcd(to_hz, from_hz)
    return to_hz // common, from_hz // common
