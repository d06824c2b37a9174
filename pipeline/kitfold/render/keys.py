"""Names of results: a digest of everything that they are made from, so that what is kept is never stale."""

from __future__ import annotations

import hashlib
import json
import platform
import re
import sys
from functools import cache
from pathlib import Path
from typing import Any

import kitfold

__all__ = [
    "AFTER_SOUNDS",
    "DISTRIBUTIONS",
    "code_digest",
    "code_has_changed",
    "key_of",
    "made_with",
    "sound_code",
    "sound_parts",
    "version_of",
]

DISTRIBUTIONS = ("numpy", "pedalboard", "scipy", "soundfile", "soxr")
"""The libraries whose version can change a sound or a measure."""

AFTER_SOUNDS = frozenset({"pack", "sheet", "starter", "cli"})
"""The parts of kitfold that come after `render`, and so cannot change a sound after its steps; all others can."""

_PACKAGE = Path(kitfold.__file__).parent
_COMPILED = "__pycache__"


def key_of(*parts: Any) -> str:
    """Return the key of a result: the SHA-256, as 64 hex digits, of what it is made from.

    Parameters
    ----------
    parts : JSON values, tuples as lists; a value that differs in any way gives another key
    """
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def sound_code() -> str:
    """Return the digest of everything beside its inputs that can change a sound: code, libraries, machine."""
    return key_of(code_digest(*sound_parts()), made_with())


def sound_parts() -> tuple[str, ...]:
    """Return the parts of kitfold's source that can change a sound after its steps."""
    return tuple(name for name in _parts() if name not in AFTER_SOUNDS)


@cache
def code_digest(*parts: str) -> str:
    """Return the digest of the source of parts of kitfold as they are on the disk, data files included.

    Parameters
    ----------
    parts : str, files and folders of the package; all of it by default
    """
    return key_of([(part, _digest_of(part)) for part in parts or _parts()])


def code_has_changed() -> bool:
    """Say whether kitfold's source is no longer what it was when this process first looked at it."""
    return _parts.__wrapped__() != _parts() or any(
        _digest_of.__wrapped__(part) != _digest_of(part) for part in _parts()
    )


@cache
def _parts() -> tuple[str, ...]:
    return tuple(sorted(path.name for path in _PACKAGE.iterdir() if path.name != _COMPILED))


@cache
def _digest_of(part: str) -> str:
    """Return the digest of one part, which is read once, whatever it is asked for with."""
    digest = hashlib.sha256()
    for path in _files(part):
        data = path.read_bytes()
        digest.update(f"{path.relative_to(_PACKAGE).as_posix()} {len(data)}\n".encode() + data)
    return digest.hexdigest()


def _files(part: str) -> list[Path]:
    whole = _PACKAGE / part
    found = sorted(whole.rglob("*")) if whole.is_dir() else [whole]
    return [path for path in found if _COMPILED not in path.parts and path.is_file()]


@cache
def version_of(distribution: str) -> str:
    """Return the version of an installed distribution, of which only the head of its metadata is read."""
    from importlib.metadata import distribution as installed

    found = installed(distribution)
    head, _, _ = (found.read_text("METADATA") or "").partition("\n\n")
    version = re.search(r"^Version: *(\S+)", head, re.MULTILINE)
    return version[1] if version else found.version


def made_with() -> dict[str, Any]:
    """Return the versions and the machine that can change the last bit of a sound."""
    import numpy as np
    import soundfile

    return {
        "kitfold": kitfold.__version__,
        "python": list(sys.version_info[:3]),
        **{name: version_of(name) for name in DISTRIBUTIONS},
        "libsndfile": soundfile.__libsndfile_version__,
        "system": [platform.system(), platform.machine()],
        # numpy takes other code where the processor has other vector instructions, and rounds otherwise
        "vectors": np.show_config(mode="dicts").get("SIMD Extensions", {}),
    }
