"""kit.toml into a plan: validate everything, report every mistake together, resolve every default."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from kitfold.errors import KitfoldError, Mistake, PlanError
from kitfold.plan.between import fixed_but_shifted, mistakes_between
from kitfold.plan.chord import Chord, parse_chord
from kitfold.plan.device import Device
from kitfold.plan.key import Key, parse_key
from kitfold.plan.kit import (
    FitWishes,
    KitHead,
    Listen,
    Plays,
    Publish,
    SectionEntry,
    SongEntry,
    SoundEntry,
    Transfer,
)
from kitfold.plan.mistakes import known_keys, nearest, unknown_key
from kitfold.plan.needs import mistakes_of_needs
from kitfold.plan.plan import Plan, PlannedSound
from kitfold.plan.presets import load_device, load_recipe
from kitfold.plan.recipe import PlannedStep, planned_steps
from kitfold.plan.song import Section, Song, Trigger
from kitfold.plan.step_base import Context
from kitfold.plan.toml import model_from, read_toml, shown_path

__all__ = ["load_plan", "sources_written"]

_TABLES = ("kit", "song", "sound", "fit", "listen", "publish", "transfer")


def load_plan(path: Path, devices: Sequence[str] | None = None) -> Plan:
    """Read a kit and everything that it names, apart from audio.

    Parameters
    ----------
    path : Path, the kit.toml
    devices : names that replace the kit's own, or None

    Raises
    ------
    PlanError : with every mistake of the kit and of what it names
    """
    table = read_toml(path)
    where = f"{shown_path(path)}:"
    mistakes = [unknown_key(f"{where} {key}", key, _TABLES) for key in table if key not in _TABLES]
    head = model_from(KitHead, table.get("kit", {}), f"{where} kit", mistakes)
    song_entry = model_from(SongEntry, table.get("song", {}), f"{where} song", mistakes)
    fit = model_from(FitWishes, table.get("fit", {}), f"{where} fit", mistakes)
    listen = model_from(Listen, table.get("listen", {}), f"{where} listen", mistakes)
    publish = model_from(Publish, table.get("publish", {}), f"{where} publish", mistakes)
    transfer = model_from(Transfer, table.get("transfer", {}), f"{where} transfer", mistakes)
    key = parse_key(head.key) if head else Key(0, "major")
    context = Context(key, head.tempo if head else 120, head.a4_hz if head else 440, head.middle_c if head else "C4")
    sounds = _sounds(table.get("sound", ()), where, path, context, mistakes)
    names = _names_written(table.get("sound", ()))
    song = _song(song_entry, head, key, names, where, mistakes)
    found = _devices(devices or _devices_written(table.get("kit", {})), where, path.parent, mistakes)
    mistakes += mistakes_between(head, sounds, found, names, where)
    if song_entry is not None:
        mistakes += fixed_but_shifted(song_entry, sounds, where)
    if isinstance(written := table.get("kit", {}), Mapping):
        mistakes += mistakes_of_needs(written, song_entry, sounds, where)
    if mistakes or head is None or fit is None or listen is None or publish is None or transfer is None or song is None:
        raise PlanError(mistakes)
    return Plan(path, head, key, tuple(sounds), song, tuple(found), fit, listen, publish, transfer)


def sources_written(path: Path) -> list[tuple[str, Path]]:
    """Return every source that a kit names and where, whatever else is wrong with it; nothing of what is no TOML."""
    try:
        entries = read_toml(path).get("sound", ())
    except PlanError:
        return []
    named = []
    for place, entry in enumerate(entries if isinstance(entries, tuple) else (), 1):
        source = entry.get("source") if isinstance(entry, Mapping) else None
        if isinstance(source, str) and source:
            name = entry.get("name")
            spot = f"{shown_path(path)}: sound[{place}]" + (f" ({name})" if isinstance(name, str) else "")
            named.append((spot, path.parent / source))
    return named


def _names_written(entries: Any) -> list[str]:
    """Return every sound's name as it was written, those of sounds with mistakes too."""
    tables = [entry for entry in entries if isinstance(entry, Mapping)] if isinstance(entries, tuple) else []
    return [entry["name"] for entry in tables if isinstance(entry.get("name"), str)]


def _devices_written(head: Any) -> tuple[str, ...]:
    """Return the kit's device names as they were written, so that they are checked whatever else is wrong."""
    written = head.get("device", ()) if isinstance(head, Mapping) else ()
    listed = written if isinstance(written, tuple) else (written,)
    return tuple(name for name in listed if isinstance(name, str))


def _sounds(entries: Any, where: str, path: Path, context: Context, mistakes: list[Mistake]) -> list[PlannedSound]:
    """Plan every [[sound]]; those with mistakes are left out and reported."""
    if not isinstance(entries, tuple) or not entries:
        single = "write [[sound]], in double brackets" if isinstance(entries, Mapping) else ""
        mistakes.append(Mistake(f"{where} sound", "is missing: a kit needs at least one [[sound]]", single))
        return []
    planned = []
    for place, entry in enumerate(entries, 1):
        name = entry.get("name") if isinstance(entry, Mapping) else None
        spot = f"{where} sound[{place}]" + (f" ({name})" if isinstance(name, str) else "")
        sound = model_from(SoundEntry, entry, spot, mistakes)
        if sound is not None:
            planned.append(_planned_sound(sound, place, spot, path, context, mistakes))
        elif isinstance(entry, Mapping):  # its steps are checked whatever else is wrong with it
            _steps(*_steps_written(entry), spot, path, context, mistakes)
    return planned


def _steps_written(entry: Mapping[str, Any]) -> tuple[str | None, Sequence[Mapping[str, Any]], Mapping[str, Any]]:
    """Return the recipe, steps and overrides of a sound with mistakes, as far as they are what they should be."""
    recipe, steps = entry.get("recipe"), entry.get("steps")
    if not (isinstance(steps, tuple) and all(isinstance(step, Mapping) for step in steps)):
        steps = ()
    overrides = {key: value for key, value in entry.items() if key not in known_keys(SoundEntry)}
    return recipe if isinstance(recipe, str) and recipe else None, steps, overrides


def _planned_sound(
    entry: SoundEntry, place: int, where: str, path: Path, context: Context, mistakes: list[Mistake]
) -> PlannedSound:
    planned, plays = _steps(entry.recipe, entry.steps or (), entry.model_extra or {}, where, path, context, mistakes)
    return PlannedSound(
        name=entry.name,
        place=place,
        source=path.parent / entry.source if entry.source else None,
        source_text=entry.source or "",
        from_sound=entry.from_,
        start_s=entry.start_s,
        end_s=entry.end_s,
        recipe=entry.recipe,
        steps=planned,
        slot=entry.slot,
        plays=entry.plays if entry.plays is not None else plays,
        copies=entry.copies,
        spare=entry.spare,
        rights=entry.rights,
        given=entry.given,
        plays_said=entry.plays is not None or entry.recipe is not None,
    )


def _steps(
    name: str | None,
    steps: Sequence[Mapping[str, Any]],
    overrides: Mapping[str, Any],
    where: str,
    path: Path,
    context: Context,
    mistakes: list[Mistake],
) -> tuple[tuple[PlannedStep, ...], Plays]:
    """Return a sound's steps, from its recipe or its own list, and how it is played by default."""
    plays: Plays = "fixed"
    listed = f"{where}.steps"
    if name is not None:
        try:
            recipe = load_recipe(name, path.parent)
            steps, plays, listed = recipe.steps, recipe.plays, f"{where} recipe {name}: steps"
        except KitfoldError as error:
            mistakes.extend(error.about(f"{where}.recipe").mistakes)
            # an unknown recipe is reported already; its steps cannot be missing too
            steps, overrides = (), {key: value for key, value in overrides.items() if not isinstance(value, Mapping)}
    return planned_steps(steps, overrides, context, (listed, where), mistakes), plays


def _song(
    entry: SongEntry | None,
    head: KitHead | None,
    key: Key,
    sounds: list[str],
    where: str,
    mistakes: list[Mistake],
) -> Song | None:
    if entry is None:
        return None
    sections = tuple(
        _section(section, key, sounds, f"{where} song.section[{place}] ({section.name})", mistakes)
        for place, section in enumerate(entry.section, 1)
    )
    for name, count in Counter(section.name for section in entry.section).items():
        if count > 1:
            mistakes.append(Mistake(f"{where} song.section", f"has {count} sections named {name!r}", "rename one"))
    tempo = head.tempo if head else 120.0
    slowest = (head.tempo_slowest if head else None) or tempo
    return Song(sections, entry.beats_per_pattern, tempo, slowest)


def _section(entry: SectionEntry, key: Key, sounds: list[str], where: str, mistakes: list[Mistake]) -> Section:
    for table, names in (("silent", entry.silent), ("shift", tuple(entry.shift))):
        for name in names:
            if name not in sounds:
                close = nearest(name, sounds)
                hint = f"did you mean {close!r}?" if close else f"the sounds are {', '.join(sounds)}"
                mistakes.append(Mistake(f"{where}.{table}", f"names no sound of the kit (got {name!r})", hint))
    triggers: list[Trigger] = []
    for place, text in enumerate(entry.chords):
        spot = f"{where}.chords[{place + 1}]"
        if text != "-":
            chord = _chord(text, key, spot, mistakes)
            triggers.append(Trigger(chord, place, 1))
        elif triggers:
            held = triggers[-1]
            triggers[-1] = Trigger(held.chord, held.pattern, held.patterns + 1)
        else:
            mistakes.append(
                Mistake(spot, "is '-', which holds the chord before it, but a section starts afresh", "name a chord")
            )
    return Section(entry.name, tuple(triggers), len(entry.chords), frozenset(entry.silent), dict(entry.shift))


def _chord(text: str, key: Key, where: str, mistakes: list[Mistake]) -> Chord:
    try:
        return parse_chord(text, key)
    except ValueError as error:
        mistakes.append(Mistake(where, str(error)))
        return Chord(text, key.tonic, 4, 7)


def _devices(names: Sequence[str], where: str, beside: Path, mistakes: list[Mistake]) -> list[Device]:
    found: dict[str, Device] = {}
    for name in names:
        try:
            device = load_device(name, beside)
        except KitfoldError as error:
            mistakes.extend(error.about(f"{where} kit.device").mistakes)
            continue
        if device.name in found:
            mistakes.append(Mistake(f"{where} kit.device", f"names the device {device.name!r} twice"))
        found[device.name] = device
    return list(found.values())
