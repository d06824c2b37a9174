"""kit.toml into a plan: validate everything, report every mistake together, resolve every default."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from kitfold.errors import KitfoldError, Mistake, PlanError
from kitfold.plan.chord import Chord, parse_chord
from kitfold.plan.device import Device
from kitfold.plan.graph import cycle_in
from kitfold.plan.key import Key, parse_key
from kitfold.plan.kit import FitWishes, KitHead, Listen, Plays, SectionEntry, SongEntry, SoundEntry
from kitfold.plan.mistakes import nearest, unknown_key
from kitfold.plan.names import is_reserved
from kitfold.plan.plan import Plan, PlannedSound
from kitfold.plan.presets import load_device, load_recipe
from kitfold.plan.recipe import planned_steps
from kitfold.plan.song import Section, Song, Trigger
from kitfold.plan.step_base import Context
from kitfold.plan.toml import model_from, read_toml, shown_path

__all__ = ["load_plan"]

_TABLES = ("kit", "song", "sound", "fit", "listen")


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
    key = parse_key(head.key) if head else Key(0, "major")
    context = Context(key, head.tempo if head else 120, head.a4_hz if head else 440, head.middle_c if head else "C4")
    sounds = _sounds(table.get("sound", ()), where, path, context, mistakes)
    names = _names_written(table.get("sound", ()))
    song = _song(song_entry, head, key, names, where, mistakes)
    found = _devices(devices or _devices_written(table.get("kit", {})), where, path.parent, mistakes)
    _check_kit(head, sounds, found, names, where, mistakes)
    if mistakes or head is None or fit is None or listen is None or song is None:
        raise PlanError(mistakes)
    return Plan(path, head, key, tuple(sounds), song, tuple(found), fit, listen)


def _names_written(entries: Any) -> list[str]:
    """Return every sound's name as it was written, those of sounds with mistakes too."""
    tables = [entry for entry in entries if isinstance(entry, Mapping)] if isinstance(entries, tuple) else []
    return [str(entry["name"]) for entry in tables if "name" in entry]


def _devices_written(head: Any) -> tuple[str, ...]:
    """Return the kit's device names as they were written, so that they are checked whatever else is wrong."""
    written = head.get("device", ()) if isinstance(head, Mapping) else ()
    listed = written if isinstance(written, tuple) else (written,)
    return tuple(name for name in listed if isinstance(name, str))


def _sounds(entries: Any, where: str, path: Path, context: Context, mistakes: list[Mistake]) -> list[PlannedSound]:
    """Plan every [[sound]]; those with mistakes are left out and reported."""
    if not isinstance(entries, tuple) or not entries:
        mistakes.append(Mistake(f"{where} sound", "is missing: a kit needs at least one [[sound]]"))
        return []
    planned = []
    for place, entry in enumerate(entries, 1):
        name = entry.get("name") if isinstance(entry, Mapping) else None
        spot = f"{where} sound[{place}]" + (f" ({name})" if isinstance(name, str) else "")
        sound = model_from(SoundEntry, entry, spot, mistakes)
        if sound is not None:
            planned.append(_planned_sound(sound, place, spot, path, context, mistakes))
    return planned


def _planned_sound(
    entry: SoundEntry, place: int, where: str, path: Path, context: Context, mistakes: list[Mistake]
) -> PlannedSound:
    plays: Plays = "fixed"
    steps, listed = entry.steps or (), f"{where}.steps"
    if entry.recipe is not None:
        try:
            recipe = load_recipe(entry.recipe, path.parent)
            steps, plays, listed = recipe.steps, recipe.plays, f"{where} recipe {entry.recipe}: steps"
        except KitfoldError as error:
            mistakes.extend(error.about(f"{where}.recipe").mistakes)
    overrides = entry.model_extra or {}
    if entry.recipe is not None and not steps:  # an unknown recipe is reported already; its steps cannot be missing too
        overrides = {key: value for key, value in overrides.items() if not isinstance(value, Mapping)}
    planned = planned_steps(steps, overrides, context, (listed, where), mistakes)
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
    )


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


def _check_kit(
    head: KitHead | None,
    sounds: list[PlannedSound],
    devices: list[Device],
    names: list[str],
    where: str,
    mistakes: list[Mistake],
) -> None:
    """Check what no single table can know: names, slots and origins against each other."""
    if head is not None and is_reserved(head.name):
        mistakes.append(Mistake(f"{where} kit.name", f"is reserved by some file systems (got {head.name!r})"))
    for sound in sounds:
        spot = f"{where} sound[{sound.place}] ({sound.name})"
        if is_reserved(sound.name):
            mistakes.append(Mistake(f"{spot}.name", "is reserved by some file systems", "take another name"))
        if sound.from_sound is not None and sound.from_sound not in names:
            close = nearest(sound.from_sound, names)
            hint = f"did you mean {close!r}?" if close else f"the sounds are {', '.join(names)}"
            mistakes.append(Mistake(f"{spot}.from", f"names no sound of the kit (got {sound.from_sound!r})", hint))
        for device in devices:
            if sound.slot is not None and sound.slot > device.slots:
                what = f"must be at most {device.slots}, the slots of {device.name} (got {sound.slot})"
                mistakes.append(Mistake(f"{spot}.slot", what))
    _check_twice(names, f"{where} sound", "sounds named", "rename one", mistakes)
    slots = [sound.slot for sound in sounds if sound.slot is not None]
    _check_twice(slots, f"{where} sound", "sounds in slot", "move one, or leave `slot` out", mistakes)
    cycle = cycle_in({sound.name: sound.from_sound for sound in sounds})
    if cycle:
        mistakes.append(
            Mistake(f"{where} sound", f"is made from itself: {' → '.join(cycle)}", "give one of them a source")
        )


def _check_twice(values: Sequence[object], where: str, what: str, hint: str, mistakes: list[Mistake]) -> None:
    for value, count in Counter(values).items():
        if count > 1:
            mistakes.append(Mistake(where, f"has {count} {what} {value!r}", hint))
