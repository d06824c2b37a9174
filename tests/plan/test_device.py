"""Devices: figures that go together, and file names that read nothing but four fields."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from kitfold.plan.device import Device

FIGURES = {"name": "d", "rate_hz": 8000, "bits": 16, "slots": 4, "memory_s": 2}


def device(**changes):
    return Device(**{key: value for key, value in {**FIGURES, **changes}.items() if value is not None})


def test_one_rate_or_a_list_of_rates():
    assert device().rate_hz == (8000,)
    assert device(rate_hz=(8000, 16_000)).top_rate_hz == 16_000


# Bytes of a sample in its container: 12 bits travel in two bytes (common practice).
@pytest.mark.parametrize(
    ("bits", "encoding", "channels", "size"),
    [
        (8, "unsigned", 1, 1), (8, "mu-law", 1, 1), (12, "signed", 1, 2), (16, "signed", 2, 4), (24, "signed", 2, 6),
        (32, "float", 2, 8),
    ],
)  # fmt: skip
def test_a_frame_takes_the_bytes_of_its_container(bits, encoding, channels, size):
    assert device(bits=bits, encoding=encoding, channels=channels).bytes_per_frame == size


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"memory_s": None}, r"needs memory_s \(seconds\) or memory_bytes"),
        ({"memory_bytes": 100}, "takes memory_s or memory_bytes, not both"),
        ({"block_bytes": 512}, "need memory_bytes"),
        ({"slot_overhead_bytes": 1}, "need memory_bytes"),
        ({"bits": 16, "encoding": "mu-law"}, "bits must be 8 with mu-law, got 16"),
        ({"bits": 12, "encoding": "unsigned"}, "bits must be 8 with unsigned, got 12"),
        ({"bits": 16, "encoding": "float"}, "bits must be 32 with float, got 16"),
        ({"transpose": (1, 12)}, "transpose must be"),
        ({"transpose": (-12, -1)}, "transpose must be"),
        ({"transpose": (-61, 0)}, "transpose must be"),
        ({"rate_hz": 3999}, r"from 4000 up \(got 3999\)"),
        ({"rate_hz": 192_001}, "less than or equal to 192000"),
        ({"rate_hz": ()}, "at least 1 item"),
        ({"rate_hz": True}, "must be in Hz"),
        ({"bits": 8, "encoding": "signed"}, "8-bit WAV is unsigned"),
        ({"slots": 0}, "greater than or equal to 1"),
        ({"wav_chunks": ("smpl",), "file_name": "{slot}.aif"}, r"wav_chunks needs a file_name that ends in \.wav"),
        ({"wav_chunks": ("smpl", "smpl")}, "names one kind twice"),
        ({"wav_chunks": ("id3",)}, "'smpl', 'inst', 'cue', 'bext' or 'info'"),
    ],
)
def test_figures_that_do_not_go_together_are_refused(changes, said):
    with pytest.raises(ValidationError, match=said):
        device(**changes)


def test_files_may_carry_chunks_where_the_device_reads_them():
    assert device().wav_chunks is None
    assert device(wav_chunks=("smpl", "info")).wav_chunks == ("smpl", "info")
    assert device(wav_chunks=(), file_name="{slot}.raw").wav_chunks == ()


GOOD_PATTERNS = {
    "{slot:02d}_{name}.wav": "07_pad.wav",
    "{slot}.wav": "7.wav",
    "{kit}/{slot:03d}_{note}_{name}.aif": "reeds/007_D3_pad.aif",
    "{{{name}}}.raw": "{pad}.raw",
    "{name}.WAV": "pad.WAV",
}


@pytest.mark.parametrize(("pattern", "name"), GOOD_PATTERNS.items())
def test_the_four_fields_are_filled_in(pattern, name):
    assert device(file_name=pattern).file_for(7, "pad", "D3", "reeds") == name


BAD_PATTERNS = [
    "{name.__class__}.wav", "{slot.__init__.__globals__}.wav", "{name[0]}.wav", "{0}.wav", "{}.wav", "{path}.wav",
    "{name!r}.wav", "{name:>99999999}.wav", "{slot:0999999999d}.wav", "{slot:{name}}.wav", "{name:{slot}}.wav",
    "{name}", "{name}.exe", "name.wav", "{kit}.wav", "{note}.wav", "/{name}.wav", "../{name}.wav", "a/../{name}.wav",
    "a//{name}.wav", "a\\{name}.wav", "C:{name}.wav", "{name.wav", "name}.wav", "", "{name}.wav/", "./{name}.wav",
    "{Name}.wav", "{ name}.wav", "{name }.wav",
]  # fmt: skip


@pytest.mark.parametrize("pattern", BAD_PATTERNS)
def test_any_other_pattern_is_refused_when_the_device_is_read(pattern):
    with pytest.raises(ValidationError, match="file_name"):
        device(file_name=pattern)


@given(st.text(alphabet="{}:!.[]()_abdeklmnostw/\\ 0127", max_size=24))
def test_no_pattern_reads_more_than_its_fields_or_leaves_its_folder(pattern):
    try:
        accepted = device(file_name=f"{pattern}.wav")
    except ValidationError:
        return
    values = {"slot": 7, "name": "pad", "note": "D3", "kit": "reeds"}
    file = accepted.file_for(**values)
    # replacing plain text alone gives the same: nothing of the values but themselves was read
    expected = f"{pattern}.wav".replace("{{", "\0").replace("}}", "\1")
    for field, value in values.items():
        expected = expected.replace(f"{{{field}}}", str(value))
    for spec, written in (("d", "7"), ("02d", "07"), ("03d", "007"), ("04d", "0007")):
        expected = expected.replace(f"{{slot:{spec}}}", written)
    assert file == expected.replace("\0", "{").replace("\1", "}")
    assert ".." not in file.split("/")
    assert not file.startswith("/")
