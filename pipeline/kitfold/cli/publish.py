"""`kitfold publish`: a kit as one file for others to download."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options, jobs_option
from kitfold.cli.inputs import load_kit
from kitfold.files import Store, open_store

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text

    from kitfold.pack.publish.contents import Pack
    from kitfold.pack.publish.write import Published
    from kitfold.plan.plan import Plan

__all__ = ["publish"]


@click.command()
@click.argument("kit", type=click.Path(path_type=Path), metavar="KIT.toml")
@click.option("--out", type=click.Path(path_type=Path), default=Path("build"), metavar="DIR", help="Default: ./build")
@click.option("--device", multiple=True, metavar="NAME", help="Publish for this device, not the kit's own; repeatable.")
@jobs_option
@common_options
def publish(kit: Path, out: Path, device: tuple[str, ...], jobs: int | None, voice: Voice) -> int:
    """Write the downloadable pack ./build/NAME-VERSION.zip: both editions, previews, song, licence, checksums."""
    from kitfold.files import recover
    from kitfold.pack.publish.names import pack_path, refuse_absolute
    from kitfold.pack.publish.rights import CAUTION, check_rights
    from kitfold.pack.publish.write import write_pack

    plan = load_kit(kit, device or None)
    cautions = check_rights(plan)
    refuse_absolute(plan)
    if said := recover(pack_path(out, plan)):
        voice.say(said)
    pack = _made(plan, device or plan.kit.device, jobs, voice, open_store(say=voice.say))
    published = write_pack(plan, pack, out)
    voice.result(_as_json(pack, published, cautions))
    voice.show(_sounds(pack), *_lines(pack, published))
    for caution in (*cautions, CAUTION):
        voice.say(f"caution: {caution}")
    return 0


def _made(plan: Plan, devices: tuple[str, ...], jobs: int | None, voice: Voice, store: Store) -> Pack:
    """Render the masters, pack them for each device, and make every file."""
    from kitfold.pack.kit import pack_kit
    from kitfold.pack.publish.contents import pack_of
    from kitfold.render.jobs import default_jobs
    from kitfold.render.masters import render_masters

    threads, count, name = jobs or default_jobs(), len(plan.sounds), plan.kit.name
    with voice.progress(f"{name}: sounds") as done:
        masters = render_masters(plan, threads, _counting(done, count), store)
    packed = []
    for device in plan.devices:
        with voice.progress(f"{name}: {device.name}") as done:
            packed.append(pack_kit(plan, device, masters, threads, _counting(done, count), store))
    with voice.progress(f"{name}: files") as done:
        return pack_of(plan, masters, packed, devices, threads, _counting(done, count), store)


def _counting(done: Callable[[str, int], None], count: int) -> Callable[[str], None]:
    return lambda name: done(name, count)


def _sounds(pack: Pack) -> Table:
    from kitfold.cli.show import plain_table

    table = plain_table("sound", "root", "length s", "LUFS", "rights", "file", right=("length s", "LUFS"))
    for one in pack.manifest.sounds:
        off = "" if one.root.error_cents is None else f" {one.root.error_cents:+.1f} c"
        table.add_row(
            one.name,
            f"{one.root.note or 'none'}{off if one.root.note else ''}",
            f"{one.seconds:.2f}",
            f"{one.level.lufs:.1f}",
            one.rights,
            one.file,
        )
    return table


def _lines(pack: Pack, published: Published) -> list[Text]:
    from rich.text import Text

    path, kit = published.path.as_posix(), pack.manifest.kit
    devices = ", ".join(one.device for one in pack.manifest.editions)
    what = (
        f"{len(pack.files)} files, {published.size_bytes:,} bytes; licence {kit['licence']}; device edition: {devices}"
    )
    warned = [f"{check.check} on {device}: {check.advice}" for device, check in pack.warnings]
    state = f"{path} is unchanged: the same bytes were there already" if published.unchanged else f"in {path}"
    return [*(Text(f"warning: {line}") for line in warned), Text(what), Text(state, no_wrap=True, overflow="ignore")]


def _as_json(pack: Pack, published: Published, cautions: list[str]) -> dict[str, Any]:
    return {
        "pack": str(published.path),
        "bytes": published.size_bytes,
        "unchanged": published.unchanged,
        "cautions": cautions,
        "manifest": pack.manifest.as_json(),
    }
