"""What a manifest says of one sound file, whichever manifest it is, and what can be judged before listening."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from kitfold.pack.manifest import Hold, LevelEntry, Manifest, RootEntry
from kitfold.pack.verify.difference import Difference
from kitfold.units import hz_to_midi, semitones_to_ratio

if TYPE_CHECKING:
    from kitfold.pack.publish.manifest import PackManifest

__all__ = [
    "Claim",
    "build_differences",
    "claims_of_build",
    "claims_of_pack",
    "licence_differences",
    "plain_differences",
]

_MOST_SEMITONES = 128
"""As far apart as two notes of MIDI can be."""
_MOST_PLAYED = 24
"""A sound is stored two octaves up at most, so what is measured of it is at most four times as long as its file."""
_HIGHEST_HZ = 100_000.0
_FLOOR_DB = -12.0  # a kit's own default


@dataclass(frozen=True)
class Claim:
    """What is claimed of one sound file.

    Parameters
    ----------
    file : str, as the tree knows it
    listed : str, what a line calls it: the manifest's own name for it
    bytes, frames, rate_hz, bits, channels : int
    encoding : str
    seconds : float
    root : RootEntry
    level : LevelEntry
    loop : mapping or None, ``start`` and ``end`` in frames
    play_semitones : int, what the player sets so that it comes out at its root
    holds : sequence of Hold
    rights : str
    floor_db : float, dB under the loudest 400 ms at which a hold ends
    """

    file: str
    listed: str
    bytes: int
    frames: int
    rate_hz: int
    bits: int
    channels: int
    encoding: str
    seconds: float
    root: RootEntry
    level: LevelEntry
    loop: Mapping[str, int] | None
    play_semitones: int
    holds: Sequence[Hold]
    rights: str
    floor_db: float = _FLOOR_DB

    def stored_hz(self) -> float | None:
        """Return the pitch that the file itself should have; None where it has no root."""
        if not self.root.pitched or self.root.hz is None:
            return None
        return self.root.hz * semitones_to_ratio(-self.play_semitones)


def claims_of_build(manifest: Manifest, folder: str = "") -> Iterator[Claim]:
    """Give what a build, or the device edition in a folder of a pack, claims of its slots."""
    floor_db = manifest.fit.get("hold_floor_db")
    floor_db = float(floor_db) if isinstance(floor_db, int | float) and -90 <= floor_db < 0 else _FLOOR_DB
    for slot in manifest.slots:
        yield Claim(
            file=folder + slot.file,
            listed=folder + slot.file,
            bytes=slot.bytes,
            frames=slot.frames,
            rate_hz=slot.rate_hz,
            bits=slot.bits,
            channels=slot.channels,
            encoding=slot.encoding,
            seconds=slot.seconds,
            root=slot.root,
            level=slot.level,
            loop=slot.loop,
            play_semitones=slot.play_semitones,
            holds=slot.holds,
            rights=slot.made.rights,
            floor_db=floor_db,
        )


def claims_of_pack(manifest: PackManifest) -> Iterator[Claim]:
    """Give what a pack claims of its full edition."""
    for sound in manifest.sounds:
        yield Claim(
            file=sound.file,
            listed=sound.file,
            bytes=sound.bytes,
            frames=sound.frames,
            rate_hz=sound.rate_hz,
            bits=sound.bits,
            channels=sound.channels,
            encoding="signed",
            seconds=sound.seconds,
            root=sound.root,
            level=sound.level,
            loop=sound.loop,
            play_semitones=0,
            holds=(),
            rights=sound.rights,
        )


def plain_differences(claim: Claim, a4_hz: float) -> list[Difference]:
    """Find what a claim gets wrong by itself: a length that is not its frames, a note that is not its frequency."""
    found = []
    if not (claim.frames > 0 and 1 <= claim.channels <= 2 and claim.rate_hz > 0):
        form = f"{claim.frames} frames, {claim.channels} channels at {claim.rate_hz} Hz"
        return [Difference(claim.listed, "form", "frames at a rate, mono or stereo", form)]
    if abs(claim.play_semitones) > _MOST_PLAYED:
        wanted = f"within {_MOST_PLAYED} semitones"
        return [Difference(claim.listed, "play_semitones", wanted, str(claim.play_semitones))]
    furthest = max((abs(one.setting) for one in claim.holds), default=0)
    if furthest > _MOST_SEMITONES:
        found.append(Difference(claim.listed, "settings", f"within {_MOST_SEMITONES} semitones", str(furthest)))
    if claim.seconds != round(claim.frames / claim.rate_hz, 4):
        lasts = f"{claim.frames / claim.rate_hz:.4f}, by its frames"
        found.append(Difference(claim.listed, "seconds", lasts, f"{claim.seconds:g}"))
    return found + _of_root(claim.root, claim.listed, a4_hz) + _of_loop(claim)


def _of_root(root: RootEntry, listed: str, a4_hz: float) -> list[Difference]:
    if not root.pitched:
        return []
    if root.midi is None or root.hz is None or not 1 <= root.hz <= _HIGHEST_HZ:
        return [Difference(listed, "root", "a note and its frequency", f"{root.midi} and {root.hz}")]
    if abs(hz_to_midi(root.hz, a4_hz) - root.midi) > 0.5:
        return [Difference(listed, "root.hz", f"within half a semitone of note {root.midi}", f"{root.hz:g}")]
    return []


def _of_loop(claim: Claim) -> list[Difference]:
    if claim.loop is None:
        return []
    start, end = claim.loop.get("start", -1), claim.loop.get("end", -1)
    if 0 <= start < end <= claim.frames:
        return []
    return [Difference(claim.listed, "loop", f"within {claim.frames} frames", f"{start} to {end}")]


def build_differences(manifest: Manifest, file: str) -> list[Difference]:
    """Find sums that do not add up: memory and slots of a build or a device edition.

    Parameters
    ----------
    manifest : Manifest
    file : str, the manifest's own name
    """
    budget, found = manifest.budget, []
    used = sum(slot.memory for slot in manifest.slots)
    for what, expected, told in (
        ("budget.used", used, budget.used),
        ("budget.slots_used", len(manifest.slots), budget.slots_used),
    ):
        if expected != told:
            found.append(Difference(file, what, f"{expected}, the sum of its slots", str(told)))
    if budget.used > budget.limit:
        found.append(Difference(file, "budget.used", f"at most {budget.limit}", str(budget.used)))
    numbers = [slot.slot for slot in manifest.slots]
    if len(set(numbers)) < len(numbers) or any(not 1 <= number <= budget.slots for number in numbers):
        found.append(Difference(file, "slots", f"each once, from 1 to {budget.slots}", str(numbers)))
    for slot in manifest.slots:
        for key in ("bits", "encoding", "channels"):
            if key in manifest.device and manifest.device[key] != getattr(slot, key):
                wanted, has = manifest.device[key], getattr(slot, key)
                found.append(Difference(file, f"slot {slot.slot} {key}", f"{wanted}, as the device has", str(has)))
    return found


def licence_differences(kit: Mapping[str, Any], claims: Sequence[Claim], file: str) -> list[Difference]:
    """Find what a published pack must say of its rights and does not: the kit's licence, the rights of each sound."""
    from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

    found, licence = [], kit.get("licence")
    try:
        canonicalize_license_expression(licence if isinstance(licence, str) else "")
    except InvalidLicenseExpression:
        found.append(Difference(file, "kit.licence", "an SPDX licence", repr(licence)))
    found += [Difference(claim.listed, "rights", "said", "nothing") for claim in claims if not claim.rights.strip()]
    return found
