"""Verify: everything that a build or a pack says of itself, held against what it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from kitfold.errors import KitfoldError
from kitfold.pack.verify.contents import Contents, Kind, opened
from kitfold.pack.verify.decode import MOST_SOUND_BYTES, decoded
from kitfold.pack.verify.difference import Difference
from kitfold.pack.verify.riff import riff_differences
from kitfold.render.jobs import in_order

if TYPE_CHECKING:
    from kitfold.pack.verify.claims import Claim
    from kitfold.sound import Sound

__all__ = ["Report", "verify"]


@dataclass(frozen=True)
class Report:
    """What was found.

    Parameters
    ----------
    kind : ``build``, ``pack`` or ``zip``
    name : str, of the kit and its version
    differences : tuple of Difference
    files : int, that were hashed
    sounds : int, whose figures were measured again; 0 where something else differed first
    notes : tuple of str, what could not be judged, and why
    """

    kind: Kind
    name: str
    differences: tuple[Difference, ...]
    files: int
    sounds: int
    notes: tuple[str, ...] = ()


def verify(path: Path, jobs: int = 1, tell: Callable[[str, int], None] = lambda _name, _count: None) -> Report:
    """Check a build's folder, an unpacked pack or a zip.

    Parameters
    ----------
    path : Path
    jobs : int, threads
    tell : called with a file's name, and how many there are, when it was measured

    Returns
    -------
    Report

    Raises
    ------
    PackError : for what cannot be read, or is no build or pack
    """
    with opened(path) as contents:
        name = f"{contents.kit.get('name', path.name)} {contents.kit.get('version', '')}".strip()
        files = len(contents.files)
        if contents.found:
            notes = ("its sounds were not decoded and measured, since something else differs already",)
            return Report(contents.kind, name, tuple(contents.found), files, 0, notes)
        found = _listened(contents, jobs, tell)
        return Report(contents.kind, name, tuple(found), files, len(contents.claims))


def _listened(contents: Contents, jobs: int, tell: Callable[[str, int], None]) -> list[Difference]:
    """Decode every sound and measure it again, in threads; in the order of the manifest."""
    import scipy.fft  # noqa: F401  (now: of threads that load it at the same moment one gets half of it)

    claims = {str(place): claim for place, claim in enumerate(contents.claims)}
    errors: dict[str, Exception] = {}

    def work(key: str, _: object) -> list[Difference]:
        found = _one(contents, claims[key])
        tell(claims[key].listed, len(claims))
        return found

    results = in_order(list(claims), {}, work, jobs, errors.__setitem__)
    for error in errors.values():
        raise error
    return [one for key in claims for one in results[key]]


def _one(contents: Contents, claim: Claim) -> list[Difference]:
    """Decode and measure one file; what its claim makes impossible to measure is a difference too."""
    size = contents.tree.sizes[claim.file]
    if size > MOST_SOUND_BYTES:
        return [Difference(claim.listed, "size", f"at most {MOST_SOUND_BYTES} bytes", f"{size} bytes")]
    data, found = b"".join(contents.tree.chunks(claim.file)), list[Difference]()
    sound = decoded(data, claim, found)
    if claim.file.lower().endswith(".wav"):
        found += riff_differences(data, claim)
    del data
    return found if sound is None else found + _measured(sound, claim)


def _measured(sound: Sound, claim: Claim) -> list[Difference]:
    from kitfold.pack.verify.figures import figure_differences, held_differences

    try:
        return [*figure_differences(sound, claim), *held_differences(sound, claim)]
    except (KitfoldError, ValueError, OverflowError) as error:
        return [Difference(claim.listed, "figures", "ones that can be measured", str(error).splitlines()[0])]
