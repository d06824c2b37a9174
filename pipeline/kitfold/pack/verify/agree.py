"""Whether a manifest agrees with itself: holds with the song and their settings, notes with their numbers, editions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

from kitfold.pack.check_fit import HOLD_SLACK_S
from kitfold.pack.manifest import Hold, Manifest, RootEntry, SlotEntry
from kitfold.pack.publish.manifest import Edition, PackManifest
from kitfold.pack.verify.difference import Difference
from kitfold.units import parse_note

__all__ = ["edition_differences", "hold_differences", "name_differences", "note_differences"]

_ROUNDING_S = 1e-4  # seconds stand in a manifest with four digits


def note_differences(root: RootEntry, kit: Mapping[str, Any], listed: str) -> list[Difference]:
    """Compare a note's name with its number."""
    if not root.pitched or root.midi is None:
        return []
    middle_c = "C3" if kit.get("middle_c") == "C3" else "C4"
    try:
        midi: int | None = parse_note(root.note or "", middle_c)
    except ValueError:
        midi = None
    return [] if midi == root.midi else [Difference(listed, "root.note", f"note {root.midi}", repr(root.note))]


def hold_differences(manifest: Manifest, folder: str = "") -> list[Difference]:
    """Compare every hold with the song, with the device's range, and with its own verdict."""
    asked = set(_asked(manifest.song))
    span = manifest.device.get("transpose")
    low, high = (
        span if isinstance(span, list) and len(span) == 2 and all(isinstance(n, int) for n in span) else (-128, 128)
    )
    found = []
    for slot in manifest.slots:
        for hold in slot.holds:
            what = f"hold of {hold.chord} in {hold.section}"
            if (hold.section, hold.chord) not in asked:
                found.append(Difference(folder + slot.file, what, "a chord of the song", "none"))
            if hold.setting != _setting(slot, hold) or not low <= hold.setting <= high:
                wanted = f"setting {_setting(slot, hold)}, within {low} to {high}"
                found.append(Difference(folder + slot.file, what, wanted, str(hold.setting)))
            if _is_wrong(hold):
                found.append(Difference(folder + slot.file, f"{what}: ok", str(not hold.ok), str(hold.ok)))
    return found


def _range(span: object) -> tuple[int, int]:
    """Return how far a device transposes; for one that does not say it, as far as two notes can lie apart."""
    match span:
        case [int(low), int(high)]:
            return low, high
        case _:
            return -128, 128


def _setting(slot: SlotEntry, hold: Hold) -> int:
    """Return what the player sets: the move from the stored root, and what the whole sound was stored up or down by."""
    return hold.semitones - (slot.copy_ or 0) + slot.play_semitones


def _is_wrong(hold: Hold) -> bool:
    """Say whether a hold's verdict is not what its figures say, rounding aside."""
    if hold.lasts_s is None:
        return not hold.ok
    margin_s = hold.lasts_s - (hold.needs_s - HOLD_SLACK_S)
    return abs(margin_s) > _ROUNDING_S and hold.ok != (margin_s > 0)


def _asked(song: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Give (section, chord) of everything that a song asks; whatever is no song gives nothing."""
    sections = song.get("sections")
    for section in sections if isinstance(sections, list) else ():
        chords = section.get("chords") if isinstance(section, dict) else None
        for chord in chords if isinstance(chords, list) else ():
            if isinstance(chord, dict):
                yield str(section.get("name")), str(chord.get("chord"))


def name_differences(pack: PackManifest, file: str) -> list[Difference]:
    """Find sounds and editions that are there twice."""
    names = Counter(
        ["sound " + sound.name for sound in pack.sounds] + ["edition " + one.device for one in pack.editions]
    )
    return [Difference(file, name, "once", f"{count} times") for name, count in names.items() if count > 1]


def edition_differences(edition: Edition, manifest: Manifest, pack: PackManifest) -> list[Difference]:
    """Compare a device edition's manifest with the pack's: the same kit, song and sounds, for its device."""
    found = []
    if edition.device != manifest.device.get("name"):
        found.append(Difference(edition.manifest, "device.name", edition.device, str(manifest.device.get("name"))))
    for name, own, whole in (("kit", manifest.kit, pack.kit), ("song", manifest.song, pack.song)):
        wrong = [key for key in sorted({*own, *whole}) if own.get(key) != whole.get(key)]
        found += [
            Difference(edition.manifest, f"{name}.{key}", repr(whole.get(key)), repr(own.get(key))) for key in wrong
        ]
    known = {sound.name for sound in pack.sounds}
    strange = sorted({slot.sound for slot in manifest.slots} - known)
    found += [Difference(edition.manifest, f"sound {name}", "one of the full edition", "none") for name in strange]
    return found
