"""A small pack as `kitfold publish` writes it, taken apart, changed and put together again."""

import csv
import hashlib
import io
import json
import zipfile
from types import SimpleNamespace

import pytest

from kitfold.cli.main import _exit_code
from kitfold.pack.publish.archive import write_archive

HEAD = {"title": "Reeds", "version": "1.0.0", "author": "Ann", "licence": "CC-BY-4.0", "device": ["tiny", "mono8-22s"]}
SONG = {"beats_per_pattern": 1, "section": [{"name": "shore", "chords": ["i", "VI"]}]}
TOP = "reeds-1.0.0"


@pytest.fixture(scope="session")
def published(tmp_path_factory, entries, samples, to_toml):
    """Publish and build a kit of two sounds for two devices, one of which goes round; give the zip and the build."""
    import soundfile

    folder = tmp_path_factory.mktemp("published")
    soundfile.write(folder / "pad.wav", samples.pad(1.2), 22_050, subtype="PCM_16")
    soundfile.write(folder / "hit.wav", samples.hit(), 22_050, subtype="PCM_16")
    tiny = {
        "name": "tiny",
        "rate_hz": 8000,
        "bits": 12,
        "slots": 6,
        "memory_s": 4,
        "transpose": [-12, 12],
        "loop": True,
    }
    (folder / "tiny.toml").write_text(to_toml({**tiny, "note_off": "stops"}), encoding="utf-8")
    steps = [{"step": "tune"}, {"step": "loop", "method": "freeze"}, {"step": "level", "lufs": -20}]
    pad = {**entries.pad, "rights": "own work", "plays": "chords", "steps": steps}
    kit = {"kit": {"name": "reeds", "key": "D minor", "tempo": 120, **HEAD}, "song": SONG}
    kit["sound"] = [pad, {**entries.hit, "rights": "own work"}]
    (folder / "kit.toml").write_text(to_toml(kit), encoding="utf-8")
    for command in ("publish", "build"):
        assert _exit_code([command, str(folder / "kit.toml"), "--out", str(folder), "--quiet", "--jobs", "1"]) == 0
    return SimpleNamespace(zip=folder / f"{TOP}.zip", build=folder / "reeds-tiny", top=TOP, kit=folder / "kit.toml")


@pytest.fixture
def parts(published):
    """The pack's files by their name within its folder, to be changed."""
    with zipfile.ZipFile(published.zip) as pack:
        return {name.removeprefix(f"{TOP}/"): pack.read(name) for name in pack.namelist()}


def as_json(table):
    return (json.dumps(table, indent=1, ensure_ascii=False) + "\n").encode()


def sums(parts):
    lines = [f"{hashlib.sha256(parts[name]).hexdigest()}  {name}\n" for name in sorted(parts) if name != "SHA256SUMS"]
    return "".join(lines).encode()


def zipped(path, parts, top=TOP):
    """Write files as a pack's zip has them: every header in the one form."""
    names = {f"{top}/{name}": data for name, data in parts.items()}
    write_archive(path, names, names.__getitem__)
    return path


def forged(parts, of_sound=lambda sound: None, of_slot=lambda slot: None, of_pack=lambda pack: None):
    """Return files whose every hash, list and table agrees with what they are, as a careful forger leaves them."""
    parts = dict(parts)
    pack = json.loads(parts["manifest.json"])
    for edition in pack["editions"]:
        device = json.loads(parts[edition["manifest"]])
        for slot in device["slots"]:
            of_slot(slot)
            data = parts[f"{edition['folder']}/{slot['file']}"]
            slot |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
        parts[edition["manifest"]] = as_json(device)
    for sound in pack["sounds"]:
        of_sound(sound)
        data = parts[sound["file"]]
        sound |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    of_pack(pack)
    parts["manifest.csv"] = table(parts["manifest.csv"], pack["sounds"])
    listed = sorted(parts.keys() - {"manifest.json", "SHA256SUMS"})
    digests = {name: hashlib.sha256(parts[name]).hexdigest() for name in listed}
    pack["files"] = [{"file": name, "sha256": digests[name], "bytes": len(parts[name])} for name in listed]
    parts["manifest.json"] = as_json(pack)
    parts["SHA256SUMS"] = sums(parts)
    return parts


def table(old, sounds):
    """Return manifest.csv with the figures that the sounds have now."""
    rows = list(csv.DictReader(io.StringIO(old.decode())))
    for row, sound in zip(rows, sounds, strict=True):
        loop = sound["loop"] or {"start": "", "end": ""}
        figures = {**sound, **sound["root"], **sound["level"], "loop_start": loop["start"], "loop_end": loop["end"]}
        row |= {key: figures[key] for key in row if key in figures and key != "plays"}
    text = io.StringIO()
    writer = csv.DictWriter(text, rows[0], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


@pytest.fixture(scope="session")
def forge():
    return SimpleNamespace(zip=zipped, all=forged, json=as_json, sums=sums)
