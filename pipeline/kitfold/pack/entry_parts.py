"""What the manifests of builds and of published packs say alike: versions, kit, song, roots, steps, figures."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from typing import Any

from kitfold import __version__
from kitfold.files import Digest, digest_of
from kitfold.pack.manifest import FileEntry, RootEntry
from kitfold.pack.roots import RootNote
from kitfold.plan.plan import Plan
from kitfold.render.keys import version_of
from kitfold.sound import Done
from kitfold.units import note_name

__all__ = [
    "file_entry",
    "kit_entry",
    "level_db",
    "made_with",
    "named_note",
    "plays_of",
    "root_entry",
    "rounded",
    "song_entry",
    "step_entry",
    "written_entry",
]


def made_with() -> dict[str, str]:
    """Return the versions of everything that has a say in the bytes."""
    libraries = ("numpy", "scipy", "soxr", "pedalboard", "soundfile", "mido", "jinja2")
    return {
        "kitfold": __version__,
        "python": platform.python_version(),
        **{library: version_of(library) for library in libraries},
    }


def kit_entry(plan: Plan) -> dict[str, Any]:
    """Return the table [kit] with every default, as a manifest holds it."""
    head = plan.kit.model_dump(mode="json", exclude={"device"})
    return {**head, "key": str(plan.key), "tempo_slowest": plan.song.tempo_slowest}


def song_entry(plan: Plan) -> dict[str, Any]:
    """Return the song as a manifest holds it."""
    song = plan.song
    sections = [
        {
            "name": section.name,
            "patterns": section.patterns,
            "chords": [
                {
                    "chord": t.chord.text,
                    "name": t.chord.name(plan.key.flats),
                    "pattern": t.pattern,
                    "patterns": t.patterns,
                }
                for t in section.triggers
            ],
            "silent": sorted(section.silent),
            "shift": dict(sorted(section.shift.items())),
        }
        for section in song.sections
    ]
    return {"beats_per_pattern": song.beats_per_pattern, "sections": sections}


def root_entry(note: RootNote, error_cents: float | None, plan: Plan) -> RootEntry:
    """Return a note and a file's distance from it as a manifest says them."""
    return RootEntry(
        pitched=note.midi is not None,
        note=named_note(note.midi, plan),
        midi=note.midi,
        hz=None if note.hz is None else rounded(note.hz, 3),
        error_cents=None if error_cents is None else rounded(error_cents, 2),
    )


def named_note(midi: int | None, plan: Plan) -> str | None:
    """Name a note as the kit names notes; None stays None."""
    return None if midi is None else note_name(midi, plan.kit.middle_c, plan.key.flats)


def plays_of(plan: Plan, name: str, midi: int | None) -> str | list[int]:
    """Return how a sound is really played: without a clear root it is fixed."""
    plays = plan.sound(name).plays
    if midi is None:
        return "fixed"
    return plays if isinstance(plays, str) else list(plays)


def step_entry(done: Done) -> dict[str, Any]:
    """Return one line of a history as a manifest holds it."""
    entry: dict[str, Any] = {"step": done.step, "settings": _plain(done.settings)}
    if done.found:
        entry["found"] = _plain(done.found)
    if done.said:
        entry["said"] = list(done.said)
    return entry


def file_entry(name: str, data: bytes) -> FileEntry:
    """Return a file's entry."""
    return written_entry(name, digest_of(data))


def written_entry(name: str, written: Digest) -> FileEntry:
    """Return the entry of a file that was written."""
    return FileEntry(file=name, sha256=written.sha256, bytes=written.bytes)


def level_db(value: float) -> float:
    """Round a level; silence is -120 dB."""
    return rounded(max(value, -120.0), 2)


def rounded(value: float, digits: int) -> float:
    """Round a figure to what it means; never to -0."""
    return round(float(value), digits) + 0.0


def _plain(value: Any) -> Any:
    """Return JSON values only, floats short enough to read."""
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return rounded(value, 4) if isinstance(value, float) else value
