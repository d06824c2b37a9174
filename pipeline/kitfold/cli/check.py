"""`kitfold check`: what would be built, and whether it can be; nothing is written."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options, jobs_option
from kitfold.cli.inputs import doubts, held_s, lengths_s, load_kit, refuse_what_cannot_fit

if TYPE_CHECKING:
    from rich.table import Table

    from kitfold.plan.plan import Plan

__all__ = ["check"]


@click.command()
@click.argument("kit", type=click.Path(path_type=Path), metavar="KIT.toml")
@click.option("--device", multiple=True, metavar="NAME", help="Check for this device instead of the kit's; repeatable.")
@jobs_option
@common_options
def check(kit: Path, device: tuple[str, ...], jobs: int | None, voice: Voice) -> int:
    """Validate the kit and its inputs, say what would be built; writes nothing."""
    del jobs  # headers only: nothing that threads would speed up
    plan = load_kit(kit, device or None)
    lengths = lengths_s(plan)
    refuse_what_cannot_fit(plan)
    doubted = doubts(plan, lengths)
    voice.result({**_as_json(plan, lengths), "doubts": doubted})
    voice.show(_sounds(plan, lengths), *_song(plan), *_devices(plan, lengths))
    for doubt in doubted:
        voice.say(f"{plan.kit.name}: {doubt}")
    voice.say(
        f"{plan.kit.name}: no mistake found in the kit; what only the sound can tell (roots, levels, whether it fits) "
        f"`kitfold build {kit}` will say"
    )
    return 0


def _sounds(plan: Plan, lengths: dict[str, float]) -> Table:
    from kitfold.cli.show import plain_table

    table = plain_table("sound", "from", "steps", "plays", "at most s", "longest hold s", right=("at most s",))
    for sound in plan.sounds:
        held = held_s(plan, sound)
        plays = sound.plays if isinstance(sound.plays, str) else " ".join(map(str, sound.plays))
        table.add_row(
            sound.name,
            sound.source_text or sound.from_sound,
            " → ".join(step.label for step in sound.steps) or "none",
            plays,
            f"{lengths[sound.name]:.2f}",
            f"{held:.2f}" if held else "-",
        )
    return table


def _song(plan: Plan) -> list[Table]:
    from kitfold.cli.show import plain_table

    if not plan.song.sections:
        return []
    table = plain_table("section", "patterns", "chords (name × patterns)", "silent", "shift", right=("patterns",))
    for section in plan.song.sections:
        table.add_row(
            section.name,
            str(section.patterns),
            "  ".join(
                f"{one.chord.text} ({one.chord.name(plan.key.flats)} × {one.patterns})" for one in section.triggers
            ),
            ", ".join(sorted(section.silent)) or "-",
            ", ".join(f"{name} {shift:+d}" for name, shift in sorted(section.shift.items())) or "-",
        )
    return [table]


def _devices(plan: Plan, lengths: dict[str, float]) -> list[Table]:
    from kitfold.cli.show import plain_table
    from kitfold.pack.memory import memory_of
    from kitfold.pack.remedies import amount
    from kitfold.units import seconds_to_frames

    table = plain_table("device", "slots", "memory", "sounds at their longest, no copies")
    for device in plan.devices:
        memory, rate = memory_of(device), device.top_rate_hz
        worst = sum(memory.cost(seconds_to_frames(seconds, rate)) for seconds in lengths.values())
        slots = f"{len(lengths)} of {device.slots} without copies"
        table.add_row(device.name, slots, amount(memory.limit, memory, rate), amount(worst, memory, rate))
    return [table]


def _as_json(plan: Plan, lengths: dict[str, float]) -> dict[str, Any]:
    return {
        "kit": plan.kit.name,
        "key": str(plan.key),
        "devices": [device.name for device in plan.devices],
        "sounds": [
            {
                "name": sound.name,
                "source": sound.source_text or None,
                "from": sound.from_sound,
                "steps": [{"step": step.step, **step.settings.model_dump(mode="json")} for step in sound.steps],
                "plays": sound.plays,
                "seconds_at_most": round(lengths[sound.name], 4),
                "longest_hold_s": round(held_s(plan, sound), 4),
            }
            for sound in plan.sounds
        ],
    }
