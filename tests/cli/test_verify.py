"""`kitfold verify` as it is typed: what it prints, its exit code, and that it writes nothing."""

import json
import shutil

import pytest

HEAD = {"title": "Reeds", "version": "1.0.0", "author": "Ann", "licence": "CC-BY-4.0"}


@pytest.fixture(scope="module")
def made(shared_folder, entries):
    """A pack and a build, made once."""
    from kitfold.cli.main import _exit_code

    sounds = [{**entries.pad, "rights": "own work"}, {**entries.hit, "rights": "own work"}]
    kit = shared_folder.kit(sounds, HEAD)
    for command in ("publish", "build"):
        assert _exit_code([command, str(kit), "--out", str(shared_folder.out), "--quiet", "--jobs", "1"]) == 0
    return shared_folder.out


@pytest.fixture
def pack(made, tmp_path):
    return shutil.copy(made / "reeds-1.0.0.zip", tmp_path)


def test_a_pack_that_is_as_it_says_ends_with_0(run, pack):
    done = run("verify", pack)
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith("reeds 1.0.0 (pack): all as the manifest says; ")
    assert done.out.endswith(" files hashed, 4 sounds measured\n")


def test_a_difference_is_one_line_and_ends_with_1(run, made, tmp_path):
    build = shutil.copytree(made / "reeds-mono8-22s", tmp_path / "build")
    (build / "listen/song.mid").unlink()
    (build / "more.txt").write_text("more")
    done = run("verify", build)
    assert done.code == 1
    lines = done.out.splitlines()
    assert lines[:2] == [
        "listen/song.mid: file: expected there, found missing",
        "more.txt: file: expected none: it is not listed, found there",
    ]
    assert "2 differences" in lines[2]
    assert "were not decoded and measured" in done.err


def test_what_is_no_pack_ends_with_2_and_one_message(run, tmp_path):
    for name, data in (("a.zip", b""), ("b.zip", b"PK\x03\x04"), ("c.wav", b"RIFF")):
        (tmp_path / name).write_bytes(data)
        done = run("verify", name)
        assert (done.code, done.out) == (2, "")
        assert "is no zip archive" in done.err
        assert "hint:" in done.err
    assert run("verify", "nothing").code == 2


def test_json_gives_every_difference(run, pack):
    result = json.loads(run("verify", pack, "--json").out)
    assert (result["ok"], result["kind"], result["sounds"], result["differences"]) == (True, "zip", 4, [])
    with open(pack, "ab") as file:
        file.write(b"x")
    done = run("verify", pack, "--json")
    result = json.loads(done.out)
    assert (done.code, result["ok"]) == (1, False)
    assert result["differences"][-1].keys() == {"file", "what", "expected", "found"}
    assert json.loads(run("verify", "nothing", "--json").out)["errors"][0]["what"] == "does not exist"


def test_nothing_is_written(run, pack, tmp_path):
    run("verify", pack)
    assert [path.name for path in tmp_path.iterdir()] == ["reeds-1.0.0.zip"]


def test_any_number_of_jobs_says_the_same(run, pack):
    assert run("verify", pack, "--jobs", 1).out == run("verify", pack, "--jobs", 4).out


def test_a_pack_that_differs_everywhere_prints_a_bounded_number_of_lines(run, made, tmp_path):
    build = shutil.copytree(made / "reeds-mono8-22s", tmp_path / "build")
    for number in range(300):
        (build / f"more-{number}").touch()
    done = run("verify", build)
    assert len(done.out.splitlines()) == 202
    assert "... and 100 more; --json gives all" in done.out
    assert len(json.loads(run("verify", build, "--json").out)["differences"]) == 300
