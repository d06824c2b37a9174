"""Write a build: slots, masters and manifest into a folder that replaces the earlier one as a whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeAlias

from kitfold.errors import PackError
from kitfold.files import Contents, Store, WrittenFiles, file_name_problem, fresh_folder, master_bytes
from kitfold.files.maps import let_go
from kitfold.pack.built import Built
from kitfold.pack.checks import checks_of
from kitfold.pack.entries import manifest_of, slot_note
from kitfold.pack.entry_parts import written_entry
from kitfold.pack.kit import Packed
from kitfold.pack.listen import listen_parts
from kitfold.pack.manifest import Check, FileEntry, json_parts
from kitfold.pack.metadata import slot_chunks
from kitfold.pack.slot import Slot
from kitfold.pack.slots import stored_name
from kitfold.pack.strangers import bring_along
from kitfold.pack.transfer import transfer_files
from kitfold.pack.wav import device_file, takes_chunks
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.render.jobs import default_jobs
from kitfold.render.masters import Master
from kitfold.threads import allowed, at_once, one_place

__all__ = ["Extras", "build_folder", "slot_files", "write_build"]

_MANY_SLOTS = 256  # of so many the checks wait for the preview: both at once are what would fill the memory most

Extras: TypeAlias = Callable[[Mapping[str, Any], Mapping[str, bytes]], Iterable[tuple[str, Contents]]]
"""Makes more files of a build from its manifest, as JSON, and its files, one by one, by name relative to its folder."""


def build_folder(out: Path, plan: Plan, device: Device) -> Path:
    """Return where a kit's build for a device goes."""
    return out / f"{plan.kit.name}-{device.name}"


def write_build(
    plan: Plan,
    packed: Packed,
    masters: Mapping[str, Master],
    out: Path,
    extras: Extras | None = None,
    jobs: int | None = None,
    store: Store | None = None,
) -> Built:
    """Write everything beside the earlier build, then swap it in; what a user has put into the earlier one stays.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    masters : mapping of Master, by name
    out : Path, the folder that holds builds
    extras : makes what is made from all the rest (pages); called with the manifest so far and every file of the build,
        each read when it is asked for
    jobs : int or None, threads; None: as many as there are processors
    store : Store or None, where results are kept from build to build; what is written is the same with and without

    Raises
    ------
    PackError : where the disk refuses, the device file's pattern gives names that cannot be, or a file would replace
        one of the user's own; the earlier build stays
    """
    let_go()
    slots = slot_files(plan, packed)
    folder, threads = build_folder(out, plan, packed.device), jobs or default_jobs()
    with fresh_folder(folder) as new:
        files = WrittenFiles(new)
        stored = _written(files, slots)
        others, checks = _others_and_checks(plan, packed, masters, files, threads, store)
        entries = manifest_of(plan, packed, stored, others, checks).as_json()  # a large one is in memory but once
        if extras is not None:
            more = _written(files, extras(entries, files))
            entries["files"] += [one.as_json() for one in more]
        files.write("manifest.json", json_parts(entries))
        kept = bring_along(folder, new)
    return Built(folder, entries, kept)


def _others_and_checks(
    plan: Plan, packed: Packed, masters: Mapping[str, Master], files: WrittenFiles, jobs: int, store: Store | None
) -> tuple[list[FileEntry], list[Check]]:
    """Write everything beside the slots (masters, preview, transfer take), and check the kit meanwhile."""
    checks: list[Check] = []

    def listen() -> list[FileEntry]:
        return _written(files, listen_parts(plan, packed, masters, jobs, store))

    def check() -> list[FileEntry]:
        checks.extend(checks_of(plan, packed, store))
        return []

    def transfer() -> list[FileEntry]:
        return _written(files, transfer_files(plan, packed, masters).items())

    def own() -> list[FileEntry]:
        return _written(files, map(_master_file, masters.items()))

    works = [listen, check, transfer, own]  # the longest first
    rounds = [works[:1], works[1:]] if len(packed.slots) > _MANY_SLOTS else [works]
    done: list[list[FileEntry]] = []
    with allowed(jobs), one_place():
        for one_round in rounds:
            done += at_once(lambda work: work(), one_round)
            let_go()
    heard, _, sent, made = done
    return [*made, *heard, *sent], checks


def _master_file(named: tuple[str, Master]) -> tuple[str, bytes]:
    name, master = named
    let_go(master.sound.samples.nbytes)
    return f"masters/{name}.wav", master_bytes(master.sound)


def _written(files: WrittenFiles, made: Iterable[tuple[str, Contents]]) -> list[FileEntry]:
    """Write files one after the other, none kept, and return what the manifest says of them."""
    return [written_entry(file, files.write(file, contents)) for file, contents in made]


def slot_files(plan: Plan, packed: Packed, folder: str = "slots/") -> Iterator[tuple[str, bytes]]:
    """Give every slot as its device stores it, named by the device file; each is made when it is asked for.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    folder : str, put in front of each name: empty, or ending in a slash

    Raises
    ------
    PackError : where the device file's pattern gives names that cannot be
    """
    names = [_file_name(slot, plan, packed.device) for slot in packed.slots]
    _refuse_bad_names(names, packed.device)
    return (
        (f"{folder}{name}", _data_of(slot, name, plan, packed.device))
        for slot, name in zip(packed.slots, names, strict=True)
    )


def _file_name(slot: Slot, plan: Plan, device: Device) -> str:
    note = (slot_note(slot, plan) or "none").replace("#", "s")  # a sharp is no letter for a file name
    return device.file_for(slot.slot, stored_name(slot.part.name, slot.part.root), note, plan.kit.name)


def _data_of(slot: Slot, name: str, plan: Plan, device: Device) -> bytes:
    let_go(slot.stored.codes.nbytes)
    chunks = slot_chunks(slot, plan, device.wav_chunks) if takes_chunks(name) else []
    return device_file(name, slot.stored, chunks)


def _refuse_bad_names(names: Sequence[str], device: Device) -> None:
    """Refuse two slots in one file, and names that some file system cannot hold."""
    twice = [name for name, count in Counter(name.lower() for name in names).items() if count > 1]
    if twice:
        raise PackError(
            f"gives two slots the same file {twice[0]!r}",
            where=f"{device.name}.toml: file_name",
            hint="put {slot} into the pattern",
        )
    for name in names:
        for part in name.split("/"):
            if problem := file_name_problem(part):
                raise PackError(
                    f"{part!r} {problem}", where=f"{device.name}.toml: file_name", hint="change the pattern"
                )
