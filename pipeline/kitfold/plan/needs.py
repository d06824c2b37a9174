"""What a kit must say because something in it needs it: a key or a tempo is never guessed in silence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from kitfold.errors import Mistake
from kitfold.plan.chord import counts_along_key
from kitfold.plan.kit import SongEntry
from kitfold.plan.plan import PlannedSound

__all__ = ["mistakes_of_needs"]

_EXAMPLES = {"key": 'key = "D minor"', "tempo": "tempo = 76"}
_NAMED = 3


def mistakes_of_needs(
    head: Mapping[str, Any], song: SongEntry | None, sounds: Sequence[PlannedSound], where: str
) -> Iterator[Mistake]:
    """Say that the key or the tempo is missing where something needs it, and what does.

    Parameters
    ----------
    head : the table [kit] as it was written
    song : SongEntry or None, where it has mistakes of its own
    sounds : sequence of PlannedSound, those without mistakes of their own
    where : str, the file, for messages
    """
    needed = {
        "key": [*_chords(song), *_steps("key", sounds)],
        "tempo": [
            *_holds(song, sounds),
            *_steps("tempo", sounds),
            *_slowest(head),
        ],
    }
    for key, by in needed.items():
        if by and key not in head:
            more = f" and {len(by) - _NAMED} more" if len(by) > _NAMED else ""
            what = f"is missing, and is needed by {', '.join(by[:_NAMED])}{more}"
            yield Mistake(f"{where} kit.{key}", what, f"write {_EXAMPLES[key]} under [kit], with your song's own")


def _steps(key: str, sounds: Sequence[PlannedSound]) -> Iterator[str]:
    for sound in sounds:
        for step in sound.steps:
            if key in step.needs:
                yield f"sound[{sound.place}] ({sound.name}).{step.label}"


def _chords(song: SongEntry | None) -> Iterator[str]:
    """Name the first chord of each section that only a key can tell."""
    for place, section in enumerate(song.section if song else (), 1):
        counted = [chord for chord in section.chords if counts_along_key(chord)]
        if counted:
            yield f"the chord {counted[0]!r} of song.section[{place}] ({section.name})"


def _holds(song: SongEntry | None, sounds: Sequence[PlannedSound]) -> Iterator[str]:
    """Name the sounds that are held for so many beats."""
    sections = song.section if song else ()
    for sound in sounds:
        if sound.plays == "chords" and any(sound.name not in section.silent for section in sections):
            yield f"sound[{sound.place}] ({sound.name}), which holds each chord"


def _slowest(head: Mapping[str, Any]) -> Iterator[str]:
    if "tempo_slowest" in head:
        yield "kit.tempo_slowest"
