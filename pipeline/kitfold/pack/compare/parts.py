"""A build or a pack laid out as sounds, each with its figures and everything that was set for it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from kitfold.pack.manifest import Made, Manifest
from kitfold.pack.slots import stored_name
from kitfold.pack.verify.claims import Claim, claims_of_build, claims_of_pack
from kitfold.pack.verify.contents import Contents

__all__ = ["FULL", "Part", "editions_of", "flat", "parts_of"]

FULL = "full"
"""What the full edition of a pack is called here; no device edition has that folder."""
_MOST_DEEP = 8


@dataclass(frozen=True)
class Part:
    """One sound file of an edition.

    Parameters
    ----------
    edition : str, `FULL` or a device
    label : str, the sound, and its transposition where it is a copy
    claim : Claim, its figures
    sha256 : str
    memory : int or None, what it takes of the device's memory
    settings : mapping, by a name that a person understands
    """

    edition: str
    label: str
    claim: Claim
    sha256: str
    memory: int | None
    settings: Mapping[str, Any]


def editions_of(contents: Contents) -> dict[str, Manifest]:
    """Return the device editions of a build (one) or a pack, by device."""
    manifests = list(contents.editions.values()) if contents.build is None else [contents.build]
    return {str(one.device.get("name", "")): one for one in manifests}


def parts_of(contents: Contents) -> dict[tuple[str, str], Part]:
    """Return every sound of a build or a pack by edition and label, in the order of its manifest."""
    parts = [*_of_full(contents), *_of_devices(contents)]
    return {(part.edition, part.label): part for part in parts}


def _of_full(contents: Contents) -> Iterator[Part]:
    if contents.pack is None:
        return
    for sound, claim in zip(contents.pack.sounds, claims_of_pack(contents.pack), strict=True):
        settings = {**_form(claim), "plays": sound.plays, "keeps its end": sound.whole, **_made(sound.made)}
        yield Part(FULL, sound.name, claim, sound.sha256, None, settings)


def _of_devices(contents: Contents) -> Iterator[Part]:
    folders = {id(manifest): f"{folder}/" for folder, manifest in contents.editions.items()}
    for device, manifest in editions_of(contents).items():
        claims = claims_of_build(manifest, folders.get(id(manifest), ""))
        for slot, claim in zip(manifest.slots, claims, strict=True):
            settings = {
                "slot": slot.slot,
                **_form(claim),
                "plays": slot.plays,
                "play_semitones": slot.play_semitones,
                "play_db": slot.play_db,
                "changes": [change.what for change in slot.changes],
                **{f"{one.chord} in {one.section} held": one.lasts_s for one in slot.holds if one.needs_s > 0},
                **_made(slot.made),
            }
            yield Part(device, stored_name(slot.sound, slot.copy_ or 0), claim, slot.sha256, slot.memory, settings)


def _form(claim: Claim) -> dict[str, Any]:
    root = claim.root
    return {
        "root": root.note if root.pitched else None,
        "loop": None if claim.loop is None else [claim.loop.get("start"), claim.loop.get("end")],
        "rate_hz": claim.rate_hz,
        "bits": claim.bits,
        "encoding": claim.encoding,
        "channels": claim.channels,
    }


def _made(made: Made) -> dict[str, Any]:
    """Return where a sound comes from and every setting of its steps: ``tune.to``, ``filter 2.slope_db``."""
    settings: dict[str, Any] = {
        "source": made.source,
        "source's bytes": made.source_sha256[:12],
        "from": made.from_sound,
        "rights": made.rights,
        "steps": [str(step.get("step")) for step in made.steps],
    }
    seen: dict[str, int] = {}
    for step in made.steps:
        name = str(step.get("step"))
        seen[name] = seen.get(name, 0) + 1
        label = name if seen[name] == 1 else f"{name} {seen[name]}"
        settings |= {f"{label}.{key}": value for key, value in flat(step.get("settings", {})).items()}
    return settings


def flat(value: object, prefix: str = "", depth: int = 0) -> dict[str, Any]:
    """Return nested tables as one, with dotted keys; lists and what is nested deeper stay as they are."""
    if not isinstance(value, Mapping) or depth == _MOST_DEEP:
        return {prefix.rstrip(".") or "settings": value}
    found: dict[str, Any] = {}
    for key, inner in value.items():
        found |= flat(inner, f"{prefix}{key}.", depth + 1)
    return found
