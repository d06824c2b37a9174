"""Every byte of a pack's zip counts: what is changed, cut, added or swapped anywhere is found, and nothing crashes."""

import random
import struct
import zipfile
import zlib

import pytest

from kitfold.errors import PackError
from kitfold.files.archive_read import Archive
from kitfold.pack.publish.archive import Entry, central_header, end_record, local_header
from kitfold.pack.verify.verify import verify

TRIES = 500
"""Of each kind. Did one change in 100 go unseen, 500 tries would all be found with a chance of 0.99^500 = 0.7 %."""


def ranges(path):
    """Return where the files' own bytes lie, read by Python's zipfile; all others are headers and directory."""
    spans = []
    with zipfile.ZipFile(path) as pack:
        for info in pack.infolist():
            start = info.header_offset + 30 + len(info.filename.encode())
            spans.append((start, start + info.file_size))
    return spans


@pytest.fixture(scope="module")
def whole(published):
    assert not verify(published.zip).differences
    return published.zip.read_bytes()


@pytest.fixture(scope="module")
def places(published, whole):
    """Return places in the files' bytes and places in between, seeded."""
    spans = ranges(published.zip)
    inside = [place for start, end in spans for place in range(start, end)]
    between = sorted(set(range(len(whole))) - set(inside))
    chance = random.Random(6)
    return chance.sample(inside, TRIES), chance.sample(between, TRIES)


@pytest.mark.parametrize("kind", [0, 1], ids=["files", "headers"])
def test_every_single_byte_that_changes_is_found(whole, places, kind, tmp_path):
    path, chance = tmp_path / "pack.zip", random.Random(kind)
    unseen = []
    for place in places[kind]:
        changed = bytearray(whole)
        changed[place] ^= chance.randint(1, 255)
        path.write_bytes(changed)
        if not verify(path).differences:
            unseen.append(place)
    assert not unseen


def test_every_single_bit_of_the_end_record_is_found(whole, tmp_path):
    """The last 22 bytes say where everything else is: a reader that trusts them too early is lost."""
    path = tmp_path / "pack.zip"
    for place in range(len(whole) - 22, len(whole)):
        for bit in range(8):
            changed = bytearray(whole)
            changed[place] ^= 1 << bit
            path.write_bytes(changed)
            assert verify(path).differences, (place, bit)


def refused_or_differs(path):
    """Say whether verify finds something, or refuses what is left as no pack at all."""
    try:
        return bool(verify(path).differences)
    except PackError as error:
        return "is no zip archive" in str(error) or "is no pack" in str(error)


@pytest.mark.parametrize("length", [0, 1, 4, 21, 22, 30, 1000, -1, -21, -22, -23, -90, -2000])
def test_what_is_cut_off_is_found(whole, length, tmp_path):
    path = tmp_path / "pack.zip"
    path.write_bytes(whole[:length])
    assert refused_or_differs(path)


@pytest.mark.parametrize("place", [0, 4, 40, 5000, -22, -1, None])
def test_a_byte_that_is_put_in_is_found(whole, place, tmp_path):
    path = tmp_path / "pack.zip"
    path.write_bytes(whole[:place] + b"\0" + whole[place:] if place is not None else whole + b"\0")
    assert refused_or_differs(path)


def repacked(published, path, **how):
    """Write the same files again, by Python's zipfile."""
    with zipfile.ZipFile(published.zip) as pack, zipfile.ZipFile(path, "w") as other:
        for info in pack.infolist():
            again = zipfile.ZipInfo(info.filename, how.get("date", (1980, 1, 1, 0, 0, 0)))
            again.create_system = how.get("system", 3)
            again.external_attr = how.get("mode", 0o100644) << 16
            again.extra = how.get("extra", b"")
            again.compress_type = how.get("compress", zipfile.ZIP_STORED)
            other.writestr(again, pack.read(info))
        other.comment = how.get("comment", b"")
    return path


def test_python_s_zipfile_makes_the_same_bytes_with_the_same_figures(published, whole, tmp_path):
    """The referee: an implementation other than ours agrees on what the one form is."""
    assert repacked(published, tmp_path / "pack.zip").read_bytes() == whole


@pytest.mark.parametrize(
    "how",
    [
        {"date": (2026, 1, 1, 0, 0, 0)},
        {"system": 0},
        {"mode": 0o100755},
        {"mode": 0o120777},
        {"extra": b"\xfe\xca\0\0"},
        {"compress": zipfile.ZIP_DEFLATED},
        {"comment": b"hello"},
    ],
    ids=str,
)
def test_the_same_files_in_another_form_are_told_apart(published, how, tmp_path):
    differences = verify(repacked(published, tmp_path / "pack.zip", **how)).differences
    assert differences
    if "compress" not in how:  # what is compressed is not read, so its files are missing too
        assert {one.file for one in differences} == {"zip"}


def test_entries_in_another_order_are_found(published, parts, tmp_path):
    path = tmp_path / "pack.zip"
    with zipfile.ZipFile(path, "w") as pack:
        for name in sorted(parts, reverse=True):
            pack.writestr(zipfile.ZipInfo(f"{published.top}/{name}"), parts[name])
    assert any(one.what == "order of entries" for one in verify(path).differences)


def test_an_entry_that_is_there_twice_is_found(published, whole, parts, tmp_path):
    path = tmp_path / "pack.zip"
    path.write_bytes(whole)
    with pytest.warns(UserWarning, match="Duplicate name"), zipfile.ZipFile(path, "a") as pack:
        pack.writestr(zipfile.ZipInfo(f"{published.top}/README.txt"), parts["README.txt"])
    assert any(one.what == "entries of that name" for one in verify(path).differences)


@pytest.mark.parametrize("flag", [1, 1 << 3, 1 << 6])
def test_encrypted_entries_and_those_with_sizes_behind_them_are_found(published, whole, flag, tmp_path):
    path = tmp_path / "pack.zip"
    with Archive(published.zip) as archive:
        member = archive.members[2]
    changed = bytearray(whole)
    central = whole.index(b"PK\x01\x02", len(whole) - struct.unpack_from("<L", whole, len(whole) - 10)[0] - 22)
    for _ in range(2):
        central = whole.index(b"PK\x01\x02", central + 4)
    for place in (member.offset + 6, central + 8):
        struct.pack_into("<H", changed, place, flag)
    path.write_bytes(changed)
    assert any(member.name in one.what or one.file == member.name for one in verify(path).differences)


def test_a_checksum_that_is_wrong_in_both_headers_alike_is_found(published, parts, tmp_path):
    """Python's zipfile, the referee, refuses the same file."""
    path, offset, entries, whole = tmp_path / "pack.zip", 0, [], b""
    for name in sorted(parts):
        data, full = parts[name], f"{published.top}/{name}"
        crc = zlib.crc32(data) ^ (name == "README.txt")
        head = local_header(full, crc, len(data))
        entries.append(Entry(full, crc, len(data), offset))
        whole += head + data
        offset += len(head) + len(data)
    directory = b"".join(map(central_header, entries))
    path.write_bytes(whole + directory + end_record(len(entries), len(directory), offset))
    assert [(one.file, one.what) for one in verify(path).differences] == [
        (f"{published.top}/README.txt", "CRC-32"),
    ]
    with zipfile.ZipFile(path) as pack:
        assert pack.testzip() == f"{published.top}/README.txt"
