"""The zip's one form: against Python's zipfile byte for byte, whole or not at all, and what it refuses.

Source: PKWARE, ".ZIP File Format Specification" 6.3 (APPNOTE); the reference is the standard library's zipfile.
"""

import errno
import io
import os
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.errors import PackError
from kitfold.files import recover
from kitfold.pack.publish import archive
from kitfold.pack.publish.archive import archive_parts, same_archive, write_archive

FILES = {
    "reeds-1.0.0/full/pad_D3.wav": bytes(range(256)) * 40,
    "reeds-1.0.0/README.txt": b"hello\n",
    "reeds-1.0.0/empty": b"",
    "reeds-1.0.0/Röhricht.txt": "grün".encode(),
}


def by_zipfile(files):
    """Make the same zip with the standard library."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as made:
        for name in sorted(files):
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.create_system = 3  # Unix
            entry.external_attr = 0o100644 << 16
            made.writestr(entry, files[name])
    return out.getvalue()


def test_it_is_what_the_standard_library_writes():
    assert b"".join(archive_parts(FILES, FILES.__getitem__)) == by_zipfile(FILES)


names = st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="/\\"), min_size=1, max_size=8)


@given(st.dictionaries(names, st.binary(max_size=40), max_size=6))
def test_it_is_so_for_any_names_and_bytes(files):
    assert b"".join(archive_parts(files, files.__getitem__)) == by_zipfile(files)


def test_the_order_in_which_files_are_given_does_not_matter():
    backwards = dict(reversed(FILES.items()))
    assert list(archive_parts(FILES, FILES.__getitem__)) == list(archive_parts(backwards, FILES.__getitem__))


def test_a_name_that_is_there_twice_is_refused():
    with pytest.raises(ValueError, match="each name once"):
        list(archive_parts(["a", "b", "a"], lambda name: b""))


class Large(bytes):
    """Bytes that say they are many."""

    def __len__(self):
        return 2**31


def test_what_would_pass_four_gibibytes_is_refused_before_it_is_written(tmp_path, monkeypatch):
    monkeypatch.setattr(archive.zlib, "crc32", lambda data: 0)
    path = tmp_path / "large.zip"
    with pytest.raises(PackError, match=r"would take 4\.00 GiB; a pack holds less than 4 GiB"):
        write_archive(path, ["a", "b"], lambda name: Large(b"x"))
    assert list(tmp_path.iterdir()) == []


def test_more_files_than_the_format_counts_are_refused():
    with pytest.raises(PackError, match="65535 files; a pack holds less than 65535 files"):
        list(archive_parts(map(str, range(65_535)), lambda name: b""))
    assert len(list(archive_parts(map(str, range(65_534)), lambda name: b""))) == 2 * 65_534 + 2


def test_the_same_zip_is_known_again_and_any_other_is_not(tmp_path):
    path = tmp_path / "pack.zip"
    write_archive(path, FILES, FILES.__getitem__)
    whole = path.read_bytes()
    assert same_archive(path, FILES, FILES.__getitem__)
    for other in (whole[:-1], whole + b"\0", b"", whole[:500] + bytes([whole[500] ^ 1]) + whole[501:]):
        path.write_bytes(other)
        assert not same_archive(path, FILES, FILES.__getitem__)


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
@pytest.mark.parametrize("there", [None, b"the earlier one"])
def test_an_error_in_the_middle_leaves_what_was_there(tmp_path, error, there):
    path = tmp_path / "pack.zip"
    if there:
        path.write_bytes(there)

    def read(name):
        if name.endswith("pad_D3.wav"):
            raise error
        return FILES[name]

    with pytest.raises(error):
        write_archive(path, FILES, read)
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == ({"pack.zip": there} if there else {})


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs os.fork; the kills of whole runs are in tests/cli")
@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # newer Pythons warn of forks beside threads
@pytest.mark.parametrize("there", [None, b"the earlier one"])
def test_a_process_that_dies_in_the_middle_leaves_what_was_there_and_the_next_one_tidies_up(tmp_path, there):
    path = tmp_path / "pack.zip"
    if there:
        path.write_bytes(there)
    process = os.fork()
    if process == 0:
        write_archive(path, FILES, lambda name: os._exit(9) if name.endswith("pad_D3.wav") else FILES[name])
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]) == 9
    assert path.exists() == bool(there)
    assert len(list(tmp_path.glob(".pack.zip.*.part"))) == 1  # it did begin
    assert "interrupted" in recover(path)
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == ({"pack.zip": there} if there else {})


def test_a_disk_that_fills_up_on_the_way_says_so_and_leaves_nothing(tmp_path, monkeypatch):
    real = Path.open

    class Full(io.BytesIO):
        def writelines(self, parts):
            written = 0
            for part in parts:
                written += len(part)
                if written > 5000:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def opened(path, mode="r", *arguments, **options):
        real(path, mode, *arguments, **options).close()
        return Full()

    monkeypatch.setattr(Path, "open", opened)
    with pytest.raises(PackError, match=r"pack\.zip cannot be written: the disk is full\n  hint: free some space"):
        write_archive(tmp_path / "pack.zip", FILES, FILES.__getitem__)
    assert list(tmp_path.iterdir()) == []
