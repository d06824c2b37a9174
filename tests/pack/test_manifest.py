"""The manifest and its JSON Schema: valid, complete, tolerant of what it does not know, the same text every time."""

import copy
import hashlib
import json

import pytest
from jsonschema import Draft202012Validator, ValidationError

from kitfold.cli.main import _exit_code
from kitfold.pack import build
from kitfold.pack.manifest import Manifest, json_parts, json_schema, json_text, manifest_text

SONG = {
    "beats_per_pattern": 0.5,
    "section": [
        {"name": "shore", "chords": ["i", "-", "VI"], "silent": ["hit"], "shift": {"pad": -12}},
        {"name": "dusk", "chords": ["v"]},
    ],
}


@pytest.fixture(scope="module")
def folder(shared_folder, entries):
    pad = {**entries.pad, "plays": "chords", "rights": "own work",
           "steps": [{"step": "trim"}, {"step": "tune", "heard": "D3"}, {"step": "level"}]}  # fmt: skip
    swell = {"name": "swell", "from": "pad", "recipe": "riser", "riser": {"beats": 1}}
    kit = shared_folder.kit(sounds=[pad, entries.hit, swell], song=SONG)
    assert _exit_code(["build", str(kit), "--out", str(shared_folder.out), "--quiet"]) in (0, 1)
    return shared_folder.out / "reeds-mono8-22s"


@pytest.fixture
def manifest(folder):
    return json.loads((folder / "manifest.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def validator():
    schema = json.loads(json_schema())
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def test_the_schema_names_its_dialect_and_itself(validator):
    assert validator.schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert validator.schema["$id"].startswith("urn:kitfold-manifest")


def test_a_build_s_manifest_is_valid(validator, manifest):
    validator.validate(manifest)


# What readers may rely on, as it was promised: a key that goes is a change of meaning and needs a new number.
PROMISED = {
    (): "schema made_with kit song device budget slots files checks",
    ("made_with",): "kitfold python numpy soxr pedalboard",
    ("kit",): "name title version author licence key tempo",
    ("budget",): "unit limit used slots slots_used",
    (
        "slots",
        0,
    ): "slot sound copy file sha256 frames rate_hz bits encoding channels bytes seconds play_semitones play_db "
    "root level loop holds changes made",
    ("slots", 0, "root"): "pitched note midi hz error_cents",
    ("slots", 0, "level"): "lufs peak_db true_peak_db",
    ("slots", 0, "holds", 0): "section chord semitones setting needs_s lasts_s ok",
    ("slots", 0, "made"): "source source_sha256 rights steps",
    ("files", 0): "file sha256 bytes",
    ("checks", 0): "check result figure limit unit about advice",
}


@pytest.mark.parametrize(
    ("path", "keys"), PROMISED.items(), ids=[".".join(map(str, path)) or "top" for path in PROMISED]
)
def test_every_promised_key_is_there_and_the_schema_asks_for_it(validator, manifest, path, keys):
    entry = manifest
    for part in path:
        entry = entry[part]
    assert set(keys.split()) <= set(entry)
    if path in ((), ("budget",), ("slots", 0), ("slots", 0, "root"), ("slots", 0, "holds", 0), ("checks", 0)):
        for key in keys.split():
            broken = copy.deepcopy(manifest)
            part = broken
            for step in path:
                part = part[step]
            del part[key]
            with pytest.raises(ValidationError):
                validator.validate(broken)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema",), "kitfold-manifest/2"),
        (("budget", "unit"), "seconds"),
        (("slots", 0, "frames"), "many"),
        (("slots", 0, "play_db"), None),
        (("checks", 0, "result"), "perhaps"),
    ],
)
def test_another_meaning_is_refused(validator, manifest, path, value):
    entry = manifest
    for part in path[:-1]:
        entry = entry[part]
    entry[path[-1]] = value
    with pytest.raises(ValidationError):
        validator.validate(manifest)


def test_fields_that_a_reader_does_not_know_are_allowed(validator, manifest):
    manifest["mood"] = "calm"
    manifest["slots"][0]["colour"] = "green"
    validator.validate(manifest)
    assert Manifest.model_validate(manifest).slots[0].colour == "green"


def test_the_text_is_read_back_and_written_the_same(folder):
    text = (folder / "manifest.json").read_text("utf-8")
    assert manifest_text(Manifest.model_validate_json(text)) == text
    assert text.endswith("}\n")


def test_hashes_and_sizes_are_those_of_the_files(folder, manifest):
    for entry in [*manifest["slots"], *manifest["files"]]:
        data = (folder / entry["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == entry["sha256"]
        assert len(data) == entry["bytes"]


def test_the_song_and_where_each_sound_comes_from_are_told(manifest):
    section, _ = manifest["song"]["sections"]
    assert [(one["chord"], one["name"], one["patterns"]) for one in section["chords"]] == [
        ("i", "Dm", 2),
        ("VI", "Bb", 1),
    ]
    pad, swell = (next(slot for slot in manifest["slots"] if slot["sound"] == name) for name in ("pad", "swell"))
    assert pad["made"]["rights"] == swell["made"]["rights"] == "own work"  # what is made from it has its rights
    assert (swell["made"]["source"], swell["made"]["from"]) == ("pad.wav", "pad")
    assert [step["step"] for step in pad["made"]["steps"]][:3] == ["trim", "tune", "level"]


def test_holds_follow_the_song(manifest):
    # D to B flat is 4 down and to A 5 down by the shortest way; the first section shifts the pad by -12. The device
    # reaches -12 but not -16, so that needs a copy, played at 0, which is nearer to -12 too: 4 up. A pattern of half a
    # beat at 120 lasts 0.25 s, two 0.5 s. The riser and the hit are fixed.
    holds = {
        (slot["sound"], slot["copy"], one["semitones"], one["setting"], one["needs_s"])
        for slot in manifest["slots"]
        for one in slot["holds"]
    }
    assert holds == {("pad", None, -5, -5, 0.25), ("pad", -16, -12, 4, 0.5), ("pad", -16, -16, 0, 0.25)}


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_text_holds_a_number_that_json_does_not_have(manifest, value):
    manifest["budget"]["used"] = 1
    manifest["kit"]["tempo"] = value
    with pytest.raises(ValueError, match="JSON"):
        manifest_text(Manifest.model_validate(manifest))
    with pytest.raises(ValueError, match="JSON"):
        list(json_parts(manifest))


def test_a_large_manifest_is_written_some_of_it_at_a_time(manifest):
    large = {**manifest, "slots": manifest["slots"] * 200, "empty": [{}, [], None]}
    parts = list(json_parts(large))
    assert b"".join(parts).decode() == json_text(large)
    assert max(map(len, parts)) < 200_000 < sum(map(len, parts))  # some tens of kilobytes at a time


def test_of_many_slots_the_checks_wait_for_the_preview_and_the_build_is_the_same(
    shared_folder, folder, tmp_path, monkeypatch
):
    told = []

    def watched(name):
        work = getattr(build, name)

        def watch(*given):
            told.append(f"{name} begins")
            yield from work(*given)
            told.append(f"{name} ends")

        monkeypatch.setattr(build, name, watch)

    watched("listen_parts")
    checks_of = build.checks_of
    monkeypatch.setattr(build, "checks_of", lambda *given: told.append("checks_of begins") or checks_of(*given))
    monkeypatch.setattr(build, "_MANY_SLOTS", 0)
    given = ["build", str(shared_folder.path / "kit.toml"), "--out", str(tmp_path), "--quiet", "--fresh", "--jobs", "2"]
    assert _exit_code(given) in (0, 1)
    assert told == ["listen_parts begins", "listen_parts ends", "checks_of begins"]
    assert (tmp_path / folder.name / "manifest.json").read_bytes() == (folder / "manifest.json").read_bytes()
