"""What no single table of a kit can know: names, slots and origins against each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from kitfold.errors import Mistake
from kitfold.plan.device import Device
from kitfold.plan.graph import cycle_in
from kitfold.plan.kit import KitHead, SongEntry
from kitfold.plan.mistakes import nearest
from kitfold.plan.names import is_reserved
from kitfold.plan.plan import PlannedSound

__all__ = ["fixed_but_shifted", "mistakes_between"]


def mistakes_between(
    head: KitHead | None, sounds: Sequence[PlannedSound], devices: Sequence[Device], names: Sequence[str], where: str
) -> list[Mistake]:
    """List what is wrong between the parts of a kit.

    Parameters
    ----------
    head : KitHead or None, where it has mistakes of its own
    sounds : sequence of PlannedSound, those without mistakes of their own
    devices : sequence of Device, those that were found
    names : every sound's name as it was written
    where : str, the file, for messages
    """
    mistakes: list[Mistake] = []
    if head is not None and is_reserved(head.name):
        mistakes.append(Mistake(f"{where} kit.name", f"is reserved by some file systems (got {head.name!r})"))
    for sound in sounds:
        mistakes += _of_one(sound, devices, names, f"{where} sound[{sound.place}] ({sound.name})")
    mistakes += _names_twice(names, f"{where} sound")
    mistakes += _slots_twice(sounds, f"{where} sound")
    if cycle := cycle_in({sound.name: sound.from_sound for sound in sounds}):
        what = f"is made from itself: {' → '.join(cycle)}"
        mistakes.append(Mistake(f"{where} sound", what, "give one of them a source"))
    return mistakes


def fixed_but_shifted(song: SongEntry, sounds: Sequence[PlannedSound], where: str) -> Iterator[Mistake]:
    """List the sounds that a section wants moved although the kit or their recipe says that they never are."""
    fixed = {sound.name for sound in sounds if sound.plays == "fixed"}
    for place, section in enumerate(song.section, 1):
        for name in section.shift:
            if name in fixed:
                what = f"moves {name}, which is fixed: fixed sounds are never moved"
                hint = f'take {name} out of `shift`, or write plays = "chords" for it'
                yield Mistake(f"{where} song.section[{place}] ({section.name}).shift", what, hint)


def _of_one(sound: PlannedSound, devices: Iterable[Device], names: Sequence[str], where: str) -> Iterator[Mistake]:
    if is_reserved(sound.name):
        yield Mistake(f"{where}.name", "is reserved by some file systems", "take another name")
    if sound.from_sound is not None and sound.from_sound not in names:
        close = nearest(sound.from_sound, names)
        hint = f"did you mean {close!r}?" if close else f"the sounds are {', '.join(names)}"
        yield Mistake(f"{where}.from", f"names no sound of the kit (got {sound.from_sound!r})", hint)
    for device in devices:
        if sound.slot is not None and sound.slot > device.slots:
            what = f"must be at most {device.slots}, the slots of {device.name} (got {sound.slot})"
            yield Mistake(f"{where}.slot", what)


def _names_twice(names: Iterable[str], where: str) -> Iterator[Mistake]:
    for name, count in Counter(names).items():
        if count > 1:
            yield Mistake(where, f"has {count} sounds named {name!r}", "rename one")


def _slots_twice(sounds: Iterable[PlannedSound], where: str) -> Iterator[Mistake]:
    slots: dict[int, list[str]] = {}
    for sound in sounds:
        if sound.slot is not None:
            slots.setdefault(sound.slot, []).append(sound.name)
    for slot, both in slots.items():
        if len(both) > 1:
            what = f"has {len(both)} sounds in slot {slot}: {', '.join(both)}"
            yield Mistake(where, what, "move one, or leave `slot` out")
