"""A build or a pack opened for checking: its files, its manifests, and what is wrong before a sound is looked at.

The cheap comes first, so that a pack that was changed is told apart in the time that hashing it takes: the zip's own
form, names, hashes, SHA256SUMS, schema, sums, licences. Nothing is written to disk, no large file is held in memory.

Limits: 65 535 files and 4 GiB (what such a zip can hold), folders 16 deep, paths of 200 characters, 16 MiB for a
manifest; nothing is decompressed, and entries that would take more than the file has are not read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from kitfold.errors import PackError
from kitfold.files.archive_read import Archive
from kitfold.files.tree import Flaw, FolderTree, Tree
from kitfold.pack.manifest import SCHEMA, FileEntry, Manifest
from kitfold.pack.publish.manifest import PACK_SCHEMA, Edition, PackManifest
from kitfold.pack.publish.tables import sounds_csv
from kitfold.pack.verify.agree import (
    edition_differences,
    hold_differences,
    name_differences,
    note_differences,
)
from kitfold.pack.verify.canonical import crc_difference, layout_differences
from kitfold.pack.verify.claims import (
    Claim,
    build_differences,
    claims_of_build,
    claims_of_pack,
    licence_differences,
    plain_differences,
)
from kitfold.pack.verify.difference import Difference, from_flaws
from kitfold.pack.verify.listing import MANIFEST, SUMS, Hashed, hashed, listing_differences, sums_differences
from kitfold.pack.verify.paths import path_differences
from kitfold.pack.verify.reading import json_table, model_of, small_file

__all__ = ["Contents", "Kind", "opened"]

Kind = Literal["build", "pack", "zip"]
_TABLE = "manifest.csv"


@dataclass
class Contents:
    """What was opened.

    Parameters
    ----------
    kind : ``build``, ``pack`` (an unpacked one) or ``zip``
    tree : Tree, its files, relative to its top folder
    top : str, the name of the top folder of a zip
    found : list of Difference, so far
    files : dict of Hashed, by name
    build : Manifest or None, of a build
    pack : PackManifest or None, of a pack
    editions : dict of Manifest, by folder: the device editions of a pack
    claims : list of Claim, of every sound file
    """

    kind: Kind
    tree: Tree
    top: str = ""
    found: list[Difference] = field(default_factory=list)
    files: dict[str, Hashed] = field(default_factory=dict)
    build: Manifest | None = None
    pack: PackManifest | None = None
    editions: dict[str, Manifest] = field(default_factory=dict)
    claims: list[Claim] = field(default_factory=list)

    @property
    def kit(self) -> Mapping[str, Any]:
        """The table `kit` of the manifest; empty where there is none that can be read."""
        manifest = self.build or self.pack
        return {} if manifest is None else manifest.kit


class _Below:
    """The files of a tree below one folder, named from there."""

    def __init__(self, tree: Tree, folder: str) -> None:
        self._tree, self._prefix = tree, f"{folder}/"
        self.where = tree.where
        self.sizes = {
            name.removeprefix(self._prefix): size for name, size in tree.sizes.items() if name.startswith(self._prefix)
        }

    @property
    def flaws(self) -> tuple[Flaw, ...]:
        return self._tree.flaws

    def chunks(self, name: str) -> Iterator[bytes]:
        return self._tree.chunks(self._prefix + name)


@contextmanager
def opened(path: Path) -> Iterator[Contents]:
    """Open a build, an unpacked pack or a zip, and check all of it but its sounds.

    Parameters
    ----------
    path : Path

    Yields
    ------
    Contents

    Raises
    ------
    PackError : for what cannot be read, or is no build or pack
    """
    if path.is_dir():
        yield _of_folder(path)
        return
    with Archive(path) as archive:
        yield _of_zip(archive)


def _of_folder(folder: Path) -> Contents:
    if not any((folder / name).is_file() for name in (MANIFEST, SUMS)):
        hint = "name a folder that `kitfold build` wrote, or an unpacked pack"
        raise PackError(f"is no build and no pack: there is no {MANIFEST} in it", where=str(folder), hint=hint)
    tree = FolderTree(folder)
    contents = Contents("build", tree, found=from_flaws(tree.flaws))
    contents.found += path_differences(tree.sizes)
    _read_manifest(contents)
    if contents.build is None:
        contents.kind = "pack"
    _check_files(contents)
    return contents


def _of_zip(archive: Archive) -> Contents:
    names = [member.name for member in archive.members]
    top = Counter(name.split("/")[0] for name in names if "/" in name).most_common(1)
    folder = top[0][0] if top else ""
    tree = _Below(archive, folder)
    if not {f"{folder}/{MANIFEST}", f"{folder}/{SUMS}"} & set(names):
        what = f"is no pack: there is no NAME-VERSION/{MANIFEST} in it"
        raise PackError(what, where=archive.where, hint="name a zip that `kitfold publish` wrote")
    contents = Contents("zip", tree, folder, found=from_flaws(archive.flaws))
    contents.found += [*layout_differences(archive), *path_differences(names)]
    outside = [name for name in names if not name.startswith(f"{folder}/")]
    contents.found += [Difference(name, "place", f"in the folder {folder}/", "outside") for name in outside]
    if archive.claimed_bytes > archive.bytes:
        return contents  # reading what overlaps could take for ever
    for name in archive.sizes:
        one = hashed(archive, name)
        contents.found += crc_difference(archive.member(name), one.crc)
        contents.files[name.removeprefix(f"{folder}/")] = one
    for name in outside:
        contents.files.pop(name, None)
    _read_manifest(contents)
    if contents.build is not None:
        raise PackError("is a zip of a build, not a pack", where=archive.where, hint="unpack it, and name the folder")
    _check_files(contents)
    expected = _top_folder(contents)
    if expected is not None and expected != folder:
        contents.found.append(Difference(MANIFEST, "top folder", expected, folder))
    return contents


def _top_folder(contents: Contents) -> str | None:
    kit = contents.kit
    return f"{kit.get('name')}-{kit.get('version')}" if contents.pack is not None else None


def _read_manifest(contents: Contents) -> None:
    """Read the manifest as its schema says; a schema that is not ours is no difference but another thing altogether."""
    found = contents.found
    data = small_file(contents.tree, MANIFEST, found)
    table = None if data is None else json_table(data, MANIFEST, found)
    if table is None:
        return
    schema = table.get("schema")
    if schema == SCHEMA:
        contents.build = model_of(Manifest, table, MANIFEST, found)
    elif schema == PACK_SCHEMA:
        contents.pack = model_of(PackManifest, table, MANIFEST, found)
    elif found or (SUMS in contents.tree.sizes and not str(schema).startswith("kitfold-")):
        found.append(Difference(MANIFEST, "schema", f"{SCHEMA} or {PACK_SCHEMA}", repr(schema)))
    else:
        what = f"has a {MANIFEST} of schema {str(schema)[:60]!r}; this version knows {SCHEMA} and {PACK_SCHEMA}"
        raise PackError(what, where=contents.tree.where, hint="a newer kitfold may know it")


def _check_files(contents: Contents) -> None:
    """Compare the files with the lists, then everything that the manifests say without a sound being read."""
    pack, build = contents.pack, contents.build
    if build is not None:
        listed = [FileEntry(file=slot.file, sha256=slot.sha256, bytes=slot.bytes) for slot in build.slots]
        _check_list(contents, [*listed, *build.files], [MANIFEST])
        contents.found += [*build_differences(build, MANIFEST), *hold_differences(build)]
        contents.claims += claims_of_build(build)
    else:
        _check_list(contents, [] if pack is None else pack.files, [MANIFEST, SUMS])
        _check_sums(contents)
    if pack is not None:
        _check_pack(contents, pack)
    a4_hz = contents.kit.get("a4_hz", 440.0)
    a4_hz = a4_hz if isinstance(a4_hz, int | float) and 220 <= a4_hz <= 880 else 440.0
    for claim in contents.claims:
        contents.found += plain_differences(claim, a4_hz)
        contents.found += note_differences(claim.root, contents.kit, claim.listed)
    for file, count in Counter(claim.file for claim in contents.claims).items():
        if count > 1:
            contents.found.append(Difference(file, "sounds in it", "1", str(count)))


def _check_list(contents: Contents, listed: list[FileEntry], others: list[str]) -> None:
    there = contents.tree.sizes
    unknown = contents.build is None and contents.pack is None  # without a manifest all there is can be hashed only
    names = there if unknown else {entry.file for entry in listed} | {*others}
    for name in names:
        if name in there and name not in contents.files:
            contents.files[name] = hashed(contents.tree, name)
    if not unknown:
        flawed = {flaw.file for flaw in contents.tree.flaws}
        contents.found += listing_differences(listed, others, contents.files, there.keys() | flawed)


def _check_sums(contents: Contents) -> None:
    data = small_file(contents.tree, SUMS, [])
    if data is not None:
        contents.found += sums_differences(data, contents.files)


def _check_pack(contents: Contents, pack: PackManifest) -> None:
    contents.claims += claims_of_pack(pack)
    contents.found += name_differences(pack, MANIFEST)
    for sound in pack.sounds:
        _check_listed(contents, sound.file, sound.sha256, sound.bytes)
        _check_there(contents, sound.preview, f"preview of {sound.name}")
    _check_there(contents, pack.preview, "preview of the kit")
    for edition in pack.editions:
        _check_edition(contents, edition)
    contents.found += licence_differences(pack.kit, contents.claims, MANIFEST)
    table = small_file(contents.tree, _TABLE, contents.found)
    if table is not None and table != sounds_csv(pack.sounds).encode():
        contents.found.append(Difference(_TABLE, "rows", f"what {MANIFEST} says", "other figures"))


def _check_edition(contents: Contents, edition: Edition) -> None:
    """Read a device edition's own manifest; it must be of this kit, and list the files of its folder."""
    folder, file = edition.folder, edition.manifest
    found, pack = contents.found, contents.pack
    data = small_file(contents.tree, file, found)
    table = None if data is None else json_table(data, file, found)
    manifest = None if table is None else model_of(Manifest, table, file, found)
    if manifest is None or pack is None:
        return
    found += edition_differences(edition, manifest, pack)
    prefix = f"{folder}/"
    for slot in manifest.slots:
        _check_listed(contents, prefix + slot.file, slot.sha256, slot.bytes)
    for one in manifest.files:
        _check_listed(contents, prefix + one.file, one.sha256, one.bytes)
    known = {prefix + slot.file for slot in manifest.slots} | {prefix + one.file for one in manifest.files} | {file}
    for name in contents.tree.sizes:
        if name.startswith(prefix) and name not in known:
            found.append(Difference(name, "slot", f"one of {file}", "none"))
    found += [*build_differences(manifest, file), *hold_differences(manifest, prefix)]
    contents.editions[folder] = manifest
    contents.claims += claims_of_build(manifest, prefix)


def _check_listed(contents: Contents, name: str, sha256: str, size: int) -> None:
    """Compare what a sound's entry says of its file with the file."""
    one = contents.files.get(name)
    if one is None:
        _check_there(contents, name, "sound")
    elif (one.sha256, one.bytes) != (sha256, size):
        contents.found.append(Difference(name, "SHA-256 in the entry of its sound", sha256, one.sha256))


def _check_there(contents: Contents, name: str, what: str) -> None:
    if name not in contents.files:
        contents.found.append(Difference(name, what, "there", "missing"))
