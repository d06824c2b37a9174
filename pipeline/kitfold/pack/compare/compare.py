"""Two builds or packs side by side: what is the same is said to be the same, what differs is said in figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from kitfold.errors import KitfoldError, PackError
from kitfold.pack.compare.parts import FULL, Part, editions_of, flat, parts_of
from kitfold.pack.manifest import Manifest
from kitfold.pack.verify.claims import Claim
from kitfold.pack.verify.contents import Contents, opened
from kitfold.pack.verify.decode import MOST_SOUND_BYTES, decoded
from kitfold.pack.verify.difference import Difference
from kitfold.sound import Sound
from kitfold.units import cents_between, cents_to_ratio, semitones_to_ratio

__all__ = ["Change", "Comparison", "SoundChange", "compare"]

State = Literal["unchanged", "changed", "added", "removed"]


@dataclass(frozen=True)
class Change:
    """One value that is not what it was; None: it was not, or is not, there."""

    what: str
    old: Any
    new: Any


@dataclass(frozen=True)
class SoundChange:
    """What became of one sound.

    Parameters
    ----------
    edition, label : str
    state : State
    same_sound : bool, every sample the same
    pitch_cents, level_lu, length_s : float or None, new less old; None where one has none
    spectrum_db : float or None, log-spectral distance over ERB bands; None where it could not be measured
    memory : int or None, new less old, in the device's unit
    settings : tuple of Change
    """

    edition: str
    label: str
    state: State
    same_sound: bool = False
    pitch_cents: float | None = None
    level_lu: float | None = None
    length_s: float | None = None
    spectrum_db: float | None = None
    memory: int | None = None
    settings: tuple[Change, ...] = ()


@dataclass(frozen=True)
class Comparison:
    """Everything that changed.

    Parameters
    ----------
    sounds : tuple of SoundChange, in the order of the new one, then what was removed
    kit : tuple of Change, of the kit, its song and the versions that made it
    devices : mapping, device to its Changes: figures, memory, cost
    checks : mapping, device to its Changes: each check's result and figure
    notes : tuple of str
    """

    sounds: tuple[SoundChange, ...]
    kit: tuple[Change, ...]
    devices: Mapping[str, tuple[Change, ...]]
    checks: Mapping[str, tuple[Change, ...]]
    notes: tuple[str, ...]


def compare(old: Path, new: Path) -> Comparison:
    """Compare two builds or packs, folders or zips.

    Parameters
    ----------
    old, new : Path

    Returns
    -------
    Comparison; pitch, level, length and holds are the manifests' own figures

    Raises
    ------
    PackError : for what cannot be read, is no build or pack, or has no manifest that can be read
    """
    with opened(old) as before, opened(new) as after:
        for path, contents in ((old, before), (new, after)):
            if contents.build is None and contents.pack is None:
                hint = "`kitfold verify` says what is wrong with it"
                raise PackError("has no manifest that can be read", where=str(path), hint=hint)
        notes = [note for path, one in ((old, before), (new, after)) for note in _notes(path, one)]
        first, second = parts_of(before), parts_of(after)
        if (before.pack is None) != (after.pack is None):
            notes.append("the full edition was left out: a build has none")
            first, second = _without_full(first), _without_full(second)
        sounds = [_side_by_side(first.get(key), part, before, after) for key, part in second.items()]
        sounds += [
            SoundChange(*key, "removed", memory=_less(part.memory)) for key, part in first.items() if key not in second
        ]
        earlier, later = editions_of(before), editions_of(after)
        both = [name for name in later if name in earlier]
        return Comparison(
            tuple(sounds),
            _changes(_kit(before), _kit(after)),
            {name: _changes(_device(earlier[name]), _device(later[name])) for name in both},
            {name: _changes(_checks(earlier[name]), _checks(later[name])) for name in both},
            tuple(notes),
        )


def _notes(path: Path, contents: Contents) -> list[str]:
    count = len(contents.found)
    said = (
        f"{path} is not what its manifest says ({count} differences, see `kitfold verify`): its figures may be wrong, "
    )
    return [f"{said}and its sounds were not decoded"] if count else []


def _without_full(parts: dict[tuple[str, str], Part]) -> dict[tuple[str, str], Part]:
    return {key: part for key, part in parts.items() if part.edition != FULL}


def _less(value: int | None) -> int | None:
    return None if value is None else -value


def _side_by_side(old: Part | None, new: Part, before: Contents, after: Contents) -> SoundChange:
    if old is None:
        return SoundChange(new.edition, new.label, "added", memory=new.memory)
    settings = _settings(old, new)
    if old.sha256 == new.sha256:
        state: State = "changed" if settings else "unchanged"
        return SoundChange(new.edition, new.label, state, True, 0.0, 0.0, 0.0, 0.0, 0, settings)
    level_lu = new.claim.level.lufs - old.claim.level.lufs
    same, spectrum_db = _heard(old.claim, new.claim, before, after, level_lu)
    return SoundChange(
        new.edition,
        new.label,
        "changed",
        same,
        _pitch_cents(old, new),
        round(level_lu, 2) + 0.0,
        round(new.claim.seconds - old.claim.seconds, 4) + 0.0,
        None if spectrum_db is None else round(spectrum_db, 2),
        None if old.memory is None or new.memory is None else new.memory - old.memory,
        settings,
    )


def _pitch_cents(old: Part, new: Part) -> float | None:
    """Return how far the pitch moved, by the wanted notes and what was measured from there."""
    heard = []
    for root in (old.claim.root, new.claim.root):
        if not root.pitched or not root.hz or root.hz <= 0:
            return None
        heard.append(root.hz * cents_to_ratio(root.error_cents or 0.0))
    return round(cents_between(*heard), 2) + 0.0


def _heard(old: Claim, new: Claim, before: Contents, after: Contents, level_lu: float) -> tuple[bool, float | None]:
    """Say whether two files hold the same samples, and how far their spectra lie apart, both played at their root."""
    import numpy as np

    from kitfold.pack.compare.spectrum import spectrum_distance_db

    try:
        sounds = [_played(contents, claim) for contents, claim in ((before, old), (after, new))]
        if any(sound is None for sound in sounds):
            return False, None
        one, other = (sound for sound in sounds if sound is not None)
        if one.rate_hz == other.rate_hz and np.array_equal(one.samples, other.samples):
            return True, 0.0
        return False, spectrum_distance_db(one, other, level_lu)
    except (KitfoldError, ValueError, OverflowError):  # figures that no sound can have: verify says which
        return False, None


def _played(contents: Contents, claim: Claim) -> Sound | None:
    from kitfold.steps.shift import varispeed

    if contents.found or contents.tree.sizes[claim.file] > MOST_SOUND_BYTES:
        return None
    found: list[Difference] = []
    sound = decoded(b"".join(contents.tree.chunks(claim.file)), claim, found)
    if sound is None or not claim.play_semitones:
        return sound
    return varispeed(sound.with_samples(sound.samples, loop=None), semitones_to_ratio(claim.play_semitones))


def _changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> tuple[Change, ...]:
    """Return every value that differs, in the order of the new ones, then what is gone."""
    keys = [*new, *(key for key in old if key not in new)]
    return tuple(Change(key, old.get(key), new.get(key)) for key in keys if old.get(key) != new.get(key))


def _settings(old: Part, new: Part) -> tuple[Change, ...]:
    """Return the settings that differ; those of a step that only one of the two has are told by the list of steps."""
    steps = [{key.split(".")[0] for key in part.settings if "." in key} for part in (old, new)]
    changes = _changes(old.settings, new.settings)
    return tuple(one for one in changes if "." not in one.what or all(one.what.split(".")[0] in some for some in steps))


def _kit(contents: Contents) -> dict[str, Any]:
    manifest = contents.build or contents.pack
    if manifest is None:
        return {}
    song = manifest.song.get("sections", [])
    sections = (
        {f"song.{one.get('name')}": one for one in song if isinstance(one, dict)} if isinstance(song, list) else {}
    )
    made = {f"made with {name}": version for name, version in manifest.made_with.items()}
    beats = {"song.beats_per_pattern": manifest.song.get("beats_per_pattern")}
    return {**{f"kit.{key}": value for key, value in manifest.kit.items()}, **beats, **sections, **made}


def _device(manifest: Manifest) -> dict[str, Any]:
    budget = manifest.budget
    return {
        **flat(manifest.device),
        **{f"fit.{key}": value for key, value in manifest.fit.items()},
        f"memory, {budget.unit}": budget.used,
        "slots used": budget.slots_used,
        "cost_db": budget.cost_db,
    }


def _checks(manifest: Manifest) -> dict[str, Any]:
    """Return each check's verdict and figure, by what it is about; one that is made once, by its name alone."""
    times = Counter(check.check for check in manifest.checks)
    found: dict[str, Any] = {}
    for check in manifest.checks:
        figure = f"{check.result} ({round(check.figure, 2):g} {check.unit})"
        if times[check.check] == 1:
            found[check.check] = " ".join([figure, *sorted(check.about)])
        else:
            found[" ".join([check.check, *sorted(check.about)])] = figure
    return found
