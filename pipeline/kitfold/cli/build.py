"""`kitfold build`: kits into folders."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitfold.cli.common import Voice, common_options, errors_json, jobs_option
from kitfold.cli.inputs import load_kit
from kitfold.errors import KitfoldError, PlanError

if TYPE_CHECKING:
    from kitfold.pack.build import Built
    from kitfold.pack.manifest import Manifest

__all__ = ["build"]


@click.command()
@click.argument("kits", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="KIT.toml...")
@click.option("--out", type=click.Path(path_type=Path), default=Path("build"), metavar="DIR", help="Default: ./build")
@click.option("--device", multiple=True, metavar="NAME", help="Build for this device instead of the kit's; repeatable.")
@click.option("--fresh", is_flag=True, help="Use no cache.")
@jobs_option
@common_options
def build(
    kits: tuple[Path, ...], out: Path, device: tuple[str, ...], fresh: bool, jobs: int | None, voice: Voice
) -> int:
    """Build kits, each into ./build/NAME-DEVICE/: slots, masters and a manifest that proves what it says."""
    del fresh  # there is no cache to pass over yet: every build is fresh
    worst = 0
    built: list[Built] = []
    results: list[dict[str, object]] = []
    for kit in kits:
        try:
            for one in _built(kit, out, device, jobs, voice, {other.folder for other in built}):
                built.append(one)
                results.append(_as_json(one))
                worst = max(worst, int(one.failed))
        except KitfoldError as error:
            if voice.debug:
                raise
            voice.complain(str(error))
            results.append({"kit": str(kit), **errors_json(error)})
            worst = max(worst, error.exit_code)
    voice.result(results)
    return worst


def _built(
    kit: Path, out: Path, devices: tuple[str, ...], jobs: int | None, voice: Voice, taken: Collection[Path]
) -> Iterable[Built]:
    """Build one kit for each of its devices, one after the other."""
    from kitfold.cli.show import build_table
    from kitfold.files import recover
    from kitfold.pack.build import build_folder, write_build
    from kitfold.pack.kit import pack_kit
    from kitfold.render.jobs import default_jobs
    from kitfold.render.masters import render_masters

    plan = load_kit(kit, devices or None)
    _refuse_taken(kit, {build_folder(out, plan, device) for device in plan.devices} & set(taken))
    for device in plan.devices:
        if said := recover(build_folder(out, plan, device)):
            voice.say(said)
    threads, count = jobs or default_jobs(), len(plan.sounds)
    with voice.progress(f"{plan.kit.name}: sounds") as done:
        masters = render_masters(plan, threads, _counting(done, count))
    errors: list[KitfoldError] = []
    for device in plan.devices:
        try:
            with voice.progress(f"{plan.kit.name}: {device.name}") as done:
                packed = pack_kit(plan, device, masters, threads, _counting(done, count))
                one = write_build(plan, packed, masters, out, _sheet)
        except KitfoldError as error:
            errors.append(error)  # the other devices are built all the same
            continue
        voice.show(*build_table(one))
        yield one
    if errors:
        worst = max(errors, key=lambda one: one.exit_code)
        raise type(worst)(mistake for error in errors for mistake in error.mistakes)


def _refuse_taken(kit: Path, twice: Collection[Path]) -> None:
    """Refuse a kit that would replace what the same command has just built."""
    if twice:
        folder = min(twice).as_posix()
        what = f"would be built into {folder}/, where an earlier kit of this command is"
        raise PlanError(what, where=f"{kit.as_posix()}: kit.name", hint="give the kits different names")


def _sheet(manifest: Manifest, files: Mapping[str, bytes]) -> Mapping[str, bytes]:
    """Make the kit sheet of a build."""
    from kitfold.sheet import sheet_files

    return sheet_files(manifest.model_dump(mode="json", by_alias=True), files)


def _counting(done: Callable[[str, int], None], count: int) -> Callable[[str], None]:
    return lambda name: done(name, count)


def _as_json(one: Built) -> dict[str, object]:
    return {"folder": str(one.folder), "manifest": one.manifest.model_dump(mode="json", by_alias=True)}
