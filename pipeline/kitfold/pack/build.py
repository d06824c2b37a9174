"""Write a build: slots, masters and manifest into a folder that replaces the earlier one as a whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from kitfold.errors import PackError
from kitfold.files import file_name_problem, fresh_folder, master_bytes, write_bytes
from kitfold.pack.checks import checks_of
from kitfold.pack.entries import SlotFile, manifest_of, slot_note
from kitfold.pack.entry_parts import file_entry
from kitfold.pack.kit import Packed
from kitfold.pack.listen import listen_files
from kitfold.pack.manifest import Manifest, manifest_text
from kitfold.pack.metadata import slot_chunks
from kitfold.pack.slots import stored_name
from kitfold.pack.transfer import transfer_files
from kitfold.pack.wav import device_file, takes_chunks
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.render.masters import Master

__all__ = ["Built", "Extras", "build_folder", "slot_files", "write_build"]


Extras: TypeAlias = Callable[[Manifest, Mapping[str, bytes]], Mapping[str, bytes]]
"""Makes more files of a build from its manifest and its files, by name relative to the build folder."""


@dataclass(frozen=True)
class Built:
    """A build on disk.

    Parameters
    ----------
    folder : Path
    manifest : Manifest
    """

    folder: Path
    manifest: Manifest

    @property
    def failed(self) -> bool:
        """Whether a check fails."""
        return any(check.result == "fail" for check in self.manifest.checks)


def build_folder(out: Path, plan: Plan, device: Device) -> Path:
    """Return where a kit's build for a device goes."""
    return out / f"{plan.kit.name}-{device.name}"


def write_build(
    plan: Plan, packed: Packed, masters: Mapping[str, Master], out: Path, extras: Extras | None = None
) -> Built:
    """Write everything beside the earlier build, then swap it in.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    masters : mapping of Master, by name
    out : Path, the folder that holds builds
    extras : makes what is made from all the rest (pages); called with the manifest so far and every file of the build

    Raises
    ------
    PackError : where the disk refuses, or the device file's pattern gives names that cannot be; the earlier build stays
    """
    slots = slot_files(plan, packed)
    folder = build_folder(out, plan, packed.device)
    with fresh_folder(folder) as new:
        others = []
        files = {slot.name: slot.data for slot in slots}
        for file, data in _other_files(plan, packed, masters):
            write_bytes(new / file, data)
            others.append(file_entry(file, data))
            files[file] = data
        for slot in slots:
            write_bytes(new / slot.name, slot.data)
        manifest = manifest_of(plan, packed, slots, others, checks_of(plan, packed))
        if extras is not None:
            made = extras(manifest, files)
            for file, data in made.items():
                write_bytes(new / file, data)
            more = [file_entry(file, data) for file, data in made.items()]
            manifest = manifest.model_copy(update={"files": [*manifest.files, *more]})
        write_bytes(new / "manifest.json", manifest_text(manifest).encode())
    return Built(folder, manifest)


def _other_files(plan: Plan, packed: Packed, masters: Mapping[str, Master]) -> Iterator[tuple[str, bytes]]:
    """Give everything beside the slots, one after the other: masters, preview, transfer take."""
    for name, master in masters.items():
        yield f"masters/{name}.wav", master_bytes(master.sound)
    yield from listen_files(plan, packed, masters).items()
    yield from transfer_files(plan, packed, masters).items()


def slot_files(plan: Plan, packed: Packed, folder: str = "slots/") -> list[SlotFile]:
    """Return every slot as its device stores it, named by the device file.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    folder : str, put in front of each name: empty, or ending in a slash

    Raises
    ------
    PackError : where the device file's pattern gives names that cannot be
    """
    files = []
    for slot in packed.slots:
        name = stored_name(slot.part.name, slot.part.root)
        note = (slot_note(slot, plan) or "none").replace("#", "s")  # a sharp is no letter for a file name
        file = packed.device.file_for(slot.slot, name, note, plan.kit.name)
        chunks = slot_chunks(slot, plan, packed.device.wav_chunks) if takes_chunks(file) else []
        files.append(SlotFile(f"{folder}{file}", device_file(file, slot.stored, chunks)))
    _refuse_bad_names(files, packed.device)
    return files


def _refuse_bad_names(files: Sequence[SlotFile], device: Device) -> None:
    """Refuse two slots in one file, and names that some file system cannot hold."""
    twice = [name for name, count in Counter(file.name.lower() for file in files).items() if count > 1]
    if twice:
        raise PackError(
            f"gives two slots the same file {twice[0]!r}",
            where=f"{device.name}.toml: file_name",
            hint="put {slot} into the pattern",
        )
    for file in files:
        for part in file.name.split("/"):
            if problem := file_name_problem(part):
                raise PackError(
                    f"{part!r} {problem}", where=f"{device.name}.toml: file_name", hint="change the pattern"
                )
