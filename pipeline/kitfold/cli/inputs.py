"""What a kit's inputs say before a sound is read: their headers, and what cannot be made of them on any account."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from kitfold.errors import FitError, KitfoldError, Mistake, PlanError, SoundFileError
from kitfold.units import semitones_to_ratio

if TYPE_CHECKING:
    from kitfold.pack.memory import Memory
    from kitfold.plan.device import Device
    from kitfold.plan.plan import Plan, PlannedSound

__all__ = ["doubts", "held_s", "lengths_s", "load_kit", "refuse_what_cannot_fit"]

_KEEP_LENGTH = ("level", "filter", "fade", "fold")  # steps after a riser that leave it whole


def load_kit(kit: Path, devices: Sequence[str] | None) -> Plan:
    """Load a kit; where it has mistakes, list the sources that cannot be used beside them.

    Raises
    ------
    PlanError : with every mistake of the kit, and of its sources' headers
    """
    from kitfold.plan.load import load_plan, sources_written

    try:
        return load_plan(kit, devices)
    except PlanError as error:
        lost = [mistake for where, path in sources_written(kit) for mistake in _unusable(where, path)]
        raise PlanError((*error.mistakes, *lost)) from None


def _unusable(where: str, path: Path) -> Sequence[Mistake]:
    from kitfold.files import sound_facts

    try:
        sound_facts(path)
    except KitfoldError as error:
        return error.about(where).mistakes
    return ()


def lengths_s(plan: Plan) -> dict[str, float]:
    """Read every source's header; return how many seconds each sound lasts at most.

    Raises
    ------
    SoundFileError : with every source that cannot be used, and every high-pass over half a source's rate
    """
    from kitfold.files import region_s, sound_facts
    from kitfold.plan.toml import shown_path

    lengths: dict[str, float] = {}
    rates_hz: dict[str, int] = {}
    mistakes: list[Mistake] = []
    for sound in plan.in_order_of_work():
        where = f"{shown_path(plan.path)}: sound[{sound.place}] ({sound.name})"
        origin = sound.from_sound or ""
        try:
            if sound.source is not None:
                lengths[sound.name] = region_s(sound.source, sound.start_s, sound.end_s)
                rates_hz[sound.name] = sound_facts(sound.source).rate_hz
            elif origin in rates_hz:  # what it is made from is reported already where it cannot be used
                lengths[sound.name], rates_hz[sound.name] = lengths[origin], rates_hz[origin]
            else:
                continue
        except KitfoldError as error:
            mistakes += error.about(where).mistakes
            continue
        mistakes += _over_nyquist(sound, rates_hz[sound.name], where)
        lengths[sound.name] = _after_steps(sound, lengths[sound.name])
    if mistakes:
        raise SoundFileError(mistakes)
    return lengths


def _over_nyquist(sound: PlannedSound, rate_hz: int, where: str) -> Iterator[Mistake]:
    from kitfold.plan.settings import Filter

    for step in sound.steps:
        corner_hz = step.settings.highpass_hz if isinstance(step.settings, Filter) else None
        if corner_hz is not None and corner_hz >= rate_hz / 2:
            what = f"must lie below {rate_hz / 2:g} Hz, half this sound's rate (got {corner_hz:g})"
            hint = "nothing would be left of the sound; lower it or leave it out"
            yield Mistake(f"{where}.{step.label}.highpass_hz", what, hint)


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


def held_s(plan: Plan, sound: PlannedSound) -> float:
    """Return the longest that the song holds a sound, in seconds."""
    if sound.plays != "chords":
        return 0.0
    sections = [section for section in plan.song.sections if sound.name not in section.silent]
    return max((plan.song.held_s(one.patterns) for section in sections for one in section.triggers), default=0.0)


def refuse_what_cannot_fit(plan: Plan) -> None:
    """Refuse what no fit can solve, whatever the sounds are: too many of them, or risers longer than the memory.

    Raises
    ------
    FitError : with what is over on every device
    """
    mistakes = [mistake for device in plan.devices for mistake in _impossible(plan, device)]
    if mistakes:
        raise FitError(mistakes)


def _impossible(plan: Plan, device: Device) -> Iterator[Mistake]:
    from kitfold.pack.memory import memory_of
    from kitfold.pack.remedies import amount

    where, memory = f"the kit does not fit {device.name}:", memory_of(device)
    over = len(plan.sounds) - device.slots
    if over > 0:
        there = "is" if device.slots == 1 else "are"
        what = f"{len(plan.sounds)} slots are needed and {device.slots} {there} there: {over} over"
        yield Mistake(where, what, f"leave out {over} sound{'s' * (over > 1)}, or take a device with more slots")
    least = {
        sound.name: _least_units(plan, device, memory, whole) for sound in plan.sounds if (whole := _whole_s(sound))
    }
    if sum(least.values()) > memory.limit:
        who = f"{next(iter(least))} alone needs" if len(least) == 1 else f"{', '.join(least)} together need"
        needs, has = (amount(units, memory, device.top_rate_hz) for units in (sum(least.values()), memory.limit))
        what = f"{who} at least {needs} and cannot be cut, for a peak at the end; the device has {has}"
        yield Mistake(where, what, "make it shorter: fewer beats, or length_s")


def _whole_s(sound: PlannedSound) -> float:
    """Return the length of a sound that ends in a riser, which is never cut; 0 for any other."""
    from kitfold.plan.settings import Riser

    for step in reversed(sound.steps):
        if isinstance(step.settings, Riser):
            return step.settings.length_s or 0.0
        if step.step not in _KEEP_LENGTH:
            return 0.0
    return 0.0


def _least_units(plan: Plan, device: Device, memory: Memory, seconds: float) -> int:
    """Return the least memory that so many seconds take: at the lowest rate, as far up as it may be stored."""
    rate_hz = min(device.rate_hz) if "lower-rate" in plan.fit.allow else device.top_rate_hz
    ups = [up for up in plan.fit.repitch_semitones if device.transpose[0] <= -up and "repitch" in plan.fit.allow]
    return memory.cost(int(seconds * rate_hz / semitones_to_ratio(max(ups, default=0))))


def doubts(plan: Plan, lengths: Mapping[str, float]) -> list[str]:
    """Say what a kit may not have meant, and where holds alone would fill a device's memory."""
    from kitfold.pack.memory import memory_of

    holds = {sound.name: min(held_s(plan, sound), lengths[sound.name]) for sound in plan.sounds}
    named = ", ".join(f"{name} for {seconds:.2f} s" for name, seconds in holds.items() if seconds)
    found = [*plan.said()]
    for device in plan.devices:
        memory = memory_of(device)
        holds_s = memory.limit / memory.per_frame / device.top_rate_hz
        loops = device.loop and "loop" in plan.fit.allow
        if sum(holds.values()) > holds_s and not loops:
            found.append(f"{device.name} may be too small: it holds {holds_s:.2f} s, and the song holds {named}")
    return found
