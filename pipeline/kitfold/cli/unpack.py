"""`kitfold init PACK.zip`: a published pack becomes a kit again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from kitfold.cli.common import Voice

if TYPE_CHECKING:
    from kitfold.pack.reimport import Unpacked

__all__ = ["unpack"]


def unpack(path: Path, out: Path, voice: Voice) -> int:
    """Unpack a pack into OUT/NAME-VERSION/ and say how to build its device edition again."""
    from kitfold.cli.init import quoted
    from kitfold.pack.reimport import unpack_pack

    done = unpack_pack(path, out)
    voice.result(
        {
            "folder": str(done.folder),
            "kit": str(done.kit),
            "name": done.manifest.kit.get("name"),
            "version": done.manifest.kit.get("version"),
            "files": done.files,
            "same_versions": not done.others,
            "other_versions": [{"part": one.part, "made_with": one.made_with, "here": one.here} for one in done.others],
        }
    )
    for line in _summary(done):
        voice.text(line)
    voice.text(f"next    kitfold build {quoted(done.kit)}")
    return 0


def _summary(done: Unpacked) -> list[str]:
    kit, devices = done.manifest.kit, ", ".join(edition.device for edition in done.manifest.editions)
    lines = [
        f"pack    {kit.get('title') or kit.get('name')} {kit.get('version')}, licence {kit.get('licence')}: "
        f"{len(done.manifest.sounds)} sounds, for {devices}",
        f"wrote   {done.folder} ({done.files} files, every one hashed)",
    ]
    if not done.others:
        same = "same    the versions that made it: on the same kind of system and processor "
        return [*lines, f"{same}the device edition comes out bit for bit"]
    differing = ", ".join(f"{one.part} {one.made_with} (here {one.here})" for one in done.others)
    return [*lines, f"other   versions made it: {differing}; what is built here may differ in its last bits"]
