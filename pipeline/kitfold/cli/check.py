"""`kitfold check`: what would be built, and whether it can be; nothing is written."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kitfold.cli.common import Voice, common_options, jobs_option
from kitfold.errors import KitfoldError, Mistake, SoundFileError

if TYPE_CHECKING:
    from rich.table import Table

    from kitfold.plan.plan import Plan, PlannedSound

__all__ = ["check"]


@click.command()
@click.argument("kit", type=click.Path(path_type=Path), metavar="KIT.toml")
@click.option("--device", multiple=True, metavar="NAME", help="Check for this device instead of the kit's; repeatable.")
@jobs_option
@common_options
def check(kit: Path, device: tuple[str, ...], jobs: int | None, voice: Voice) -> int:
    """Validate the kit and its inputs, say what would be built; writes nothing."""
    del jobs  # headers only: nothing that threads would speed up
    from kitfold.plan.load import load_plan

    plan = load_plan(kit, device or None)
    lengths = _lengths(plan)
    voice.result(_as_json(plan, lengths))
    voice.show(_sounds(plan, lengths), *_song(plan), *_devices(plan, lengths))
    voice.say(f"{plan.kit.name}: no mistake found; `kitfold build {kit.as_posix()}` makes it")
    return 0


def _lengths(plan: Plan) -> dict[str, float]:
    """Read every source's header; return how many seconds each sound lasts at most.

    Raises
    ------
    SoundFileError : with every source that cannot be used
    """
    from kitfold.files import region_s
    from kitfold.plan.toml import shown_path

    lengths: dict[str, float] = {}
    mistakes: list[Mistake] = []
    for sound in plan.in_order_of_work():
        try:
            if sound.source is not None:
                lengths[sound.name] = region_s(sound.source, sound.start_s, sound.end_s)
            else:
                lengths[sound.name] = lengths.get(sound.from_sound or "", 0.0)
        except KitfoldError as error:
            where = f"{shown_path(plan.path)}: sound[{sound.place}] ({sound.name})"
            mistakes += error.about(where).mistakes
            continue
        lengths[sound.name] = _after_steps(sound, lengths[sound.name])
    if mistakes:
        raise SoundFileError(mistakes)
    return lengths


def _after_steps(sound: PlannedSound, seconds: float) -> float:
    """Return how long a sound is at most after the steps that set its length."""
    from kitfold.plan.settings import Effect, Riser

    for step in sound.steps:
        if isinstance(step.settings, Riser):
            tail = seconds if step.settings.hit else step.settings.release_ms / 1000
            seconds = (step.settings.length_s or 0.0) + tail
        if isinstance(step.settings, Effect):
            seconds += step.settings.tail_s
    return seconds


def _held(plan: Plan, sound: PlannedSound) -> float:
    """Return the longest that the song holds a sound, in seconds."""
    if sound.plays != "chords":
        return 0.0
    sections = [section for section in plan.song.sections if sound.name not in section.silent]
    return max((plan.song.held_s(one.patterns) for section in sections for one in section.triggers), default=0.0)


def _sounds(plan: Plan, lengths: dict[str, float]) -> Table:
    from kitfold.cli.show import plain_table

    table = plain_table("sound", "from", "steps", "plays", "at most s", "longest hold s", right=("at most s",))
    for sound in plan.sounds:
        held = _held(plan, sound)
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
                "longest_hold_s": round(_held(plan, sound), 4),
            }
            for sound in plan.sounds
        ],
    }
