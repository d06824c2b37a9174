"""`kitfold build`: kits into folders."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options, errors_json, jobs_option
from kitfold.cli.inputs import load_kit
from kitfold.errors import KitfoldError, PlanError
from kitfold.files import Contents, Store, open_store

if TYPE_CHECKING:
    from kitfold.cli.record import Standing, Wanted
    from kitfold.files.stamps import Seen
    from kitfold.pack.built import Built
    from kitfold.plan.plan import Plan
    from kitfold.render.crew import Crew

__all__ = ["Maker", "build", "show"]


@dataclass(frozen=True)
class Maker:
    """Builds kits: how, and how it speaks of it.

    Parameters
    ----------
    store : Store, what earlier builds have left
    jobs : int or None, threads
    voice : Voice
    crew : Crew or None, who does the work; by default this process
    """

    store: Store
    jobs: int | None
    voice: Voice
    crew: Crew | None = None

    def built(self, wanted: Wanted, taken: Collection[Path]) -> Iterator[Built]:
        """Build one kit for each of its devices, one after the other; what is as it was is left alone.

        Parameters
        ----------
        wanted : Wanted
        taken : folders that must not be replaced

        Raises
        ------
        KitfoldError : with everything that went wrong; what could be built is built
        """
        from kitfold.cli.record import inputs_of

        if same := self._standing(wanted):
            _refuse_taken(wanted.kit, {one.folder for one in same} & set(taken))
            yield from same
            return
        plan = load_kit(wanted.kit, wanted.devices or None)
        folders = [wanted.out / f"{plan.kit.name}-{device.name}" for device in plan.devices]
        _refuse_taken(wanted.kit, set(folders) & set(taken))
        with ExitStack() as turns:
            waited = [turns.enter_context(self._turn(folder)) for folder in sorted(folders)]
            if any(waited) and (same := self._standing(wanted)):
                yield from same
                return
            inputs = inputs_of(plan, wanted.devices)
            del plan  # it is read again, so that what was seen is what is built; two of a large kit need not be here
            yield from self._made(wanted, inputs)

    def _standing(self, wanted: Wanted) -> list[Standing] | None:
        """Return the builds of a kit where nothing has changed since, after what a killed one left was put right."""
        from kitfold.cli.record import standing

        return None if self.store.fresh else standing(wanted, self.store, self._recover)

    def _recover(self, folder: Path) -> None:
        from kitfold.files import recover

        if said := recover(folder):
            self.voice.say(said)

    @contextmanager
    def _turn(self, folder: Path) -> Iterator[bool]:
        """Wait until no other kitfold builds into a folder; give whether that took a wait."""
        from kitfold.render.keys import key_of

        waited: list[bool] = []

        def wait() -> None:
            waited.append(True)
            self.voice.say(f"{folder.as_posix()}/ is being built by another kitfold: waiting for it to end")

        with self.store.turn(key_of("turn", os.path.realpath(folder)), wait):
            yield bool(waited)

    def _made(self, wanted: Wanted, inputs: Mapping[str, Seen]) -> Iterator[Built]:
        from kitfold.cli.record import keep
        from kitfold.pack.build import build_folder

        plan = load_kit(wanted.kit, wanted.devices or None)
        for device in plan.devices:
            self._recover(build_folder(wanted.out, plan, device))
        done = []
        for one in self._devices(plan, wanted.out):
            done.append(one)
            yield one
            for name in one.kept:
                self.voice.say(f"{one.folder.as_posix()}/{name} is not of the build: it was left there")
        for line in plan.said():
            self.voice.say(f"{plan.kit.name}: {line}")
        keep(wanted, inputs, done, self.store)

    def _devices(self, plan: Plan, out: Path) -> Iterator[Built]:
        from kitfold.pack.build import write_build
        from kitfold.pack.kit import pack_kit
        from kitfold.render.jobs import default_jobs
        from kitfold.render.masters import render_masters

        jobs, count = self.jobs or default_jobs(), len(plan.sounds)
        threads = self.crew.threads if self.crew else jobs
        with self.voice.progress(f"{plan.kit.name}: sounds") as done:
            masters = render_masters(plan, threads, _counting(done, count), self.store, self.crew)
        Thread(target=_page_in_hand, daemon=True).start()
        errors: list[KitfoldError] = []
        for device in plan.devices:
            try:
                with self.voice.progress(f"{plan.kit.name}: {device.name}") as done:
                    packed = pack_kit(plan, device, masters, jobs, _counting(done, count), self.store, self.crew)
                    yield write_build(plan, packed, masters, out, partial(_sheet, jobs, self.store), jobs, self.store)
            except KitfoldError as error:
                errors.append(error)  # the other devices are built all the same
        if errors:
            worst = max(errors, key=lambda one: one.exit_code)
            raise type(worst)(mistake for error in errors for mistake in error.mistakes)


@click.command()
@click.argument("kits", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="KIT.toml...")
@click.option("--out", type=click.Path(path_type=Path), default=Path("build"), metavar="DIR", help="Default: ./build")
@click.option("--device", multiple=True, metavar="NAME", help="Build for this device instead of the kit's; repeatable.")
@click.option("--fresh", is_flag=True, help="Make everything anew, and keep it in the cache.")
@click.option("--cluster", metavar="ADDRESS", help="Let the workers of this Dask scheduler do the work on sounds.")
@jobs_option
@common_options
def build(
    kits: tuple[Path, ...],
    out: Path,
    device: tuple[str, ...],
    fresh: bool,
    cluster: str | None,
    jobs: int | None,
    voice: Voice,
) -> int:
    """Build kits, each into ./build/NAME-DEVICE/: slots, masters and a manifest that proves what it says."""
    with _crew(cluster, jobs, voice) as crew:
        return _build_all(kits, out, device, Maker(open_store(fresh, voice.say), jobs, voice, crew))


@contextmanager
def _crew(cluster: str | None, jobs: int | None, voice: Voice) -> Iterator[Crew | None]:
    """Give the workers of a cluster, where one was named."""
    if cluster is None:
        yield None
        return
    from kitfold.render.crew import crew_at

    with crew_at(cluster, jobs, voice.say) as crew:
        yield crew


def _build_all(kits: tuple[Path, ...], out: Path, device: tuple[str, ...], maker: Maker) -> int:
    from kitfold.cli.record import Wanted

    voice = maker.voice
    worst = 0
    taken: set[Path] = set()
    results: list[dict[str, object]] = []
    for kit in kits:
        try:
            for one in maker.built(Wanted(kit, out, device), frozenset(taken)):
                taken.add(one.folder)
                if voice.as_json:  # of many kits nothing is kept that nobody will read
                    results.append(_as_json(one))
                worst = max(worst, int(one.failed))
                show(one, voice)
        except KitfoldError as error:
            if voice.debug:
                raise
            voice.complain(str(error))
            results.append({"kit": str(kit), **errors_json(error)})
            worst = max(worst, error.exit_code)
    voice.result(results)
    return worst


def show(one: Built, voice: Voice) -> None:
    """Show a build as a table, and say whether it is an earlier one that still holds."""
    if voice.as_json or voice.quiet:
        return
    from kitfold.cli.record import Standing
    from kitfold.cli.show import build_table

    voice.show(*build_table(one.folder, one.entries))
    if isinstance(one, Standing):
        voice.text(f"nothing changed: {one.folder.as_posix()}/ is as it was")


def _refuse_taken(kit: Path, twice: Collection[Path]) -> None:
    """Refuse a kit that would replace what the same command has just built."""
    if twice:
        folder = min(twice).as_posix()
        what = f"would be built into {folder}/, where an earlier kit of this command is"
        raise PlanError(what, where=f"{kit.as_posix()}: kit.name", hint="give the kits different names")


def _page_in_hand() -> None:
    """Read the page's template while libraries work on sounds; whoever needs it finds it, or reads it again."""
    from kitfold.sheet import page_template

    page_template()


def _sheet(
    jobs: int, store: Store, entries: Mapping[str, Any], files: Mapping[str, bytes]
) -> Iterator[tuple[str, Contents]]:
    """Make the kit sheet of a build, and the sounds beside it where there are many."""
    from kitfold.sheet import sheet_parts

    return sheet_parts(entries, files, jobs=jobs, store=store)


def _counting(done: Callable[[str, int], None], count: int) -> Callable[[str], None]:
    return lambda name: done(name, count)


def _as_json(one: Built) -> dict[str, object]:
    return {"folder": str(one.folder), "manifest": one.entries}
