"""`kitfold compare`: what changed between two builds or packs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options

if TYPE_CHECKING:
    from kitfold.pack.compare.compare import Change, Comparison, SoundChange

__all__ = ["compare"]

_LONGEST = 60


@click.command()
@click.argument("old", type=click.Path(path_type=Path), metavar="OLD")
@click.argument("new", type=click.Path(path_type=Path), metavar="NEW")
@common_options
def compare(old: Path, new: Path, voice: Voice) -> int:
    """Say what changed between two builds or packs, folders or zips: pitch, level, length, spectrum, settings, memory.

    Spectrum is the log-spectral distance over ERB bands in dB, level taken off. Differences are the result, not a
    failure: the exit code is 0.
    """
    from kitfold.pack.compare.compare import compare as side_by_side

    result = side_by_side(old, new)
    voice.result({"old": str(old), "new": str(new), **asdict(result)})
    for line in _lines(result):
        voice.text(line)
    for note in result.notes:
        voice.say(f"kitfold: {note}")
    return 0


def _lines(result: Comparison) -> Iterator[str]:
    edition = ""
    for sound in result.sounds:
        if sound.edition != edition:
            edition = sound.edition
            yield f"{_clean(edition)}:"
        yield f"  {_clean(sound.label)}: {'; '.join(_said(sound))}"
    yield from _section("kit", result.kit)
    for name, changes in result.devices.items():
        yield from _section(f"device {name}", changes)
    for name, changes in result.checks.items():
        yield from _section(f"checks on {name}", changes)
    yield _count(result.sounds)


def _said(sound: SoundChange) -> Iterator[str]:
    if sound.state in ("added", "removed"):
        yield sound.state + (f", memory {sound.memory:+d}" if sound.memory else "")
        return
    if sound.state == "unchanged":
        yield "unchanged"
        return
    if sound.same_sound:
        yield "the same sound"
    else:
        yield ", ".join(_figures(sound))
    yield from (_text(change) for change in sound.settings)


def _figures(sound: SoundChange) -> Iterator[str]:
    figures = (
        ("pitch", sound.pitch_cents, "+.2f", "cents"),
        ("level", sound.level_lu, "+.2f", "LU"),
        ("length", sound.length_s, "+.3f", "s"),
        ("spectrum", sound.spectrum_db, ".2f", "dB"),
    )
    for name, value, form, unit in figures:
        if value is None:
            yield f"{name} not known"
        else:
            yield f"{name} {value:{form}} {unit}" if value else f"{name} unchanged"
    if sound.memory is not None:
        yield f"memory {sound.memory:+d}" if sound.memory else "memory unchanged"


def _section(title: str, changes: Iterable[Change]) -> Iterator[str]:
    lines = [f"  {_text(change)}" for change in changes]
    yield f"{_clean(title)}:" if lines else f"{_clean(title)}: unchanged"
    yield from lines


def _text(change: Change) -> str:
    return f"{_clean(change.what)} {_value(change.old)} -> {_value(change.new)}"


def _value(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, list):
        return _clean("[" + ", ".join(map(_value, value)) + "]")
    if isinstance(value, dict):
        return "(a table)"
    return f"{value:g}" if isinstance(value, float) else _clean(str(value))


def _clean(text: str) -> str:
    from kitfold.pack.verify.difference import clean_text

    short = text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"
    return clean_text(short)


def _count(sounds: Iterable[SoundChange]) -> str:
    states = [sound.state for sound in sounds]
    counts = (f"{states.count(state)} {state}" for state in ("unchanged", "changed", "added", "removed"))
    return f"{len(states)} sounds: {', '.join(counts)}"
