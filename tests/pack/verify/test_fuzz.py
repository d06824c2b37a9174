"""Malformed zips, RIFF files and manifests from a fuzzer: no traceback, nothing outside the target, memory bounded."""

import io
import json
import os
import struct
import subprocess
import sys
import tracemalloc
import zipfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import kitfold
from kitfold.errors import KitfoldError, PackError
from kitfold.pack.manifest import LevelEntry, RootEntry
from kitfold.pack.reimport import unpack_pack
from kitfold.pack.verify.claims import Claim
from kitfold.pack.verify.decode import decoded
from kitfold.pack.verify.riff import riff_chunks, riff_differences
from kitfold.pack.verify.verify import verify

MANY = settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
MOST_BYTES = 32 << 20
"""What verify may take beside what is there to be read: pieces of 1 MiB, and JSON of the packs here, under 100 KiB."""
SOURCE = str(Path(kitfold.__file__).parents[1])

edits = st.lists(st.tuples(st.integers(0, 1 << 20), st.binary(min_size=1, max_size=8)), min_size=1, max_size=6)
names = st.one_of(
    st.sampled_from(
        [
            "../evil",
            "/evil",
            "a/../../evil",
            "C:\\evil",
            "..\\evil",
            "reeds-1.0.0/../../evil",
            "NUL",
            "/",
            "\0",
            "./evil",
        ]
    ),
    st.text(min_size=1, max_size=20),
)


@pytest.fixture
def place(tmp_path):
    """A folder with one file that must stay as it is, and a target below it."""
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / "inside").mkdir()
    return SimpleNamespace(
        zip=tmp_path / "pack.zip", target=tmp_path / "inside", there=lambda: sorted(tmp_path.rglob("*"))
    )


def judged(path):
    """Verify a file; give whether something was found, and what memory it took. Only our own errors may come out."""
    tracemalloc.start()
    try:
        found = bool(verify(path).differences)
    except PackError:
        found = True
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return found, peak


def refused(place):
    """Unpack a file that is no pack: an error of ours, and nothing at all is written."""
    before = place.there()
    with pytest.raises(KitfoldError):
        unpack_pack(place.zip, place.target)
    assert place.there() == before


@MANY
@given(data=st.binary(max_size=400), head=st.sampled_from([b"", b"PK\x03\x04", b"PK\x05\x06", b"PK\x01\x02", b"RIFF"]))
def test_any_bytes_are_no_pack(place, data, head):
    place.zip.write_bytes(head + data)
    found, peak = judged(place.zip)
    assert found
    assert peak < MOST_BYTES
    refused(place)


@MANY
@given(edits=edits, cut=st.integers(0, 3000), doubled=st.integers(0, 200))
def test_a_pack_with_bytes_overwritten_cut_and_doubled_is_found(published, place, edits, cut, doubled):
    whole = published.zip.read_bytes()
    data = bytearray(whole)
    for start, patch in edits:
        start %= len(data)
        data[start : start + len(patch)] = patch
    data = data[: len(data) - cut] + data[:doubled]
    place.zip.write_bytes(data)
    found, peak = judged(place.zip)
    assert found == (bytes(data) != whole)
    assert peak < MOST_BYTES
    if found:
        refused(place)


@settings(MANY, max_examples=80)
@given(names=st.lists(names, min_size=1, max_size=6, unique=True), deflated=st.booleans(), twice=st.booleans())
def test_hostile_names_are_never_unpacked(published, place, names, deflated, twice):
    """The whole pack is in it too, as it should be; what else is there makes it one that is not unpacked at all."""
    place.zip.write_bytes(published.zip.read_bytes())
    with zipfile.ZipFile(place.zip, "a", zipfile.ZIP_DEFLATED if deflated else zipfile.ZIP_STORED) as pack:
        for name in names:
            try:
                pack.writestr(f"{published.top}/{name}" if twice else name, b"evil")
            except (ValueError, IndexError):  # names that Python does not write
                pack.writestr(f"{published.top}/../evil", b"evil")
    found, peak = judged(place.zip)
    assert found
    assert peak < MOST_BYTES
    refused(place)


def claim(**changes):
    figures = {
        "file": "pad.wav", "listed": "pad.wav", "bytes": 0, "frames": 100, "rate_hz": 22_050, "bits": 16, "channels": 1,
        "encoding": "signed", "seconds": 0.0045, "loop": {"start": 10, "end": 90}, "play_semitones": 0, "holds": (),
        "root": RootEntry(pitched=True, note="D3", midi=50, hz=146.832, error_cents=0.0),
        "level": LevelEntry(lufs=-20.0, peak_db=-3.0, true_peak_db=-3.0), "rights": "own work",
    }  # fmt: skip
    return Claim(**{**figures, **changes})


def wav(chunks):
    body = b"WAVE" + b"".join(
        name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2) for name, data in chunks
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


FORMAT = struct.pack("<HHIIHH", 1, 1, 22_050, 44_100, 2, 16)
SMPL = struct.pack("<9I6I", 0, 0, 45_351, 50, 0, 0, 0, 1, 0, 0, 0, 10, 89, 0, 0)
WHOLE = wav([(b"fmt ", FORMAT), (b"data", bytes(200)), (b"smpl", SMPL)])


def test_a_whole_riff_file_is_read():
    found = []
    assert decoded(WHOLE, claim(), found).frames == 100
    assert found + riff_differences(WHOLE, claim()) == []
    assert [name for name, _ in riff_chunks(WHOLE)] == [b"fmt ", b"data", b"smpl"]


@MANY
@given(edits=edits, cut=st.integers(0, 150), size=st.integers(0, 2**32 - 1), where=st.sampled_from([4, 16, 40, 248]))
def test_a_malformed_riff_file_is_lines_and_no_crash(edits, cut, size, where):
    data = bytearray(WHOLE)
    struct.pack_into("<I", data, where, size)
    for start, patch in edits:
        start %= len(data)
        data[start : start + len(patch)] = patch
    data = bytes(data[: len(data) - cut])
    tracemalloc.start()
    found = []
    sound = decoded(data, claim(), found)
    found += riff_differences(data, claim())
    assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    tracemalloc.stop()
    assert found or sound.frames == 100


figures = st.integers(-(2**53), 2**53)
claimed_forms = st.fixed_dictionaries(
    {
        "frames": st.one_of(st.integers(0, 300), figures),
        "rate_hz": st.one_of(st.just(22_050), figures),
        "bits": st.one_of(st.sampled_from([8, 12, 16, 24, 32]), figures),
        "channels": st.integers(1, 2),
        "encoding": st.sampled_from(["signed", "unsigned", "float", "mu-law", "other"]),
    }
)


@MANY
@given(data=st.binary(max_size=300), kind=st.sampled_from(["wav", "aif", "raw", "mp3", ""]), claimed=claimed_forms)
def test_whatever_is_claimed_of_any_bytes_is_lines_and_no_crash(data, kind, claimed):
    found = []
    sound = decoded(data, claim(file=f"pad.{kind}", loop=None, **claimed), found)
    assert found or (sound is not None and sound.frames == claimed["frames"])


table = st.recursive(
    st.one_of(st.none(), st.booleans(), figures, st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=8)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=8,
)


@settings(MANY, max_examples=80)
@given(pick=st.integers(0, 10**6), value=table, device=st.booleans())
def test_any_value_in_any_place_of_a_manifest_is_lines_and_no_crash(parts, forge, place, pick, value, device):
    name = "device/tiny/manifest.json" if device else "manifest.json"
    manifest = json.loads(parts[name])
    spots = list(every_place(manifest))
    inner, key = spots[pick % len(spots)]
    inner[key] = value
    changed = {**parts, name: forge.json(manifest)}
    pack = json.loads(changed["manifest.json"])
    if device:  # so that its own hash agrees, and the figures are reached
        entry = next(one for one in pack["files"] if one["file"] == name)
        entry |= {"sha256": sha256(changed[name]), "bytes": len(changed[name])}
        changed["manifest.json"] = forge.json(pack)
    changed["SHA256SUMS"] = forge.sums(changed)
    assert judged(forge.zip(place.zip, changed))[1] < MOST_BYTES


def sha256(data):
    import hashlib

    return hashlib.sha256(data).hexdigest()


def every_place(value):
    """Give every place in JSON, as (table or list, key)."""
    for key in list(value) if isinstance(value, dict) else range(len(value)):
        yield value, key
        if isinstance(value[key], dict | list):
            yield from every_place(value[key])


def bomb(path):
    """A zip that would unpack to half a gigabyte."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as pack, pack.open("reeds-1.0.0/manifest.json", "w") as file:
        for _ in range(512):
            file.write(bytes(1 << 20))


def overlapping(path):
    """A directory of 60 000 lines that all mean the same 4 MiB: 240 GB to hash."""
    name, size = b"reeds-1.0.0/manifest.json", 4 << 20
    local = b"PK\x03\x04" + struct.pack("<5H3I2H", 20, 0, 0, 0, 33, 0, size, size, len(name), 0) + name
    line = (
        b"PK\x01\x02"
        + struct.pack("<6H3I5H2I", 788, 20, 0, 0, 0, 33, 0, size, size, len(name), 0, 0, 0, 0, 0, 0)
        + name
    )
    start, directory = len(local) + size, line * 60_000
    end = b"PK\x05\x06" + struct.pack("<4H2IH", 0, 0, 60_000, 60_000, len(directory), start, 0)
    path.write_bytes(local + bytes(size) + directory + end)


def four_gigabytes_claimed(path):
    """An entry and a directory that claim far more than there is."""
    name = b"reeds-1.0.0/manifest.json"
    local = b"PK\x03\x04" + struct.pack("<5H3I2H", 20, 0, 0, 0, 33, 0, 2**32 - 2, 2**32 - 2, len(name), 0) + name
    path.write_bytes(local + b"PK\x05\x06" + struct.pack("<4H2IH", 0, 0, 1, 1, 2**32 - 2, len(local), 0))


def long_list(path):
    """A manifest whose every value is a mistake."""
    with zipfile.ZipFile(path, "w") as pack:
        text = b'{"schema": "kitfold-pack/1", "sounds": [' + b"0," * 7_000_000 + b"0]}"
        pack.writestr("reeds-1.0.0/manifest.json", text)


def sparse(path):
    """A stored entry of half a gigabyte, which takes no room on the disk: read, but a piece at a time."""
    name, size = b"reeds-1.0.0/manifest.json", 1 << 29
    local = b"PK\x03\x04" + struct.pack("<5H3I2H", 20, 0, 0, 0, 33, 0, size, size, len(name), 0) + name
    with path.open("wb") as file:
        file.write(local)
        file.truncate(len(local) + size)


LIMITED = """
import resource, sys
from pathlib import Path
import numpy, soundfile, soxr, scipy.fft, pydantic  # what is loaded anyway takes its share before the limit is set
from kitfold.pack.verify import contents, verify
resource.setrlimit(resource.RLIMIT_AS, (int(open("/proc/self/statm").read().split()[0]) * 4096 + (400 << 20),) * 2)
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))  # not a byte may be written
from kitfold.cli.main import _exit_code
sys.exit(_exit_code(["verify", sys.argv[1], "--json"]))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits a process by Linux's own means")
@pytest.mark.parametrize("make", [bomb, overlapping, four_gigabytes_claimed, long_list, sparse])
def test_a_bomb_takes_little_memory_and_little_time(make, tmp_path):
    """Seconds, not minutes: half a gigabyte is read at most; and less than that beyond what Python takes, 400 MiB."""
    path = tmp_path / "pack.zip"
    make(path)
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(path)], capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": SOURCE, "HOME": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode in (1, 2), done.stderr
    assert "Traceback" not in done.stderr
    assert json.loads(done.stdout)
    assert os.listdir(tmp_path) == ["pack.zip"]


def test_the_measures_are_of_what_is_there():
    """That the memory is measured at all: the same way sees what a large array takes."""
    tracemalloc.start()
    block = np.zeros(MOST_BYTES // 8 + 1000)
    assert tracemalloc.get_traced_memory()[1] > MOST_BYTES
    tracemalloc.stop()
    assert io.BytesIO(block.tobytes()).getbuffer().nbytes > MOST_BYTES
