"""One kit for one device: fit it, make every slot, measure what was made."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from kitfold.errors import StepError
from kitfold.measure.level import held_until_s, loudest_lufs, peak_db, true_peak_db
from kitfold.pack.asks import asks_of
from kitfold.pack.balance import Gain, Levels, balance
from kitfold.pack.convert import apply_gain
from kitfold.pack.fit import fit
from kitfold.pack.holds import Reach, copies_for
from kitfold.pack.memory import Memory, memory_of
from kitfold.pack.prepare import BLOCK_S, copied, cut, fade_frames, folded, heard_loss
from kitfold.pack.problem import Candidate, Fitted, Part, Problem
from kitfold.pack.quantise import content_seed, dequantise, quantise
from kitfold.pack.roots import RootNote, error_cents, moved, root_note
from kitfold.pack.slots import place
from kitfold.pack.wav import Stored
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.plan.toml import shown_path
from kitfold.render.jobs import in_order
from kitfold.render.masters import SILENT, Master
from kitfold.sound import Done, Sound

__all__ = ["Packed", "Slot", "pack_kit"]

Result = TypeVar("Result")

_HELD_S = 1.0
"""What holds so long is no hit: swells and pads need dither also where no song holds them."""

MOST_LOST_LU = 60.0
"""What a device's rate may take from a sound's loudness: of one that lies 60 dB lower there only noise is left."""


@dataclass(frozen=True, eq=False)
class Slot:
    """One filled slot and what was measured on it.

    Parameters
    ----------
    slot : int, from 1
    part : Part
    master : Master
    stored : Stored, the codes
    gain : Gain
    note : RootNote
    error_cents : float or None
    lufs, peak_db, true_peak_db : float, of the stored file
    held_s : float, seconds that the stored file lasts at setting 0
    dithered : bool
    history : tuple of Done, its steps, and the fold for this device
    """

    slot: int
    part: Part
    master: Master
    stored: Stored
    gain: Gain
    note: RootNote
    error_cents: float | None
    lufs: float
    peak_db: float
    true_peak_db: float
    held_s: float
    dithered: bool
    history: tuple[Done, ...]


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


@dataclass(frozen=True, eq=False)
class _Ready:
    """A master made ready for one device."""

    master: Master
    sound: Sound
    note: RootNote
    lufs: float
    candidate: Candidate


def pack_kit(
    plan: Plan, device: Device, masters: Mapping[str, Master], jobs: int, tell: Callable[[str], None]
) -> Packed:
    """Fit a kit to a device and make its slots; the result does not depend on the number of jobs.

    Parameters
    ----------
    plan : Plan
    device : Device
    masters : mapping of Master, by name
    jobs : int, threads
    tell : called with a slot's name when it is done

    Raises
    ------
    FitError : where the kit does not fit
    StepError : where a sound has nothing that the device can store
    """
    reach = Reach(*device.transpose, plan.fit.natural_range_semitones)
    ready = _each(list(masters), lambda name: _ready(plan, device, masters[name], reach), jobs)
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
        )
    )
    parts = {f"{part.name} {part.root:+d}": part for part in fitted.stored}

    def make(key: str) -> tuple[Sound, Levels]:
        made = _made(parts[key], ready[parts[key].name], device)
        tell(key)
        return made

    made = _each(list(parts), make, jobs)
    gains = balance([levels for _, levels in made.values()], device.slot_level)
    numbers = place(fitted.stored, {sound.name: sound.slot for sound in plan.sounds if sound.slot is not None})
    orders = {key: order for order, key in enumerate(parts)}

    def store(key: str) -> Slot:
        order = orders[key]
        return _slot(numbers[order], parts[key], ready[parts[key].name], made[key][0], gains[order], device, plan)

    slots = _each(list(parts), store, jobs)
    wanted = {name: one.lufs for name, one in ready.items()}
    return Packed(device, memory, tuple(sorted(slots.values(), key=lambda slot: slot.slot)), fitted, wanted)


def _each(names: list[str], work: Callable[[str], Result], jobs: int) -> dict[str, Result]:
    """Do independent work in threads; the first error in the order of names is raised."""
    errors: dict[str, Exception] = {}
    results = in_order(names, {}, lambda name, _: work(name), jobs, errors.__setitem__)
    for name in names:
        if name in errors:
            raise errors[name]
    return results


def _ready(plan: Plan, device: Device, master: Master, reach: Reach) -> _Ready:
    """Fold a master and say what the song asks of it and what its tail is worth."""
    planned = master.planned
    sound = folded(master.sound, device)
    at_rate = cut(sound, 1 << 62, device.top_rate_hz)
    if at_rate.peak() < SILENT or loudest_lufs(at_rate) < loudest_lufs(sound) - MOST_LOST_LU:
        raise _nothing_left(plan, device, master)
    note = root_note(master.sound, plan.kit.a4_hz)
    asks = asks_of(planned.name, planned.plays, note.pitch_class, plan.song)
    held_s = held_until_s(at_rate, plan.fit.hold_floor_db)
    required, optional = copies_for(asks, planned.copies, held_s, reach)
    block = max(1, int(BLOCK_S * device.top_rate_hz))
    candidate = Candidate(
        name=planned.name,
        frames=at_rate.frames,
        held_s=held_s,
        lost=heard_loss(at_rate, block),
        block_frames=block,
        fade_frames=fade_frames(at_rate.frames, device.top_rate_hz),
        asks=asks,
        required=required,
        optional=optional,
        wish=planned.copies,
        whole=master.sound.whole,
        spare=planned.spare,
    )
    return _Ready(master, sound, note, loudest_lufs(master.sound), candidate)


def _nothing_left(plan: Plan, device: Device, master: Master) -> StepError:
    planned, top_hz = master.planned, device.top_rate_hz / 2
    where = f"{shown_path(plan.path)}: sound[{planned.place}] ({planned.name})"
    what = f"has nothing that {device.name} can store: all of it lies above {top_hz:g} Hz, or it is too short"
    return StepError(what, where=where, hint="leave it out, move it down, or take a device with a higher rate")


def _made(part: Part, ready: _Ready, device: Device) -> tuple[Sound, Levels]:
    """Copy, resample and cut one part; every copy is stretched here and nowhere else."""
    sound = cut(copied(ready.sound, part.root), part.frames, device.top_rate_hz)
    return sound, Levels(ready.lufs, loudest_lufs(sound), true_peak_db(sound))


def _slot(number: int, part: Part, ready: _Ready, sound: Sound, gain: Gain, device: Device, plan: Plan) -> Slot:
    """Quantise one part and measure what the device will play."""
    loud = apply_gain(sound, gain.store_db)
    dither = device.dither == "tpdf" or (device.dither == "auto" and _is_held(part, ready.candidate, loud.rate_hz))
    codes = quantise(loud.samples, device.bits, device.encoding, dither, content_seed(loud.samples))
    played = loud.with_samples(dequantise(codes, device.bits, device.encoding))
    note = moved(ready.note, part.root)
    return Slot(
        slot=number,
        part=part,
        master=ready.master,
        stored=Stored(codes, loud.rate_hz, device.bits, device.encoding),
        gain=gain,
        note=note,
        error_cents=error_cents(played, note),
        lufs=loudest_lufs(played),
        peak_db=peak_db(played),
        true_peak_db=true_peak_db(played),
        held_s=held_until_s(played, plan.fit.hold_floor_db),
        dithered=dither,
        history=ready.sound.history,
    )


def _is_held(part: Part, candidate: Candidate, rate_hz: int) -> bool:
    """Say whether a stored sound is held, by the song or by itself, so that dither's hiss hides under it."""
    lasts_s = min(candidate.held_s, part.frames / rate_hz)
    return lasts_s >= _HELD_S or any(one.ask.needs_s > 0 for one in part.serves)
