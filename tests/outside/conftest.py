"""Programs that pip cannot bring (a newcomer skips what needs them, CI fails), and a pack to read with them."""

import os
import shutil
import subprocess
import zipfile
from types import SimpleNamespace

import pytest
import soundfile

from kitfold.cli.main import _exit_code

PACKAGES = {
    "ffprobe": "ffmpeg",
    "sox": "sox",
    "soxi": "sox",
    "ffmpeg": "ffmpeg",
    "7z": "p7zip-full",
    "unzip": "unzip",
    "sha256sum": "coreutils",
}


@pytest.fixture(scope="session")
def program():
    """Return a function that runs one of Debian's programs; without it, skip here and fail in CI."""

    def run(name, *arguments, cwd=None, text=True):
        if shutil.which(name) is None:
            missing = f"{name} is not there (apt-get install {PACKAGES[name]})"
            pytest.fail(missing) if os.environ.get("CI") else pytest.skip(missing)
        command = [name, *map(str, arguments)]
        environment = {**os.environ, "LC_ALL": "C.UTF-8"}
        return subprocess.run(command, cwd=cwd, capture_output=True, text=text, env=environment, check=False)

    return run


@pytest.fixture(scope="session")
def reeds(tmp_path_factory, samples, to_toml):
    """A kit to publish: a looped pad, one 17 cents sharp that no step tunes, a riser, a hit."""
    folder = tmp_path_factory.mktemp("reeds")
    sharp_hz = samples.pad_hz * 2 ** (17 / 1200)
    sounds = {"pad": samples.pad(3.7), "sharp": samples.pad(3.5, hz=sharp_hz), "hit": samples.hit()}
    for name, wave in sounds.items():
        soundfile.write(folder / f"{name}.wav", wave, 22_050, subtype="PCM_16")
    device = {
        "name": "small", "rate_hz": 11_025, "bits": 16, "slots": 8, "memory_s": 40, "transpose": [-12, 12],
        "loop": True, "note_off": "stops", "voices": 8, "wav_chunks": ["smpl", "inst", "cue", "bext", "info"],
    }  # fmt: skip
    (folder / "small.toml").write_text(to_toml(device), encoding="utf-8")
    level = {"step": "level", "lufs": -20}
    tuned = [{"step": "trim"}, {"step": "tune", "to": "tonic"}, {"step": "loop"}, level]
    kit = {
        "kit": {
            "name": "reeds", "title": "Röhricht", "version": "1.2.0", "author": "Ann Öther", "licence": "CC-BY-4.0",
            "device": "small", "key": "D minor", "tempo": 120, "tempo_slowest": 112,
        },
        "song": {"section": [{"name": "one", "chords": ["i", "-", "VI"], "silent": ["hit"], "shift": {"pad": -12}}]},
        "fit": {"allow": ["repitch", "shorten"], "hold_floor_db": -14},
        "listen": {"reverb": 0.1},
        "transfer": {"level_tone": False},
        "publish": {"rate_hz": 44_100},
        "sound": [
            {"name": "pad", "source": "pad.wav", "steps": tuned, "plays": "chords", "rights": "own work", "spare": 2},
            {"name": "sharp", "source": "sharp.wav", "steps": [{"step": "trim"}, level], "plays": "fixed", "slot": 3,
             "rights": "CC-BY-4.0, Bo Åkesson"},
            {"name": "swell", "from": "pad", "steps": [{"step": "riser", "beats": 3}, level], "copies": "none"},
            {"name": "hit", "source": "hit.wav", "recipe": "hit", "rights": "CC0-1.0"},
        ],
    }  # fmt: skip
    (folder / "kit.toml").write_text(to_toml(kit), encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def published(reeds, tmp_path_factory):
    """The kit's pack and the folder that it unpacks into."""
    out = tmp_path_factory.mktemp("out")
    assert _exit_code(["publish", str(reeds / "kit.toml"), "--out", str(out), "--quiet"]) == 0
    path = out / "reeds-1.2.0.zip"
    with zipfile.ZipFile(path) as pack:
        pack.extractall(out)
    return SimpleNamespace(path=path, folder=out / "reeds-1.2.0")
