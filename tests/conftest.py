"""What several test files share: small sounds made in code, a kit around them, and the command line in this process."""

import json
import os
import uuid
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, settings

# No deadline: the machine's other work must not fail a test. Derandomised: the same code gives the same verdict.
settings.register_profile(
    "kitfold",
    deadline=None,
    derandomize=True,
    max_examples=60,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
settings.load_profile("kitfold")

PAD_HZ = 146.8324  # D3 in equal temperament from A4 = 440 Hz (ISO 16)
HEAD = {"name": "reeds", "device": "mono8-22s", "key": "D minor", "tempo": 120}
TRIM = {"step": "trim"}
PAD = {"name": "pad", "source": "pad.wav", "steps": [TRIM, {"step": "level", "lufs": -20}], "plays": "fixed"}
HIT = {"name": "hit", "source": "hit.wav", "steps": [TRIM]}


def pad_samples(seconds=0.8, rate_hz=22_050, hz=PAD_HZ):
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    partials = sum(np.sin(2 * np.pi * hz * n * times) / n**2 for n in (1, 2, 3, 4))
    return 0.3 * partials * np.minimum(1, times / 0.02) * np.exp(-times / seconds)


def hit_samples(seconds=0.2, rate_hz=22_050):
    frames = round(seconds * rate_hz)
    return 0.5 * np.random.default_rng(5).standard_normal(frames) * np.exp(-np.arange(frames) / (0.15 * frames))


def toml_value(value):
    """Write a value as TOML 1.0 writes it inline; JSON's strings are TOML's basic strings."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml_value(str(key))} = {toml_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return repr(value)


def toml_text(table):
    """Write a document whose top-level values stand inline, one a line."""
    return "".join(f"{toml_value(str(key))} = {toml_value(value)}\n" for key, value in table.items())


@pytest.fixture(scope="session", autouse=True)
def _cache_of_the_tests(tmp_path_factory):
    """No test reads or fills the cache of whoever runs them."""
    folder = tmp_path_factory.mktemp("cache")
    before = os.environ.get("KITFOLD_CACHE")
    os.environ["KITFOLD_CACHE"] = str(folder / "shared")
    yield folder
    del os.environ["KITFOLD_CACHE"]
    if before is not None:
        os.environ["KITFOLD_CACHE"] = before


@pytest.fixture(scope="session")
def demo_cache(tmp_path_factory, worker_id):
    """Give one cache to all tests of every process that only want a build of the demo and do not test the cache."""
    base = tmp_path_factory.getbasetemp()
    return (base if worker_id == "master" else base.parent) / "demo-cache"


@pytest.fixture(autouse=True)
def cache(_cache_of_the_tests, monkeypatch):
    """Give every test a cache of its own, so that it finds nothing that another one kept; made when first used."""
    folder = _cache_of_the_tests / uuid.uuid4().hex
    monkeypatch.setenv("KITFOLD_CACHE", str(folder))
    return folder


class KitFolder:
    """A folder with two sounds, in which kits are written."""

    def __init__(self, path):
        self.path = path
        self.out = path / "build"
        self.sound("pad.wav", pad_samples())
        self.sound("hit.wav", hit_samples())

    def sound(self, name, samples, rate_hz=22_050, subtype="PCM_16"):
        path = self.path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, samples, rate_hz, subtype=subtype)
        return path

    def text(self, name, text):
        path = self.path / name
        path.write_text(text, encoding="utf-8")
        return path

    def table(self, sounds=(PAD, HIT), head=None, **tables):
        """Return a kit as a table: values of `head` replace ours, None takes a key away."""
        kit = {key: value for key, value in {**HEAD, **(head or {})}.items() if value is not None}
        return {"kit": kit, "sound": list(sounds), **tables}

    def kit(self, sounds=(PAD, HIT), head=None, **tables):
        return self.text("kit.toml", toml_text(self.table(sounds, head, **tables)))

    toml = staticmethod(toml_text)

    def device(self, name="tiny", **changes):
        figures = {"rate_hz": 8000, "bits": 16, "slots": 4, "memory_s": 2, **changes}
        kept = {key: value for key, value in figures.items() if value is not None}
        return self.text(f"{name}.toml", toml_text({"name": name, **kept}))

    def bytes(self):
        """Return every file below the folder with its bytes, to see that nothing changed."""
        files = [path for path in sorted(self.path.rglob("*")) if path.is_file()]
        folders = [path for path in sorted(self.path.rglob("*")) if path.is_dir()]
        return {str(path): path.read_bytes() for path in files} | {str(path): b"folder" for path in folders}


@pytest.fixture(scope="session")
def samples():
    """The sounds that kits are made of here, and how values are written in TOML."""
    return SimpleNamespace(pad=pad_samples, hit=hit_samples, pad_hz=PAD_HZ)


@pytest.fixture(scope="session")
def to_toml():
    return toml_text


@pytest.fixture
def kit_folder(tmp_path):
    return KitFolder(tmp_path)


@pytest.fixture(scope="module")
def shared_folder(tmp_path_factory):
    """A kit folder for tests that only read, or that clean up after themselves."""
    return KitFolder(tmp_path_factory.mktemp("kit"))


@pytest.fixture(scope="session")
def entries():
    """The two sounds of a kit, to be changed: ``{**entries.pad, "slot": 1}``."""
    return SimpleNamespace(pad=PAD, hit=HIT)


@pytest.fixture
def run(capfd, monkeypatch, tmp_path):
    """Run the command line as `main` does; give its exit code and what it said, without a traceback ever."""
    from kitfold.cli.main import _exit_code

    monkeypatch.chdir(tmp_path)

    def ran(*arguments):
        capfd.readouterr()
        code = _exit_code([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return SimpleNamespace(code=code, out=out, err=err)

    return ran


@pytest.fixture(scope="session")
def root_folder():
    """The top of the project."""
    return Path(__file__).resolve().parents[1]
