"""`kitfold init`: a starter kit for a folder of bounces, or the kit of a published pack."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options, jobs_option
from kitfold.errors import KitfoldError, PlanError, SoundFileError

if TYPE_CHECKING:
    from rich.table import Table

    from kitfold.plan.device import Device
    from kitfold.starter.proposal import Heard, Proposal, Wishes

__all__ = ["init", "quoted"]


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER|PACK.zip")
@click.option("--device", default=None, metavar="NAME", help="Default: the smallest that takes every sound whole.")
@click.option("--key", default=None, metavar="KEY", help="For instance 'D minor'; default: from the roots found.")
@click.option("--tempo", type=click.FloatRange(10, 400), default=None, metavar="BPM", help="Default: from file names.")
@click.option("--name", default=None, metavar="NAME", help="The kit's name; default: the folder's.")
@click.option("--force", is_flag=True, help="Overwrite a kit.toml that is there.")
@click.option("--out", type=click.Path(path_type=Path), default=None, metavar="DIR", help="For a pack; default: here.")
@jobs_option
@common_options
def init(
    folder: Path,
    device: str | None,
    key: str | None,
    tempo: float | None,
    name: str | None,
    force: bool,
    out: Path | None,
    jobs: int | None,
    voice: Voice,
) -> int:
    """Write a starter kit.toml for a folder of bounces: every sound measured, a recipe guessed, ready to build.

    Or unpack a published pack into ./NAME-VERSION/, checked, with the kit.toml that builds its device edition again.
    """
    if _is_pack(folder):
        from kitfold.cli.unpack import unpack

        _refuse_wishes(folder, {"--device": device, "--key": key, "--tempo": tempo, "--name": name, "--force": force})
        return unpack(folder, out or Path(), voice)
    if out is not None:
        what = "is for packs: the kit.toml of a folder of bounces stands among them"
        raise PlanError(what, where="--out", hint="leave it out")
    from kitfold.files import write_text
    from kitfold.starter.proposal import propose
    from kitfold.starter.write import kit_toml

    kit = folder / "kit.toml"
    paths = _sounds_in(folder)
    if kit.exists() and not force:
        raise PlanError("is there already, and is kept", where=str(kit), hint="--force overwrites it")
    wishes = _wishes(folder, device, key, tempo)
    called = _kit_name(folder, name)
    heard, unread = _listen(paths, jobs, voice)
    shipped = _shipped()
    proposal = propose(heard, wishes, shipped)
    text = kit_toml(
        proposal, called, shipped, device or proposal.device.name, [(path.name, why) for path, why in unread]
    )
    _check(folder, text)
    write_text(kit, text)
    voice.result(_as_json(kit, called, proposal, unread))
    voice.show(_table(proposal), *_summary(kit, proposal))
    for path, why in unread:
        voice.say(f"kitfold: {path.name}: {why}")
    return 0


def _is_pack(path: Path) -> bool:
    """Say whether a path is meant as a pack: a folder of that ending is a folder."""
    return path.suffix.lower() == ".zip" and not path.is_dir()


def _refuse_wishes(path: Path, wishes: dict[str, object]) -> None:
    """Refuse what only makes sense for a folder of bounces: a pack's kit says all of it."""
    given = [name for name, value in wishes.items() if value]
    if given:
        what = f"is a pack, whose kit says all that; {given[0]} is for folders of bounces"
        raise PlanError(what, where=str(path), hint="unpack it as it is, then edit its kit.toml")


def _sounds_in(folder: Path) -> list[Path]:
    """Return the sound files of a folder, or say why it is none that a kit can be made from."""
    from kitfold.starter.survey import ENDINGS, sound_files

    where = str(folder)
    if not folder.exists():
        raise PlanError("does not exist; init takes a folder of bounces", where=where, hint="check the path")
    if not folder.is_dir():
        raise PlanError(
            "is a file; init takes a folder of bounces", where=where, hint=f"name its folder: {folder.parent}"
        )
    paths = sound_files(folder)
    if not paths:
        inside = next((entry for entry in sorted(folder.iterdir()) if entry.is_dir() and sound_files(entry)), None)
        hint = f"there are some in {inside}" if inside else f"bounce some into it; looked for {' '.join(ENDINGS)}"
        raise PlanError("has no sound files in it", where=where, hint=hint)
    return paths


def _wishes(folder: Path, device: str | None, key: str | None, tempo: float | None) -> Wishes:
    from kitfold.plan.key import parse_key
    from kitfold.plan.presets import load_device
    from kitfold.starter.proposal import Wishes

    try:
        wanted = parse_key(key) if key is not None else None
    except ValueError as error:
        raise PlanError(str(error), where="--key", hint=getattr(error, "hint", "")) from None
    try:
        found = load_device(device, folder) if device is not None else None
    except KitfoldError as error:
        raise error.about("--device") from None
    return Wishes(wanted, tempo, found)


def _kit_name(folder: Path, name: str | None) -> str:
    from kitfold.plan.model import NAME_PATTERN
    from kitfold.plan.names import is_reserved
    from kitfold.starter.names import kit_name

    if name is None:
        whole = folder.resolve()
        return kit_name([whole.name, whole.parent.name])
    if not re.fullmatch(NAME_PATTERN, name) or is_reserved(name):
        what = f"must be a-z 0-9 -, 1 to 32 characters, and no name that a file system reserves (got {name!r})"
        raise PlanError(what, where="--name")
    return name


def _listen(paths: Sequence[Path], jobs: int | None, voice: Voice) -> tuple[list[Heard], list[tuple[Path, str]]]:
    """Measure every file; return those that could be, and the others with the reason."""
    from kitfold.render.jobs import default_jobs
    from kitfold.starter.names import read_hints
    from kitfold.starter.proposal import Heard
    from kitfold.starter.survey import portraits

    heard, unread = [], []
    with voice.progress("measuring") as done:
        for path, result in portraits(paths, jobs or default_jobs(), lambda name: done(name, len(paths))):
            if isinstance(result, KitfoldError):
                unread.append((path, _without_place(result)))
            elif not _is_text(path.name):
                unread.append((path, "its name is no valid text, so that no kit can name it; rename it"))
            else:
                heard.append(Heard(path.name, result, read_hints(path.stem)))
    if not heard:
        named = "\n".join(f"  {path.name!r}: {why}" for path, why in unread)
        raise SoundFileError(f"has no sound that can be used:\n{named}", where=str(paths[0].parent))
    return heard, unread


def _is_text(name: str) -> bool:
    """Say whether a name is valid Unicode: on some systems any bytes can name a file."""
    return not any(0xD800 <= ord(letter) < 0xE000 for letter in name)


def _without_place(error: KitfoldError) -> str:
    return "; ".join(f"{one.what} ({one.hint})" if one.hint else one.what for one in error.mistakes)


def _shipped() -> list[Device]:
    from kitfold.plan.presets import load_device, preset_names

    return [load_device(name) for name in preset_names("devices")]


def _check(folder: Path, text: str) -> None:
    """Load what is about to be written exactly as a build will, beside the sounds, under a name that goes again."""
    from kitfold.files.disk import PART, disk_errors, fresh_name
    from kitfold.plan.load import load_plan

    trial = fresh_name(folder / "kit.toml", PART)
    with disk_errors(folder / "kit.toml"):
        try:
            trial.write_bytes(text.encode("utf-8"))
            load_plan(trial)
        finally:
            trial.unlink(missing_ok=True)


def _table(proposal: Proposal) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from kitfold.starter.write import root_text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for column in ("slot", "sound", "root", "held s", "s", "recipe", "plays", "why"):
        table.add_column(column, justify="right" if column in ("slot", "held s", "s") else "left", overflow="fold")
    for draft in proposal.drafts:
        why = f"left out: {draft.left_out}" if draft.left_out else "; ".join((draft.guess.why, *draft.remarks))
        played = draft.played if isinstance(draft.played, str) else ", ".join(map(str, draft.played))
        figures = draft.heard.figures
        row = [str(draft.slot or "—"), draft.name, root_text(draft, proposal), f"{figures.held_s:.1f}"]
        table.add_row(*row, f"{figures.tail_s:.1f}", draft.guess.recipe, played, Text(why))
        if draft.name == proposal.riser_of:
            row = [str(proposal.riser_slot), proposal.riser_name, "", "", f"{proposal.riser_s:.1f}", "riser", "fixed"]
            table.add_row(*row, f"from {draft.name}, {proposal.riser_beats:g} beats up to its peak")
    return table


def _summary(kit: Path, proposal: Proposal) -> list[Any]:
    from rich.text import Text

    song = proposal.song
    chords = " ".join(trigger.chord.name(proposal.key.key.flats) for trigger in song.sections[0].triggers)
    lines = [
        f"key     {proposal.key.key}: {proposal.key.sure}",
        f"tempo   {song.tempo:g}, {proposal.tempo_why}; a pattern of {song.beats_per_pattern:g} beats lasts "
        f"{song.held_s(1):.2f} s; the sketch plays {chords}",
        f"device  {proposal.device.name}: {proposal.device_why}",
        *(f"note    {note}" for note in proposal.notes),
        f"wrote   {kit}",
        f"next    kitfold build {quoted(kit)}",
    ]
    return [Text(line) for line in lines]


def quoted(path: Path) -> str:
    """Return a path as it is typed on a command line."""
    import shlex

    return f'"{path}"' if os.name == "nt" else shlex.quote(str(path))


def _as_json(kit: Path, name: str, proposal: Proposal, unread: Sequence[tuple[Path, str]]) -> dict[str, Any]:
    return {
        "kit": str(kit),
        "name": name,
        "key": str(proposal.key.key),
        "key_sure": proposal.key.sure,
        "tempo": proposal.song.tempo,
        "beats_per_pattern": proposal.song.beats_per_pattern,
        "device": proposal.device.name,
        "riser": {"name": proposal.riser_name, "from": proposal.riser_of, "slot": proposal.riser_slot}
        if proposal.riser_of
        else None,
        "sounds": [
            {
                "name": draft.name,
                "file": draft.heard.file,
                "recipe": draft.guess.recipe,
                "why": draft.guess.why,
                "remarks": list(draft.remarks),
                "slot": draft.slot or None,
                "left_out": draft.left_out or None,
                "plays": draft.played,
                **draft.heard.figures.to_json(),
            }
            for draft in proposal.drafts
        ],
        "unread": [{"file": path.name, "error": why} for path, why in unread],
        "notes": list(proposal.notes),
    }
