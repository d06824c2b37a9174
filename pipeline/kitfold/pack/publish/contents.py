"""The contents of a pack: every file by its name, from masters and packed kits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files as package_files

from kitfold.errors import FitError, Mistake
from kitfold.files import Store
from kitfold.pack.build import slot_files
from kitfold.pack.checks import checks_of
from kitfold.pack.encode import mp3_of_file
from kitfold.pack.entries import manifest_of
from kitfold.pack.entry_parts import file_entry, kit_entry, made_with, song_entry
from kitfold.pack.kit import Packed
from kitfold.pack.listen import listen_files
from kitfold.pack.manifest import Check, manifest_text
from kitfold.pack.metadata import clock_and_key
from kitfold.pack.publish.full import Full, full_edition
from kitfold.pack.publish.manifest import PACK_SCHEMA, Edition, PackManifest, pack_text
from kitfold.pack.publish.names import device_folder, preview_file, refuse_bad_names, top_folder
from kitfold.pack.publish.original import original_files
from kitfold.pack.publish.readme import readme_text
from kitfold.pack.publish.rebuild import device_file_name, device_toml, rebuild_toml
from kitfold.pack.publish.tables import CHART_FILE, chart_csv, patterns_csv, sounds_csv
from kitfold.plan.plan import Plan
from kitfold.render.masters import Master

__all__ = ["Pack", "pack_of", "schema_text"]

_SONG_MASTER, _SONG_MIDI = "listen/song-master.wav", "listen/song.mid"


@dataclass(frozen=True, eq=False)
class Pack:
    """A pack in memory.

    Parameters
    ----------
    folder : str, the one folder that it unpacks into
    files : mapping, name relative to that folder to bytes
    manifest : PackManifest
    warnings : tuple of (device, Check), what a check warns of
    """

    folder: str
    files: Mapping[str, bytes]
    manifest: PackManifest
    warnings: tuple[tuple[str, Check], ...]

    @property
    def names(self) -> list[str]:
        """The names of its files in the zip."""
        return [f"{self.folder}/{name}" for name in self.files]

    def read(self, name: str) -> bytes:
        """Return a file by its name in the zip."""
        return self.files[name.removeprefix(f"{self.folder}/")]


def pack_of(
    plan: Plan,
    masters: Mapping[str, Master],
    packed: Sequence[Packed],
    devices: Sequence[str],
    jobs: int,
    tell: Callable[[str], None],
    store: Store | None = None,
) -> Pack:
    """Make every file of a pack; the same kit gives the same bytes on any number of jobs.

    Parameters
    ----------
    plan : Plan
    masters : mapping of Master, by name
    packed : sequence of Packed, one a device
    devices : the devices as the kit, or the command line, names them
    jobs : int, threads
    tell : called with a sound's name when its files are done
    store : Store or None, where results are kept; the pack is the same with and without

    Raises
    ------
    FitError : with every check that fails
    PackError : for names or sizes that cannot be
    """
    checks = [(one, checks_of(plan, one, store)) for one in packed]
    _refuse_failed(checks)
    top = top_folder(plan)
    full = full_edition(plan, masters, jobs, tell, store)
    files = _full_files(full)
    editions = []
    for one, its_checks in checks:
        edition, its_files = _device_edition(plan, one, its_checks)
        editions.append(edition)
        files |= its_files
    listen = listen_files(plan, packed[0], masters, jobs, store)
    files |= _song_files(plan, listen, full, top)
    files |= original_files(plan, devices)
    files |= _rebuild_files(plan, masters, full)
    manifest = PackManifest(
        schema=PACK_SCHEMA,
        made_with=made_with(),
        kit=kit_entry(plan),
        song=song_entry(plan),
        preview=preview_file(top),
        sounds=[one.entry for one in full.values()],
        editions=editions,
        files=[],
    )
    files["README.txt"] = readme_text(manifest, top, clock_and_key(plan)).encode()
    files["manifest.csv"] = sounds_csv(manifest.sounds).encode()
    files["manifest.schema.json"] = schema_text().encode()
    listed = [file_entry(name, files[name]) for name in sorted(files)]
    manifest = manifest.model_copy(update={"files": listed})
    files["manifest.json"] = pack_text(manifest).encode()
    files["SHA256SUMS"] = _sums(files).encode()
    refuse_bad_names(files, top)
    warnings = tuple((one.device.name, check) for one, some in checks for check in some if check.result == "warn")
    return Pack(top, files, manifest, warnings)


def schema_text() -> str:
    """Return the JSON Schema of a pack's manifest, as it ships."""
    return (package_files("kitfold.pack.publish") / "pack.schema.json").read_text("utf-8")


def _refuse_failed(checks: Sequence[tuple[Packed, Sequence[Check]]]) -> None:
    """Refuse a kit whose checks fail: what is published shall hold what it says."""
    mistakes = [_failed(one.device.name, check) for one, some in checks for check in some if check.result == "fail"]
    if mistakes:
        raise FitError(mistakes)


def _failed(device: str, check: Check) -> Mistake:
    about = f" of {', '.join(check.about)}" if check.about else ""
    what = f"fails: {check.figure:g} {check.unit}, the limit is {check.limit:g}; nothing was published"
    return Mistake(f"the check {check.check!r} on {device}{about}", what, check.advice)


def _full_files(full: Mapping[str, Full]) -> dict[str, bytes]:
    sounds = {one.entry.file: one.file for one in full.values()}
    return sounds | {one.entry.preview: one.preview for one in full.values()}


def _device_edition(plan: Plan, packed: Packed, checks: Sequence[Check]) -> tuple[Edition, dict[str, bytes]]:
    """Return a device edition: the slots as a build has them, and a manifest that counts from its own folder."""
    folder = device_folder(packed.device.name)
    slots = dict(slot_files(plan, packed, folder=""))
    manifest = manifest_of(plan, packed, [file_entry(*slot) for slot in slots.items()], [], checks)
    chart = chart_csv(manifest.slots).encode()
    manifest = manifest.model_copy(update={"files": [file_entry(CHART_FILE, chart)]})
    files = {f"{folder}/{name}": data for name, data in slots.items()} | {f"{folder}/{CHART_FILE}": chart}
    files[f"{folder}/manifest.json"] = manifest_text(manifest).encode()
    return Edition(device=packed.device.name, folder=folder, manifest=f"{folder}/manifest.json"), files


def _song_files(plan: Plan, listen: Mapping[str, bytes], full: Mapping[str, Full], top: str) -> dict[str, bytes]:
    """Return the song as sound, as MIDI and, where the kit has one, as a table."""
    files = {"song.mid": listen[_SONG_MIDI], preview_file(top): mp3_of_file(listen[_SONG_MASTER])}
    if plan.song.sections:
        roots = {name: one.note.pitch_class for name, one in full.items()}
        files["patterns.csv"] = patterns_csv(plan, roots).encode()
    return files


def _rebuild_files(plan: Plan, masters: Mapping[str, Master], full: Mapping[str, Full]) -> dict[str, bytes]:
    entries = {name: one.entry for name, one in full.items()}
    sounds = {name: master.sound for name, master in masters.items()}
    kit = {"kit.toml": rebuild_toml(plan, entries, sounds).encode()}
    return kit | {device_file_name(device): device_toml(device).encode() for device in plan.devices}


def _sums(files: Mapping[str, bytes]) -> str:
    """Return checksums as GNU sha256sum writes and reads them."""
    return "".join(f"{file_entry(name, files[name]).sha256}  {name}\n" for name in sorted(files))
