"""A user's own file in a build folder outlives the build: it is brought along, or nothing is replaced."""

import json

import pytest

from kitfold.pack.strangers import strangers

FOLDER = "reeds-mono8-22s"


@pytest.fixture
def build(kit_folder, run):
    """Build a kit, each time with another title, so that there is something to build."""

    def built(title="Reeds", code=0):
        done = run("build", kit_folder.kit(head={"title": title}), "--out", kit_folder.out)
        assert done.code == code, done.err
        return done

    built()
    return built


def test_a_users_own_files_stay_and_that_is_said(build, kit_folder):
    folder = kit_folder.out / FOLDER
    (folder / "notes.txt").write_text("louder bell")
    (folder / "takes" / "live").mkdir(parents=True)
    (folder / "takes" / "live" / "one.wav").write_bytes(b"take")
    (folder / "slots" / "01_mine.wav").write_bytes(b"mine")
    done = build("Other")
    assert json.loads((folder / "manifest.json").read_bytes())["kit"]["title"] == "Other"
    assert (folder / "notes.txt").read_text() == "louder bell"
    assert (folder / "takes" / "live" / "one.wav").read_bytes() == b"take"
    assert (folder / "slots" / "01_mine.wav").read_bytes() == b"mine"
    for name in ("notes.txt", "takes/live/one.wav", "slots/01_mine.wav"):
        assert f"{folder.as_posix()}/{name} is not of the build: it was left there" in done.err
    assert strangers(folder) == ["notes.txt", "slots/01_mine.wav", "takes/live/one.wav"]
    assert "nothing changed" in build("Other").out


def test_a_file_of_ones_own_is_no_change(build, kit_folder):
    folder = kit_folder.out / FOLDER
    (folder / "notes.txt").write_text("louder bell")
    assert "nothing changed" in build().out
    build("Other")
    (folder / "notes.txt").unlink()
    assert "nothing changed" in build("Other").out
    (folder / "sheet.html").unlink()
    assert "nothing changed" not in build("Other").out
    assert (folder / "sheet.html").exists()


def test_what_the_earlier_build_made_goes_with_it_and_so_does_debris(build, kit_folder):
    folder = kit_folder.out / FOLDER
    (folder / ".DS_Store").write_bytes(b"icons")
    (folder / "slots" / "Thumbs.db").write_bytes(b"icons")
    build("Other")
    assert not (folder / ".DS_Store").exists()
    assert not (folder / "slots" / "Thumbs.db").exists()
    assert strangers(folder) == []


def test_a_file_that_the_new_build_would_replace_stops_it(build, kit_folder):
    folder = kit_folder.out / FOLDER
    manifest = json.loads((folder / "manifest.json").read_bytes())
    forgotten = ("sheet.html", "listen/song.mid")
    manifest["files"] = [one for one in manifest["files"] if one["file"] not in forgotten]
    (folder / "manifest.json").write_text(json.dumps(manifest))
    before = kit_folder.bytes()
    done = build("Other", code=2)
    for name in forgotten:
        assert f"{folder / name} is not of the earlier build, and the new one has a file of that name" in done.err
    assert "hint: move it away" in done.err
    after = kit_folder.bytes()
    assert {name for name in before if before[name] != after.get(name)} == {str(kit_folder.path / "kit.toml")}


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"slots": 1, "files": []}', '{"slots": [{}], "files": []}'])
def test_where_a_manifest_cannot_be_read_nothing_can_be_told_apart(tmp_path, text):
    (tmp_path / "manifest.json").write_text(text)
    (tmp_path / "notes.txt").write_text("x")
    assert strangers(tmp_path) == []
    assert strangers(tmp_path / "nowhere") == []
