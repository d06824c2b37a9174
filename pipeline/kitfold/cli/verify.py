"""`kitfold verify`: what a build or a pack says of itself, held against what it is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options, jobs_option

if TYPE_CHECKING:
    from kitfold.pack.verify.verify import Report

__all__ = ["verify"]

_MOST_LINES = 200


@click.command()
@click.argument("pack", type=click.Path(path_type=Path), metavar="PACK")
@jobs_option
@common_options
def verify(pack: Path, jobs: int | None, voice: Voice) -> int:
    """Check a built folder, an unpacked pack or a zip against its manifest: every byte hashed, every sound measured.

    One line a difference: file, what, expected, found. Exit code 0: all as it says; 1: something differs; 2: PACK is no
    build or pack, or cannot be read. Nothing is unpacked or written.
    """
    from kitfold.pack.verify.verify import verify as check
    from kitfold.render.jobs import default_jobs

    with voice.progress("measuring") as done:
        report = check(pack, jobs or default_jobs(), done)
    voice.result(_as_json(pack, report))
    for line in report.differences[:_MOST_LINES]:
        voice.text(str(line))
    if len(report.differences) > _MOST_LINES:
        voice.text(f"... and {len(report.differences) - _MOST_LINES} more; --json gives all")
    voice.text(_summary(report))
    for note in report.notes:
        voice.say(f"kitfold: {note}")
    return int(bool(report.differences))


def _summary(report: Report) -> str:
    from kitfold.pack.verify.difference import clean_text

    what = {"build": "build", "pack": "unpacked pack", "zip": "pack"}[report.kind]
    done = f"{report.files} files hashed, {report.sounds} sounds measured"
    count = len(report.differences)
    verdict = "all as the manifest says" if not count else f"{count} difference{'' if count == 1 else 's'}"
    return f"{clean_text(report.name)} ({what}): {verdict}; {done}"


def _as_json(path: Path, report: Report) -> dict[str, Any]:
    return {
        "path": str(path),
        "kind": report.kind,
        "name": report.name,
        "ok": not report.differences,
        "files": report.files,
        "sounds": report.sounds,
        "differences": [one.to_json() for one in report.differences],
        "notes": list(report.notes),
    }
