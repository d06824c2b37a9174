"""`kitfold watch`: build again whenever something is saved, with the sheet in a browser."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from functools import partial
from pathlib import Path
from typing import Any

import click

from kitfold.cli.build import Maker, show
from kitfold.cli.common import Voice, common_options, errors_json, jobs_option
from kitfold.cli.record import Standing, Wanted, inputs_of
from kitfold.cli.serve import Shown, served
from kitfold.errors import KitfoldError, PlanError
from kitfold.files import open_store
from kitfold.files.stamps import Seen, saw, still

__all__ = ["watch"]

_SETTLE_MS = 50  # a program saves in several writes: what comes within this is one change
_AWAY_S = 0.6  # a program that saves by moving the old file away has written the new one by then
_LOOK_MS = 1000  # how often to look all the same: some network disks tell nobody of changes


@click.command()
@click.argument("kit", type=click.Path(path_type=Path), metavar="KIT.toml")
@click.option("--out", type=click.Path(path_type=Path), default=Path("build"), metavar="DIR", help="Default: ./build")
@click.option("--device", multiple=True, metavar="NAME", help="Build for this device instead of the kit's; repeatable.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, metavar="N", help="Of the page, on this machine; default: free."
)
@jobs_option
@common_options
def watch(kit: Path, out: Path, device: tuple[str, ...], port: int, jobs: int | None, voice: Voice) -> int:
    """Build again whenever a source, the kit or a preset beside it is saved, and show the sheet; Ctrl-C ends it."""
    wanted = Wanted(kit, out, device)
    watcher = _Watcher(wanted, Maker(open_store(False, voice.say), jobs, voice), Shown())
    with served(watcher.shown, port) as address:
        voice.say(f"{address} shows the sheet and follows it; saving what {kit} is made from builds again; Ctrl-C ends")
        watcher.build(())
        for changed in _changes(watcher):
            watcher.build(changed)
    return 0


class _Watcher:
    """Builds, says what came of it, and knows which files to look at.

    Parameters
    ----------
    wanted : Wanted
    maker : Maker
    shown : Shown, what the browser sees
    """

    def __init__(self, wanted: Wanted, maker: Maker, shown: Shown) -> None:
        self.shown = shown
        self.files: dict[str, Seen] = {}
        self._wanted, self._maker, self._voice = wanted, maker, maker.voice
        self._sounds: dict[str, dict[str, str]] = {}
        self._first = True

    def build(self, changed: Sequence[str]) -> None:
        """Build once, after these files have changed; errors are said, and watching goes on."""
        _refuse_other_code()
        if self.shown.count:  # not the first time
            _wait_for(self._wanted.kit)
        self.look()
        started = time.perf_counter()
        built: list[Any] = []
        error: KitfoldError | None = None
        try:
            for one in self._maker.built(self._wanted, ()):
                built.append(one)  # noqa: PERF402  (what was built before an error counts)
        except KitfoldError as caught:
            there = self._wanted.kit.exists()
            if self._voice.debug or not self.files or not (there or self.shown.count):
                raise
            error = caught if there else _away(self._wanted.kit)
        self._tell(built, error, changed, time.perf_counter() - started)

    def look(self) -> None:
        """Look at every file that matters now, so that a change from here on is seen; of a broken kit, at the last."""
        from kitfold.plan.load import load_plan

        files = {os.path.abspath(self._wanted.kit), *self.files}
        with suppress(KitfoldError):
            plan = load_plan(self._wanted.kit, self._wanted.devices or None)
            self.files = inputs_of(plan, self._wanted.devices)
            return
        self.files = {path: saw(Path(path)) for path in sorted(files)}

    def changed(self) -> list[str]:
        """Return the files that are not as they were; of the others remember today's stamps."""
        now = {path: still(Path(path), seen) for path, seen in self.files.items()}
        self.files.update({path: seen for path, seen in now.items() if seen is not None})
        return [path for path, seen in now.items() if seen is None]

    def _tell(self, built: Sequence[Any], error: KitfoldError | None, changed: Sequence[str], seconds: float) -> None:
        poor = [line for one in built for line in _failing(one)]
        said = "\n".join(poor if error is None else [*poor, str(error)])
        self.shown.tell([one.folder for one in built] or None, said)
        names = [Path(path).name for path in changed]
        for one in built:
            new = self._new_sounds(one)
            if self._first:
                show(one, self._voice)
            what = f"made {', '.join(new)}" if new else "the slots are as they were, the rest was made again"
            what = "nothing changed" if isinstance(one, Standing) else what
            where = f"{one.folder.as_posix()}/"
            self._voice.text(f"{', '.join(names) or self._wanted.kit.name}: {where} in {seconds:.2f} s: {what}")
        for line in poor:
            self._voice.say(line)
        if error is not None:
            self._voice.complain(str(error))
        self._first = self._first and not built
        self._line(built, error, changed, seconds)

    def _line(self, built: Sequence[Any], error: KitfoldError | None, changed: Sequence[str], seconds: float) -> None:
        """With --json: one line a build."""
        if self._voice.as_json:
            folders = [str(one.folder) for one in built]
            value = {"changed": list(changed), "seconds": round(seconds, 3), "folders": folders}
            click.echo(json.dumps({**value, **({} if error is None else errors_json(error))}))

    def _new_sounds(self, one: Any) -> list[str]:
        """Return the names of the slots whose file is another than before."""
        now = {Path(slot["file"]).stem: slot["sha256"] for slot in one.entries["slots"]}
        before = self._sounds.get(str(one.folder), {})
        self._sounds[str(one.folder)] = now
        return [name for name, digest in now.items() if before.get(name) != digest]


def _refuse_other_code() -> None:
    """Refuse to go on where kitfold was edited or upgraded: half of it is loaded, and half would come from the new one.

    Raises
    ------
    PlanError : then
    """
    from kitfold.render.keys import code_has_changed

    if code_has_changed():
        raise PlanError("has changed since it was started", where="kitfold itself", hint="start kitfold watch again")


def _failing(one: Any) -> Iterator[str]:
    """Give a line for each check of a build that fails, as the table of `build` has it."""
    for check in one.entries["checks"] if one.failed else ():
        if check["result"] == "fail":
            about = f" of {', '.join(check['about'])}" if check["about"] else ""
            figure = f"{check['figure']:g} {check['unit']}, the limit is {check['limit']:g}"
            yield f"{one.folder.name}: the check {check['check']}{about} fails: {figure}; {check['advice']}"


def _wait_for(kit: Path) -> None:
    """Wait a moment for a kit that is away: some programs save by moving the old file away and writing a new one."""
    until = time.monotonic() + _AWAY_S
    while not kit.exists() and time.monotonic() < until:
        time.sleep(_SETTLE_MS / 1000)


def _away(kit: Path) -> PlanError:
    return PlanError("is not there any more", where=kit.as_posix(), hint="put it back, and it is built; Ctrl-C ends")


def _changes(watcher: _Watcher) -> Iterator[list[str]]:
    """Give the files that were saved, each time some were; the system's notice only says when to look."""
    from watchfiles import watch as notices

    while True:
        folders = _folders(watcher.files)
        notice = partial(notices, *folders, watch_filter=None, recursive=False, step=_SETTLE_MS)
        with closing(notice(rust_timeout=_LOOK_MS, yield_on_timeout=True)) as noticed:
            for _ in noticed:
                if changed := watcher.changed():
                    yield changed
                if _folders(watcher.files) != folders:
                    break


def _folders(files: Sequence[str] | dict[str, Seen]) -> list[str]:
    """Return the folders that hold these files: programs save by renaming, which only the folder tells."""
    return sorted({folder for path in files if os.path.isdir(folder := os.path.dirname(path))})
