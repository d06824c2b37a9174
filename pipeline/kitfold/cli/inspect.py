"""`kitfold inspect`: the figures of sounds."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from kitfold.cli.common import Voice, common_options, jobs_option
from kitfold.errors import KitfoldError

if TYPE_CHECKING:
    from rich.table import Table

    from kitfold.measure.portrait import Portrait
    from kitfold.measure.root import Root

__all__ = ["inspect", "shown_root"]

_LIKELY_TOO = 0.1  # a second reading of at least this confidence is worth a footnote
_LOUD_FLOOR_DB = -60.0  # noise above this is heard when the sound dies away
_COLUMNS = (
    "sound", "root", "sure\n%", "length\ns", "lead\ns", "attack\ns", "held\ns", "tail\ns", "loud\nLUFS", "peak\ndBTP",
    "centre\nHz", "L/R", "mono\nLU",
)  # fmt: skip


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@jobs_option
@common_options
def inspect(files: tuple[Path, ...], jobs: int | None, voice: Voice) -> int:
    """Measure sounds: root, level, length, tail, brightness, stereo.

    A FILE may be a folder: then the sound files in it are measured. Held is the time until a sound is 12 dB under its
    loudest 400 ms, tail until it is 60 dB under its loudest, both from the attack; centre is the middle of its power in
    frequency; mono is what the best way of mixing it to mono loses.
    """
    from kitfold.render.jobs import default_jobs
    from kitfold.starter.survey import portraits

    paths, lost = _paths(files)
    results: list[tuple[Path, Portrait | KitfoldError]] = [*lost]
    with voice.progress("measuring") as done:
        results += portraits(paths, jobs or default_jobs(), lambda name: done(name, len(paths)))
    voice.result([_as_json(path, result) for path, result in results])
    measured = [(path, result) for path, result in results if not isinstance(result, KitfoldError)]
    if measured:
        voice.show(_table(measured), *_footnotes(measured))
    errors = [result for _, result in results if isinstance(result, KitfoldError)]
    for error in errors:
        if not voice.as_json:
            voice.complain(str(error))
    return 2 if errors else 0


def _paths(files: Iterable[Path]) -> tuple[list[Path], list[tuple[Path, KitfoldError]]]:
    """Put the sound files of folders in their place; return folders that have none, or cannot be listed, and why."""
    from kitfold.errors import SoundFileError
    from kitfold.starter.survey import sound_files

    paths: list[Path] = []
    lost: list[tuple[Path, KitfoldError]] = []
    for path in files:
        try:
            found = sound_files(path) if path.is_dir() else [path]
        except KitfoldError as error:
            lost.append((path, error))
            continue
        if not found:
            none = SoundFileError("has no sound files in it", where=str(path), hint="name a folder that has some")
            lost.append((path, none))
        paths += found
    return paths, lost


def _as_json(path: Path, result: Portrait | KitfoldError) -> dict[str, Any]:
    if isinstance(result, KitfoldError):
        return {"path": str(path), "ok": False, "error": str(result)}
    return {"path": str(path), "ok": True, "error": None, **result.to_json()}


def _table(measured: list[tuple[Path, Portrait]]) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), collapse_padding=True)
    for column in _COLUMNS:
        left = column in ("sound", "root")
        justify: Literal["left", "right"] = "left" if left else "right"
        table.add_column(column, justify=justify, no_wrap=column != "sound", overflow="fold")
    for path, figures in measured:
        table.add_row(Text(_printable(path.name)), *_cells(figures))
    return table


def _cells(figures: Portrait) -> list[str]:
    return [
        shown_root(figures.root),
        f"{100 * figures.root.confidence:.0f}",
        f"{figures.seconds:.2f}",
        f"{figures.lead_s:.2f}",
        f"{figures.attack_s:.2f}",
        f"{figures.held_s:.2f}",
        f"{figures.tail_s:.2f}",
        _number(figures.lufs),
        _number(figures.true_peak_db),
        f"{figures.brightness_hz:.0f}",
        f"{figures.correlation:+.2f}" if figures.channels == 2 else "mono",
        _number(figures.fold_loss_lu) if figures.channels == 2 else "",
    ]


def shown_root(root: Root) -> str:
    """Show a root: ``D3 -17 c``; a reading that cannot be relied on as a question."""
    if root.hz is None:
        return "—"
    return f"{root.note} {root.cents:+.0f} c" if root.pitched else f"—  (reads {root.note}?)"


def _number(value: float, places: int = 1) -> str:
    return f"{value:.{places}f}" if math.isfinite(value) else "—"


def _footnotes(measured: list[tuple[Path, Portrait]]) -> list[Any]:
    from rich.text import Text

    notes = []
    for path, figures in measured:
        root = figures.root
        said = [f"may also be {other.note} ({100 * other.confidence:.0f} %)"
                for other in root.alternatives if root.pitched and other.confidence >= _LIKELY_TOO]  # fmt: skip
        if root.pitched and abs(root.drift_cents) >= 5:
            said.append(f"drifts by {root.drift_cents:+.0f} c")
        if root.pitched and root.inharmonicity > 0:
            said.append(f"is stretched like a stiff string (B = {root.inharmonicity:.1e})")
        if math.isfinite(figures.fifth_db) and figures.fifth_db > -20:
            said.append(f"carries its fifth at {figures.fifth_db:.0f} dB")
        if figures.channels == 2 and figures.mid_loss_lu >= 1.5 * max(1.0, figures.fold_loss_lu):
            said.append(f"cancels in mono by {_number(figures.mid_loss_lu)} LU; its {figures.fold} side alone is safer")
        if figures.floor_db > _LOUD_FLOOR_DB:
            said.append(f"has noise at {figures.floor_db:.0f} dBFS under it")
        if said:
            notes.append(Text(f"{_printable(path.name)}: {'; '.join(said)}"))
    return notes


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text)
