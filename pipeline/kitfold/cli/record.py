"""What a build was made from and what it left, so that the next one can see that nothing has changed.

A record lies in the cache, never in the build: a build's bytes say nothing of the machine. It holds the stamp and the
hash of every file that went in (kit, devices and recipes, sources) and came out, and its key everything else that can
change a build: kitfold's own code, the libraries, the options. Reading it loads no library that works on sound.
"""

from __future__ import annotations

import json
import os
import platform
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitfold.files import Store
from kitfold.files.stamps import Seen, all_still, saw
from kitfold.pack.built import Built
from kitfold.pack.strangers import own_files

if TYPE_CHECKING:
    from kitfold.plan.plan import Plan

__all__ = ["Standing", "Wanted", "inputs_of", "keep", "standing"]

_LIBRARIES = ("click", "jinja2", "mido", "pydantic", "rich")
"""Those that can change what is written, beside the ones that can change a sound."""


@dataclass(frozen=True)
class Wanted:
    """What was asked for.

    Parameters
    ----------
    kit : Path
    out : Path, the folder that holds builds
    devices : tuple of str, those asked for instead of the kit's
    """

    kit: Path
    out: Path
    devices: tuple[str, ...]

    def key(self) -> str:
        """Return the key of its record; other code, libraries or machines have another one."""
        from kitfold.render.keys import code_digest, key_of

        kit, out = (os.path.abspath(path) for path in (self.kit, self.out))
        return key_of("build", kit, out, self.devices, code_digest(), _versions(), platform.node())


class Standing(Built):
    """A build that is as it was."""


def standing(wanted: Wanted, store: Store, recover: Callable[[Path], None]) -> list[Standing] | None:
    """Return the builds of a kit where nothing that went in or came out has changed since; else None.

    Parameters
    ----------
    wanted : Wanted
    store : Store
    recover : called with a build's folder before it is looked at
    """
    key = wanted.key()
    before = _read(key, store)
    for name in before.outputs if before else ():
        recover(wanted.out / name)
    now = before.again(wanted.out) if before else None
    if now is None:
        return None
    try:
        builds = [Standing(wanted.out / name, _manifest(wanted.out / name)) for name in now.outputs]
        if any(own_files(one.entries) != now.outputs[one.folder.name].keys() for one in builds):
            return None
    except (OSError, ValueError, TypeError, KeyError):
        return None  # it was replaced just now
    if now != before:
        store.put(key, asdict(now))  # today's stamps, so that next time no hash has to be made
    return builds


def inputs_of(plan: Plan, devices: Sequence[str]) -> dict[str, Seen]:
    """Look at every file that a build is made from, by its absolute path; one that would win if it were there, too."""
    return {path: saw(Path(path)) for path in dict.fromkeys(map(os.path.abspath, _inputs(plan, devices)))}


def keep(wanted: Wanted, inputs: Mapping[str, Seen], builds: Sequence[Built], store: Store) -> None:
    """Record builds that were just made from inputs that were seen before; not where one has changed meanwhile."""
    found = all_still(Path(), inputs)
    if found is not None:
        outputs = {one.folder.name: _outputs(one) for one in builds}
        store.put(wanted.key(), asdict(_Record(found, outputs)))


@dataclass(frozen=True)
class _Record:
    """Inputs by absolute path; outputs by build folder and by name within it."""

    inputs: Mapping[str, Seen]
    outputs: Mapping[str, Mapping[str, Seen]]

    def again(self, out: Path) -> _Record | None:
        """Return the record with today's stamps, or None where something has changed; own files of a user are none."""
        inputs = all_still(Path(), self.inputs)
        outputs = {name: all_still(out / name, files) for name, files in self.outputs.items()}
        kept = {name: files for name, files in outputs.items() if files is not None}
        return _Record(inputs, kept) if inputs is not None and len(kept) == len(self.outputs) > 0 else None


def _read(key: str, store: Store) -> _Record | None:
    entry = store.get(key)
    if entry is None:
        return None
    try:
        outputs = {name: _seen(files) for name, files in entry.value["outputs"].items()}
        safe = all(name not in (".", "..") and Path(name).name == name for name in outputs)  # a cache may be planted
        return _Record(_seen(entry.value["inputs"]), outputs) if safe else None
    except (TypeError, KeyError, AttributeError):
        return None  # it was never written by us


def _seen(files: Mapping[str, Any]) -> dict[str, Seen]:
    return {name: Seen(one["sha256"], tuple(one["stamp"]), one["sure"]) for name, one in files.items()}


def _manifest(folder: Path) -> Any:
    return json.loads((folder / "manifest.json").read_bytes())


def _outputs(built: Built) -> dict[str, Seen]:
    """Look at every file of a build; the manifest says their hashes, so that none is read again."""
    known = {one["file"]: one["sha256"] for one in (*built.entries["slots"], *built.entries["files"])}
    return {name: saw(built.folder / name, digest) for name, digest in {**known, "manifest.json": None}.items()}


def _inputs(plan: Plan, devices: Sequence[str]) -> Iterator[Path]:
    from kitfold.plan.toml import read_toml

    yield plan.path
    written = read_toml(plan.path)["kit"]["device"]
    for name in devices or ((written,) if isinstance(written, str) else written):
        yield from _preset("devices", name, plan.path.parent)
    for sound in plan.sounds:
        if sound.recipe is not None:
            yield from _preset("recipes", sound.recipe, plan.path.parent)
        if sound.source is not None:
            yield sound.source


def _preset(kind: Any, name: str, beside: Path) -> Iterator[Path]:
    """Give a preset's file, and the one beside the kit that wins over it as soon as it is there."""
    from kitfold.plan.presets import preset_path

    yield beside / f"{name.removesuffix('.toml')}.toml"
    yield preset_path(kind, name, beside)


def _versions() -> list[Any]:
    """Return the versions of what a build is made with, without loading any of it."""
    from importlib.util import find_spec

    from kitfold.render.keys import DISTRIBUTIONS, version_of

    found: list[Any] = [list(sys.version_info[:3]), platform.platform(), os.environ.get("NPY_DISABLE_CPU_FEATURES", "")]
    found += [[name, version_of(name)] for name in (*DISTRIBUTIONS, *_LIBRARIES)]
    if find_spec("_soundfile_data") is None:  # soundfile takes the system's libsndfile, which has a version of its own
        import soundfile

        found.append(soundfile.__libsndfile_version__)
    return found
