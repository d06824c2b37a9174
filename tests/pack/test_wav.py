"""Device files, read back by readers that are not ours: libsndfile, wavinfo, and the standard library's wave."""

import io
import struct
import time
import wave

import numpy as np
import pytest
import soundfile
import wavinfo

from kitfold.errors import PackError
from kitfold.pack.quantise import ALLOWED_BITS, dequantise, quantise
from kitfold.pack.wav import FILE_KINDS, Stored, device_file, file_problem, takes_chunks, wav_bytes

WAV_KINDS = {  # (encoding, bits): libsndfile's name, format tag
    ("unsigned", 8): ("PCM_U8", 1),
    ("signed", 12): ("PCM_16", 0xFFFE),
    ("signed", 16): ("PCM_16", 1),
    ("signed", 24): ("PCM_24", 1),
    ("mu-law", 8): ("ULAW", 7),
    ("a-law", 8): ("ALAW", 6),
    ("float", 32): ("FLOAT", 3),
}
AIFF_KINDS = {
    ("signed", 8): "PCM_S8",
    ("unsigned", 8): "PCM_U8",
    ("signed", 12): "PCM_16",
    ("signed", 16): "PCM_16",
    ("signed", 24): "PCM_24",
    ("mu-law", 8): "ULAW",
    ("a-law", 8): "ALAW",
    ("float", 32): "FLOAT",
}


def stored(encoding, bits, frames=101, channels=1, rate_hz=18_000):
    samples = np.random.default_rng(frames).uniform(-1, 1, (frames, channels))
    return Stored(quantise(samples, bits, encoding, zero_ends=False), rate_hz, bits, encoding)


def chunks_of(data):
    """Walk a RIFF file by its own sizes: (id, data) in order. The sizes must add up to the file."""
    assert data[:4] == b"RIFF"
    assert data[8:12] == b"WAVE"
    assert struct.unpack_from("<I", data, 4)[0] + 8 == len(data)
    place, found = 12, []
    while place < len(data):
        name, size = struct.unpack_from("<4sI", data, place)
        found.append((name, data[place + 8 : place + 8 + size]))
        place += 8 + size
        if size % 2:
            assert data[place] == 0
            place += 1
    assert place == len(data)
    return found


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [0, 1, 2, 101])
@pytest.mark.parametrize("kind", WAV_KINDS)
def test_libsndfile_reads_back_every_code_of_a_wav(kind, frames, channels):
    sound = stored(*kind, frames, channels)
    data = device_file("01_pad.wav", sound)
    with soundfile.SoundFile(io.BytesIO(data)) as file:
        assert (file.samplerate, file.channels, file.frames) == (18_000, channels, frames)
        assert file.subtype == WAV_KINDS[kind][0]
        got = file.read(always_2d=True)
    encoding, bits = kind
    assert np.array_equal(got, dequantise(sound.codes, bits, encoding))


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("kind", WAV_KINDS)
def test_wavinfo_reads_the_format_that_the_codes_have(kind, channels, tmp_path):
    path = tmp_path / "slot.wav"
    path.write_bytes(wav_bytes(stored(*kind, channels=channels)))
    info = wavinfo.WavInfoReader(str(path))
    width = {8: 1, 12: 2, 16: 2, 24: 3, 32: 4}[kind[1]]
    assert info.fmt.audio_format == WAV_KINDS[kind][1]
    assert (info.fmt.channel_count, info.fmt.sample_rate) == (channels, 18_000)
    assert (info.fmt.bits_per_sample, info.fmt.block_align) == (8 * width, width * channels)
    assert info.fmt.byte_rate == 18_000 * width * channels
    assert info.data.frame_count == 101


@pytest.mark.parametrize("kind", [("unsigned", 8), ("signed", 16), ("signed", 24)])
def test_the_standard_librarys_reader_gets_the_same_bytes(kind):
    sound = stored(*kind, channels=2)
    with wave.open(io.BytesIO(wav_bytes(sound))) as file:
        assert (file.getnframes(), file.getframerate(), file.getnchannels()) == (101, 18_000, 2)
        assert file.getsampwidth() == kind[1] // 8
        data = file.readframes(101)
    codes = [int.from_bytes(data[place : place + kind[1] // 8], "little", signed=kind[0] == "signed")
             for place in range(0, len(data), kind[1] // 8)]  # fmt: skip
    assert codes == sound.codes.ravel().tolist()


def test_12_bits_in_a_16_bit_container_say_so_and_stand_left_justified():
    sound = stored("signed", 12)
    (name, head), (data_name, data) = chunks_of(wav_bytes(sound))
    assert (name, data_name, len(head)) == (b"fmt ", b"data", 40)
    tag, _, _, _, _, container, extra, valid, mask, *_ = struct.unpack("<HHIIHHHHI16s", head)
    # Microsoft, WAVEFORMATEXTENSIBLE: wBitsPerSample is the container's, wValidBitsPerSample the precision, cbSize 22
    assert (tag, container, extra, valid, mask) == (0xFFFE, 16, 22, 12, 4)
    # KSDATAFORMAT_SUBTYPE_PCM {00000001-0000-0010-8000-00AA00389B71}, first three fields little-endian
    assert head[24:] == struct.pack("<IHH", 1, 0, 0x10) + bytes.fromhex("800000aa00389b71")
    values = np.frombuffer(data, "<i2")
    assert not (values & 0xF).any()
    assert np.array_equal(values >> 4, sound.codes.ravel())


@pytest.mark.parametrize("kind", [("mu-law", 8), ("a-law", 8), ("float", 32)])
def test_formats_other_than_pcm_have_a_fact_chunk_with_their_frames(kind):
    # Microsoft, New Multimedia Data Types (1994): fact is required for all but PCM; its first field counts samples
    # a channel; their fmt chunk ends in cbSize
    (_, head), (name, fact), _ = chunks_of(wav_bytes(stored(*kind, channels=2)))
    assert (len(head), head[16:]) == (18, b"\0\0")
    assert (name, fact) == (b"fact", struct.pack("<I", 101))


def test_further_chunks_follow_the_sound_in_order_with_odd_ones_padded():
    extra = [(b"smpl", bytes(range(36))), (b"odd ", b"abc"), (b"inst", b"1234567")]
    data = wav_bytes(stored("unsigned", 8, frames=101), extra)  # the sound is odd too
    found = chunks_of(data)
    assert [name for name, _ in found] == [b"fmt ", b"data", b"smpl", b"odd ", b"inst"]
    assert found[2:] == extra
    assert soundfile.info(io.BytesIO(data)).frames == 101


@pytest.mark.parametrize("name", [b"abc", b"smpl ", b"sm\0l", b"sm\xffl"])
def test_a_chunk_id_that_is_not_four_printable_letters_is_refused(name):
    with pytest.raises(ValueError, match="four printable ASCII"):
        wav_bytes(stored("signed", 16), [(name, b"")])


@pytest.mark.parametrize("file_name", ["a.wav", "a.aif"])
def test_a_file_over_4_gib_is_refused_with_the_way_out(file_name):
    endless = np.broadcast_to(np.int16(0), (2**31, 1))  # one sample in memory, 4 GiB on disk
    with pytest.raises(PackError, match=r"a\.(wav|aif) would take 4\.00 GiB.*\n  hint: shorten"):
        device_file(file_name, Stored(endless, 48_000, 16, "signed"))


@pytest.mark.parametrize("frames", [0, 1, 2, 101])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("kind", AIFF_KINDS)
@pytest.mark.parametrize("ending", ["aif", "AIFF"])
def test_libsndfile_reads_back_every_code_of_an_aiff(kind, ending, channels, frames):
    sound = stored(*kind, frames, channels)
    with soundfile.SoundFile(io.BytesIO(device_file(f"01_pad.{ending}", sound))) as file:
        assert (file.format, file.subtype) == ("AIFF", AIFF_KINDS[kind])
        assert (file.samplerate, file.channels, file.frames) == (18_000, channels, frames)
        got = file.read(always_2d=True)
    encoding, bits = kind
    assert np.array_equal(got, dequantise(sound.codes, bits, encoding))


@pytest.mark.parametrize("law", ["mu-law", "a-law"])
def test_an_aiff_stores_all_256_companded_codes_as_they_are(law):
    codes = np.arange(256, dtype=np.uint8)[:, np.newaxis]  # the negative zero of mu-law (0x7F) too
    data = device_file("a.aif", Stored(codes, 8000, 8, law))
    assert data.endswith(bytes(range(256)))


@pytest.mark.parametrize("rate_hz", [4000, 8000, 11_025, 18_000, 22_049, 44_100, 65_536, 96_000, 192_000])
def test_an_aiff_has_its_rate_to_the_last_digit(rate_hz):
    assert soundfile.info(io.BytesIO(device_file("a.aif", stored("signed", 16, rate_hz=rate_hz)))).samplerate == rate_hz


@pytest.mark.parametrize("kind", AIFF_KINDS)
def test_the_sizes_in_an_aiff_add_up_to_the_file(kind):
    data = device_file("a.aif", stored(*kind, frames=101))
    assert struct.unpack_from(">I", data, 4)[0] + 8 == len(data)
    place, names = 12, []
    while place < len(data):
        name, size = struct.unpack_from(">4sI", data, place)
        names.append(name)
        place += 8 + size + size % 2
    assert place == len(data)
    assert names[-2:] == [b"COMM", b"SSND"]


def test_a_12_bit_aiff_says_12():
    # Apple, AIFF 1.3: COMM is channels (16 bits), frames (32), sampleSize (16); points are left-justified
    data = device_file("a.aif", stored("signed", 12))
    place = data.index(b"COMM") + 8
    assert struct.unpack_from(">HIH", data, place) == (1, 101, 12)


@pytest.mark.parametrize(("encoding", "bits"), [(encoding, bits) for encoding in ALLOWED_BITS
                                                for bits in ALLOWED_BITS[encoding]])  # fmt: skip
def test_a_raw_file_is_the_bare_codes(encoding, bits):
    sound = stored(encoding, bits, channels=2)
    data = device_file("a.raw", sound)
    kinds = {
        "unsigned": {8: "u1", 12: "<u2", 16: "<u2"},
        "signed": {8: "i1", 12: "<i2", 16: "<i2"},
        "float": {32: "<f4"},
    }
    if bits == 24:
        parts = np.frombuffer(data, np.uint8).reshape(-1, 3).astype(int)
        values = parts[:, 0] + (parts[:, 1] << 8) + (parts[:, 2] << 16)
        values = values - ((values >> 23) << 24) if encoding == "signed" else values
    else:
        values = np.frombuffer(data, kinds.get(encoding, {}).get(bits, "u1"))
    assert np.array_equal(values >> 4 if bits == 12 else values, sound.codes.ravel())


def test_the_same_codes_give_the_same_bytes_at_any_time():
    kinds = [("wav", kind) for kind in WAV_KINDS] + [("aif", kind) for kind in AIFF_KINDS] + [("raw", ("signed", 16))]
    first = [device_file(f"a.{ending}", stored(*kind)) for ending, kind in kinds]
    time.sleep(1.0 - time.time() % 1.0 + 0.01)  # time stamps in sound files count whole seconds
    assert [device_file(f"a.{ending}", stored(*kind)) for ending, kind in kinds] == first


@pytest.mark.parametrize(
    ("file_name", "bits", "encoding", "match"),
    [
        ("a.wav", 8, "signed", "a WAV has 8 bits unsigned"),
        ("a.wav", 16, "unsigned", "a WAV has 8 bits unsigned"),
        ("a.aiff", 16, "unsigned", "an AIFF has more than 8 bits signed"),
        ("a.mp3", 16, "signed", r"ends in '\.mp3'; allowed are \.wav, \.aif"),
        ("a", 16, "signed", "ends in 'nothing'"),
    ],
)
def test_a_kind_of_file_that_cannot_hold_the_codes_is_refused(file_name, bits, encoding, match):
    with pytest.raises(PackError, match=match):
        device_file(file_name, stored(encoding, bits))
    assert file_problem(file_name, bits, encoding)


def test_only_a_wav_takes_chunks():
    assert [takes_chunks(f"a{kind}") for kind in FILE_KINDS] == [True, False, False, False]
    with pytest.raises(ValueError, match="cannot carry RIFF chunks"):
        device_file("a.raw", stored("signed", 16), [(b"smpl", b"")])
