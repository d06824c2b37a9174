"""Remembered results: made once, and the same whether made or read."""

import re

import numpy as np
import pytest

from kitfold.files import Store
from kitfold.render import keys, memo
from kitfold.render.keys import AFTER_SOUNDS, code_digest, code_has_changed, key_of, made_with, sound_parts
from kitfold.render.memo import kept, known, remembered


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "cache")


class Counted:
    """A function that counts how often it was called."""

    def __init__(self, value):
        self.value, self.calls = value, 0

    def __call__(self):
        self.calls += 1
        return self.value


def test_what_was_made_once_is_read_the_next_time(store):
    make = Counted({"mp3": b"bytes", "lufs": -20.5})
    first = remembered(store, "mp3", ["sound", 1], make)
    assert remembered(store, "mp3", ["sound", 1], make) == first == make.value
    assert make.calls == 1


def test_none_is_a_result_too(store):
    make = Counted([None])
    assert [remembered(store, "x", [], make) for _ in range(2)] == [[None], [None]]
    assert make.calls == 1


@pytest.mark.parametrize(("name", "parts"), [("other", ["a", 1]), ("x", ["a", 2]), ("x", ["a"]), ("x", [["a", 1]])])
def test_another_name_or_part_is_another_result(store, name, parts):
    remembered(store, "x", ["a", 1], Counted("first"))
    assert remembered(store, name, parts, Counted("second")) == "second"


def test_other_code_or_libraries_give_another_result(store, monkeypatch):
    remembered(store, "x", [], Counted("first"))
    monkeypatch.setattr(memo, "sound_code", lambda: "other")
    assert remembered(store, "x", [], Counted("second")) == "second"


def test_without_a_store_it_is_made_each_time_and_looks_the_same(store):
    turned = np.asfortranarray(np.arange(6.0).reshape(3, 2))
    results = [remembered(one, "x", [], Counted(turned)) for one in (None, store, store)]
    for result in results:
        assert np.array_equal(result, turned)
        assert (result.flags.c_contiguous, result.flags.writeable) == (True, False)


def test_fresh_makes_it_anew_and_keeps_it(store):
    remembered(store, "x", [], Counted("first"))
    assert remembered(Store(store.folder, fresh=True), "x", [], Counted("second")) == "second"
    assert remembered(store, "x", [], Counted("third")) == "second"


def test_a_value_of_a_form_that_was_never_ours_is_made_again(store):
    key = key_of("k")
    store.put(key, {"$": "kind", "name": "Popen", "of": {}})
    assert known(store, key) is None
    assert not store.path_of(key).exists()


def test_kept_and_known_are_two_ends_of_one_thing(store):
    assert kept(store, key_of("k"), (1, b"x")) == known(store, key_of("k")) == (1, b"x")


def test_keys_hang_on_every_part_and_on_nothing_else():
    assert key_of("a", 1) == key_of("a", 1)
    assert key_of({"a": 1, "b": 2}) == key_of({"b": 2, "a": 1})
    assert len({key_of(*parts) for parts in [("a", 1), ("a", 1.5), ("a", "1"), ("a",), (["a", 1],), ("a", None)]}) == 6


# The code's digest


def look_again():
    """Forget what was seen of the code, as another process would not have seen it."""
    for seen in (code_digest, keys._digest_of, keys._parts):
        seen.cache_clear()


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A copy of kitfold's source to be edited."""
    import shutil

    copy = tmp_path / "kitfold"
    shutil.copytree(keys._PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(keys, "_PACKAGE", copy)
    look_again()
    yield copy
    look_again()


@pytest.mark.parametrize(
    "file",
    ["steps/trim.py", "units.py", "sound.py", "measure/root_weights.json", "plan/settings.py", "render/masters.py"],
)
def test_an_edit_of_code_that_can_change_a_sound_gives_another_digest(package, file):
    before = code_digest(*sound_parts())
    path = package / file
    path.write_bytes(path.read_bytes() + b"\n")
    look_again()
    assert code_digest(*sound_parts()) != before


def test_an_edit_of_a_page_leaves_sounds_as_they_are_and_changes_the_whole(package):
    sounds, whole = code_digest(*sound_parts()), code_digest()
    (package / "sheet" / "page.py").write_text("changed")
    look_again()
    assert code_digest(*sound_parts()) == sounds
    assert code_digest() != whole


@pytest.mark.parametrize("edited", ["steps/trim.py", "cli/show.py", "new.py"])
def test_an_edit_while_a_process_runs_is_noticed(package, edited):
    before = code_digest()
    assert not code_has_changed()
    with (package / edited).open("a") as file:
        file.write("# edited\n")
    assert code_has_changed()
    assert code_digest() == before


def test_compiled_files_are_no_code(package):
    before = code_digest()
    (package / "__pycache__").mkdir()
    (package / "steps" / "__pycache__").mkdir()
    (package / "steps" / "__pycache__" / "trim.cpython-311.pyc").write_bytes(b"x")
    look_again()
    assert code_digest() == before


def test_the_code_of_sounds_imports_nothing_beside_itself():
    """Else an edit elsewhere could change a sound that is kept."""
    import ast

    for path in (path for part in sound_parts() for path in keys._files(part)):
        if path.suffix != ".py" or (path.parent == keys._PACKAGE and path.name == "__main__.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "kitfold":
                names = node.module.split(".")[1:2] or [alias.name for alias in node.names]
                assert not set(names) & AFTER_SOUNDS, f"{path}: {node.module}"


def test_the_versions_name_every_library_that_works_on_sound():
    import soundfile

    found = made_with()
    assert {"kitfold", "numpy", "scipy", "soxr", "pedalboard", "soundfile", "libsndfile"} <= set(found)
    text = "".join(path.read_text("utf-8") for path in keys._PACKAGE.rglob("*.py"))
    loaded = set(re.findall(r"^ *(?:import|from) (\w+)", text, re.MULTILINE))
    assert loaded & {"librosa", "pyloudnorm"} <= set(found)  # they say what is right in tests, and make nothing
    assert found["libsndfile"] == soundfile.__libsndfile_version__
