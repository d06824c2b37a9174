"""One kit for one device: fit it, make every slot, measure what was made."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from kitfold.files import Store
from kitfold.pack.balance import Levels, balance
from kitfold.pack.fit import fit
from kitfold.pack.holds import Reach
from kitfold.pack.memory import Memory, memory_of
from kitfold.pack.problem import Fitted, Problem
from kitfold.pack.ready import Ready, made_ready, whole_levels
from kitfold.pack.slot import Slot, made_part, stored_slot
from kitfold.pack.slots import place
from kitfold.pack.whole import Bench
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.render.crew import Crew
from kitfold.render.jobs import in_order
from kitfold.render.masters import Master
from kitfold.sound import Sound

__all__ = ["Packed", "Slot", "pack_kit"]

Result = TypeVar("Result")


@dataclass(frozen=True, eq=False)
class Packed:
    """A whole kit as a device stores it.

    Parameters
    ----------
    device : Device
    memory : Memory
    slots : tuple of Slot, by number
    fitted : Fitted
    wanted_lufs : mapping, sound to the loudness of its master
    """

    device: Device
    memory: Memory
    slots: tuple[Slot, ...]
    fitted: Fitted
    wanted_lufs: Mapping[str, float]


def pack_kit(
    plan: Plan,
    device: Device,
    masters: Mapping[str, Master],
    jobs: int,
    tell: Callable[[str], None],
    store: Store | None = None,
    crew: Crew | None = None,
) -> Packed:
    """Fit a kit to a device and make its slots; the result does not depend on the number of jobs.

    Parameters
    ----------
    plan : Plan
    device : Device
    masters : mapping of Master, by name
    jobs : int, threads
    tell : called with a slot's name when it is done
    store : Store or None, where results are kept from build to build; what comes out is the same with and without
    crew : Crew or None, who does the work on sounds; by default this process

    Raises
    ------
    FitError : where the kit does not fit
    StepError : where a sound has nothing that the device can store
    """
    reach = Reach(*device.transpose, plan.fit.natural_range_semitones)
    bench = Bench(store, crew)
    threads = crew.threads if crew and crew.far else jobs
    whole = _each(list(masters), lambda name: whole_levels(plan, device, masters[name], bench), threads)
    expected = dict(zip(whole, balance([one.levels for one in whole.values()], device.slot_level), strict=True))

    def prepared(wishes: Plan) -> dict[str, Ready]:
        def prepare(name: str) -> Ready:
            return made_ready(wishes, device, masters[name], reach, whole[name], expected[name])

        return _each(list(masters), prepare, threads)

    ready = prepared(plan)
    memory = memory_of(device)
    fitted = fit(
        Problem(
            tuple(one.candidate for one in ready.values()),
            memory,
            device.top_rate_hz,
            reach,
            plan.song.tempo_slowest,
            frozenset(plan.fit.allow),
            device.name,
            lambda: tuple(one.candidate for one in prepared(_with_loops(plan)).values()),
        )
    )
    parts = {f"{part.name} {part.root:+d}": part for part in fitted.stored}

    def make(key: str) -> tuple[Sound, Levels]:
        made = made_part(parts[key], ready[parts[key].name])
        tell(key)
        return made

    made = _each(list(parts), make, threads)
    gains = balance([levels for _, levels in made.values()], device.slot_level)
    numbers = place(fitted.stored, {sound.name: sound.slot for sound in plan.sounds if sound.slot is not None})
    orders = {key: order for order, key in enumerate(parts)}

    def stored(key: str) -> Slot:
        order, part = orders[key], parts[key]
        return stored_slot(numbers[order], part, ready[part.name], made[key][0], gains[order], device, plan)

    slots = _each(list(parts), stored, threads)
    wanted = {name: one.levels.wanted_lufs for name, one in whole.items()}
    return Packed(device, memory, tuple(sorted(slots.values(), key=lambda slot: slot.slot)), fitted, wanted)


def _with_loops(plan: Plan) -> Plan:
    fit = plan.fit.model_copy(update={"allow": (*plan.fit.allow, "loop")})
    return replace(plan, fit=fit)


def _each(names: list[str], work: Callable[[str], Result], jobs: int) -> dict[str, Result]:
    """Do independent work in threads; the first error in the order of names is raised."""
    errors: dict[str, Exception] = {}
    results = in_order(names, {}, lambda name, _: work(name), jobs, errors.__setitem__, loads=False)
    for name in names:
        if name in errors:
            raise errors[name]
    return results
