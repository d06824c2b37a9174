"""Files of a pack or a build that are missing, too many, swapped, linked or badly named: one line each."""

import shutil
import zipfile

import pytest

from kitfold.errors import PackError
from kitfold.pack.verify.paths import path_differences, path_problem
from kitfold.pack.verify.verify import verify


def found(path):
    return {(one.file, one.what) for one in verify(path).differences}


@pytest.fixture
def unpacked(published, tmp_path):
    with zipfile.ZipFile(published.zip) as pack:
        pack.extractall(tmp_path)  # our own pack, in a test
    return tmp_path / published.top


@pytest.fixture
def build(published, tmp_path):
    return shutil.copytree(published.build, tmp_path / "build")


def test_what_kitfold_wrote_is_as_it_says(published, unpacked, build):
    kinds = []
    for path in (published.zip, unpacked, build):
        report = verify(path, jobs=2)
        assert not report.differences
        assert report.sounds
        kinds.append(report.kind)
    assert kinds == ["zip", "pack", "build"]


def test_every_file_that_is_removed_is_found(published, parts, forge, tmp_path):
    for name in parts:
        rest = {other: data for other, data in parts.items() if other != name}
        differences = verify(forge.zip(tmp_path / "pack.zip", rest)).differences
        assert (name, "missing") in {(one.file, one.found) for one in differences}, name


def test_every_file_that_is_added_is_found(published, parts, forge, tmp_path):
    for name in ("more.txt", "full/more.wav", "device/tiny/more.wav", "preview/x/y.mp3", "zzz"):
        more = {**parts, name: b"more"}
        assert (name, "file") in found(forge.zip(tmp_path / "pack.zip", more)), name


def test_every_two_files_that_are_swapped_are_found(parts, forge, tmp_path):
    names = sorted(parts)
    for one, other in zip(names, names[1:] + names[:1], strict=True):
        swapped = {**parts, one: parts[other], other: parts[one]}
        assert {one, other} & {file for file, _ in found(forge.zip(tmp_path / "pack.zip", swapped))}, (one, other)


def test_removed_added_and_changed_files_of_a_folder_are_found(unpacked, build):
    for folder, sound in ((unpacked, "full/pad_D3_120bpm.wav"), (build, "masters/pad.wav")):
        for name in [path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*")) if path.is_file()]:
            if name == "manifest.json":
                continue
            path = folder / name
            data = path.read_bytes()
            path.unlink()
            assert (name, "file") in found(folder)
            path.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
            assert name in {file for file, _ in found(folder)}
            path.write_bytes(data)
        (folder / ".DS_Store").write_bytes(b"x")
        assert found(folder) == {(".DS_Store", "file")}
        (folder / ".DS_Store").unlink()
        assert (folder / sound).exists()


def test_a_line_says_file_what_expected_and_found(unpacked):
    (unpacked / "README.txt").write_bytes(b"hello")
    lines = [str(one) for one in verify(unpacked).differences]
    assert any(line.startswith("README.txt: bytes: expected ") and line.endswith(", found 5") for line in lines)


def test_links_are_named_and_never_followed(unpacked, build, tmp_path):
    secret = tmp_path / "secret"
    secret.write_bytes(b"secret")
    for folder in (unpacked, build):
        name = "README.txt" if folder == unpacked else "masters/pad.wav"
        (folder / name).unlink()
        (folder / name).symlink_to(secret)
        (folder / "loop").symlink_to(folder)
        assert {(name, "kind"), ("loop", "kind")} <= found(folder)


def test_a_folder_or_file_that_is_no_pack_is_refused(published, tmp_path):
    (tmp_path / "notes.txt").write_text("hello")
    for path, says in (
        (tmp_path, "there is no manifest.json"),
        (tmp_path / "notes.txt", "is no zip archive"),
        (tmp_path / "nothing", "does not exist"),
    ):
        with pytest.raises(PackError, match=says):
            verify(path)
    with zipfile.ZipFile(tmp_path / "photos.zip", "w") as other:
        other.writestr("photos/one.jpg", b"x")
    with pytest.raises(PackError, match="is no pack"):
        verify(tmp_path / "photos.zip")
    (tmp_path / "manifest.json").write_text('{"schema": "kitfold-manifest/9"}')
    with pytest.raises(PackError, match="'kitfold-manifest/9'; this version knows"):
        verify(tmp_path)


# Microsoft, "Naming Files, Paths, and Namespaces"; a climbing or absolute path: CWE-22, CWE-36.
@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("../evil", "climbs out"),
        ("full/../../evil", "climbs out"),
        ("/etc/passwd", "is absolute"),
        ("\\\\host\\share", "is absolute"),
        ("C:/evil", "is absolute"),
        ("C:evil", "is absolute"),
        ("full\\..\\evil", "has '\\\\' in it"),
        ("full//x", "is empty"),
        ("full/", "is empty"),
        ("full/NUL.wav", "reserved by Windows"),
        ("com1", "reserved by Windows"),
        ("full/x.", "ends in a dot"),
        ("full/x ", "ends in a dot or a space"),
        ("full/a:b", "has ':' in it"),
        ("full/a\0b", "in it"),
        ("full/\udcff", "in it"),
        ("cafe\u0301.wav", "normal form C"),
        ("x" * 201, "201 characters"),
    ],
)
def test_a_path_that_is_not_safe_everywhere_says_why(path, says):
    assert says in path_problem(path)


def test_paths_that_are_one_somewhere_are_found():
    assert not path_differences(["full/a.wav", "full/b.wav", "device/a.wav"])
    for one, other in (
        ("full/a.wav", "full/A.WAV"),
        ("full/a.wav", "Full/b.wav"),
        ("stra\u00dfe", "STRASSE"),
        ("\u00e9", "\u00c9"),
        ("a", "a/b"),
    ):
        assert path_differences([one, other]), (one, other)


def test_a_hostile_name_in_the_zip_is_a_line_that_cannot_move_the_terminal(parts, forge, tmp_path):
    path = forge.zip(tmp_path / "pack.zip", {**parts, "../../evil\x1b[2J": b"x"})
    lines = [str(one) for one in verify(path).differences]
    assert any("climbs out of its folder" in line for line in lines)
    assert all(line.isprintable() for line in lines)


def test_a_pack_in_a_folder_of_another_name_is_found(parts, forge, tmp_path):
    differences = verify(forge.zip(tmp_path / "pack.zip", parts, top="reeds-2.0.0")).differences
    assert [(one.what, one.expected, one.found) for one in differences] == [
        ("top folder", "reeds-1.0.0", "reeds-2.0.0")
    ]
