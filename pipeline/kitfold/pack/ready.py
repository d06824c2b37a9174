"""Make a master ready for one device: what the song asks of it, and what each way of storing it would cost."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TypeAlias, TypeVar

from kitfold.errors import StepError
from kitfold.files.maps import let_go
from kitfold.measure.level import held_until_s, loudest_lufs, true_peak_db
from kitfold.pack.asks import Ask, asks_of
from kitfold.pack.balance import Gain, Levels
from kitfold.pack.convert import resample
from kitfold.pack.holds import Reach, copies_for
from kitfold.pack.known import Known
from kitfold.pack.once import made_once
from kitfold.pack.prepare import fade_frames, folded, played_out
from kitfold.pack.problem import Candidate, Variant
from kitfold.pack.roots import RootNote, root_note
from kitfold.pack.ways import Ways, can_loop, strain_of
from kitfold.pack.whole import Bench, Whole
from kitfold.plan.device import Device
from kitfold.plan.kit import FitWishes
from kitfold.plan.plan import Plan, PlannedSound
from kitfold.plan.toml import shown_path
from kitfold.render.keys import key_of
from kitfold.render.masters import SILENT, Master
from kitfold.sound import Done, Sound
from kitfold.units import semitones_to_ratio

__all__ = ["Ready", "dithers", "made_ready", "whole_levels"]

Result = TypeVar("Result")
Measured: TypeAlias = tuple[Levels, tuple[Done, ...]]
"""The levels of a sound in a device, and its history."""

HELD_S = 1.0
"""What holds so long is no hit: swells and pads need dither also where no song holds them."""
_TRITONE = 6  # the furthest that the shortest way between two pitch classes can be
MOST_LOST_LU = 60.0
"""What a device's rate may take from a sound's loudness: of one that lies 60 dB lower there only noise is left."""

_master_lufs = Known(loudest_lufs)  # whatever the device


@dataclass(frozen=True, eq=False)
class Ready:
    """A master made ready for one device.

    Parameters
    ----------
    master : Master
    whole : Whole
    note : RootNote
    candidate : Candidate
    """

    master: Master
    whole: Whole
    note: RootNote
    candidate: Candidate

    @property
    def lufs(self) -> float:
        """The loudness of its master."""
        return self.whole.levels.wanted_lufs


def whole_levels(plan: Plan, device: Device, master: Master, bench: Bench | None = None) -> Whole:
    """Bring a master into a device's channels and rate, and measure what is left of it.

    Parameters
    ----------
    plan : Plan
    device : Device
    master : Master
    bench : Bench or None, that of the kit; by default one of its own

    Raises
    ------
    StepError : where that is nothing
    """
    bench, name = bench or Bench(), master.planned.name
    longest_s = _longest_hold_s(plan) if master.sound.loop and not can_loop(device) else 0.0
    parts = [device.model_dump(mode="json"), longest_s]
    key = key_of("whole", master.key, parts) if master.key else ""
    folded_key = key_of("folded", master.key, device.channels, longest_s) if master.key else ""

    def far(work: Callable[[Device, Sound, float], Result]) -> Result:
        return bench.do(work, device, master.sound, longest_s)

    def make() -> Sound:
        if bench.far:
            return made_once(bench.store, "folded", folded_key, [], lambda: far(_in_device))
        return _in_device(device, master.sound, longest_s)

    def measured() -> Measured:
        if bench.far:  # both at once: a sound travels once
            found, came = far(_measured)
            made_once(bench.store, "folded", folded_key, [], lambda: came)
        else:
            sound = bench.recent.get((name, "whole"), make)
            at_rate = bench.recent.get((name, "at rate"), lambda: resample(sound, device.top_rate_hz))
            found = _levels(master.sound, sound, at_rate)
        if found is None:
            raise _nothing_left(plan, device, master)
        return found

    levels, history = made_once(bench.store, "whole", master.key, parts, measured, (Levels,))
    return Whole(name, key, folded_key, levels, history, make, device.top_rate_hz, bench)


def _in_device(device: Device, master: Sound, longest_s: float) -> Sound:
    """Return a master in a device's channels, at its own rate."""
    let_go(master.samples.nbytes)
    sound = folded(master, device)
    return played_out(sound, longest_s) if sound.loop is not None and not can_loop(device) else sound


def _measured(device: Device, master: Sound, longest_s: float) -> tuple[Measured | None, Sound]:
    """Return what `_levels` says of a master in a device, and that sound."""
    sound = _in_device(device, master, longest_s)
    return _levels(master, sound, resample(sound, device.top_rate_hz)), sound


def _levels(master: Sound, sound: Sound, at_rate: Sound) -> Measured | None:
    """Measure a master, and what a device's rate leaves of it; None where that is nothing."""
    if at_rate.peak() < SILENT or loudest_lufs(at_rate) < loudest_lufs(sound) - MOST_LOST_LU:
        return None
    return Levels(_master_lufs(master), loudest_lufs(at_rate), true_peak_db(at_rate)), sound.history


def _longest_hold_s(plan: Plan) -> float:
    """Return the longest that any chord of the song could take of a stored sound: played a tritone up."""
    held = [plan.song.held_s(one.patterns) for section in plan.song.sections for one in section.triggers]
    return max(held, default=0.0) * semitones_to_ratio(_TRITONE)


def made_ready(plan: Plan, device: Device, master: Master, reach: Reach, whole: Whole, gain: Gain) -> Ready:
    """Say what the song asks of a sound, and what each way of storing it would cost the ear."""
    planned, a4_hz, store = master.planned, plan.kit.a4_hz, whole.bench.store
    let_go(master.sound.samples.nbytes)
    note = made_once(store, "note", master.key, [a4_hz], lambda: root_note(master.sound, a4_hz), (RootNote,))
    asks = asks_of(planned.name, planned.plays, note.pitch_class, plan.song)
    parts = [
        planned.name,
        planned.copies,
        planned.spare,
        planned.from_sound,
        [asdict(ask) for ask in asks],
        plan.fit.model_dump(mode="json"),
        asdict(reach),
        gain.store_db,
    ]

    def candidate() -> Candidate:
        return _candidate(plan, device, master, reach, whole, gain, asks)

    kinds = (Candidate, Variant, Ask)
    return Ready(master, whole, note, made_once(store, "candidate", whole.key, parts, candidate, kinds))


def _candidate(
    plan: Plan,
    device: Device,
    master: Master,
    reach: Reach,
    whole: Whole,
    gain: Gain,
    asks: tuple[Ask, ...],
) -> Candidate:
    """Price the ways of storing a sound; its loops, and the copies that these need, are made first."""
    planned, bench = master.planned, whole.bench
    rounds: Mapping[int, Sound] = {}
    if _goes_round(plan, device, whole, asks):
        rounds = _rounds(planned, whole, asks, held_until_s(whole.at_rate, plan.fit.hold_floor_db), reach)
    at_rate = None if bench.far else whole.at_rate
    return bench.do(_priced, planned, plan.fit, device, reach, gain.store_db, asks, rounds, whole.sound, at_rate)


def _priced(
    planned: PlannedSound,
    fit: FitWishes,
    device: Device,
    reach: Reach,
    store_db: float,
    asks: tuple[Ask, ...],
    rounds: Mapping[int, Sound],
    sound: Sound,
    at_rate: Sound | None,
) -> Candidate:
    """Price the ways of storing a sound, given its loops; what it is at the device's rate is made where it is not."""
    at_rate = at_rate or resample(sound, device.top_rate_hz)
    held_s = held_until_s(at_rate, fit.hold_floor_db)
    lasts = _lasting(rounds, held_s) if rounds else held_s
    required, optional = copies_for(asks, planned.copies, lasts, reach)
    held = any(ask.needs_s > 0 for ask in asks)
    floor_db = fit.hold_floor_db if held else None
    dither = dithers(device, held_s, held)
    ways = Ways.of(sound, device, store_db, dither, floor_db, fit.repitch_semitones)
    share = ways.loop_share(rounds[0]) if rounds else 0.0
    return Candidate(
        name=planned.name,
        variants=ways.plain(),
        loops={root: ways.looping(one, share) for root, one in rounds.items()},
        held_s=held_s,
        fade_s=fade_frames(at_rate.frames, at_rate.rate_hz) / at_rate.rate_hz,
        asks=asks,
        required=required,
        optional=optional,
        wish=planned.copies,
        whole=sound.whole,
        spare=planned.spare,
        strain=strain_of(ways.heard, asks, reach.natural) if optional else {},
        looped=sound.loop is not None,
        made_from=planned.from_sound,
    )


def _goes_round(plan: Plan, device: Device, whole: Whole, asks: Sequence[Ask]) -> bool:
    """Say whether a loop may be stored and would be held, and there is one to be had."""
    held = any(ask.needs_s > 0 for ask in asks)
    sound = whole.sound
    if not can_loop(device) or sound.whole or not (sound.loop or (held and "loop" in plan.fit.allow)):
        return False
    return whole.round(0).loop is not None


def _rounds(planned: PlannedSound, whole: Whole, asks: Sequence[Ask], held_s: float, reach: Reach) -> dict[int, Sound]:
    """Make the loops of a sound and of its copies, the sound's own at 0 among these.

    A copy may turn out to have no loop; then others may be needed, to hold what it was meant to hold.
    """
    rounds = {0: whole.round(0)}
    while True:
        lasts = _lasting(rounds, held_s)
        wanted = {root for roots in copies_for(asks, planned.copies, lasts, reach) for root in roots}
        unknown = sorted(wanted - rounds.keys())
        rounds |= {root: whole.round(root) for root in unknown}
        if not unknown:
            return {root: rounds[root] for root in (0, *sorted(wanted))}


def _lasting(rounds: Mapping[int, Sound], held_s: float) -> Callable[[int], float]:
    """Say how long each copy lasts, for ever where it loops; of one that was not made yet the best is hoped."""
    return lambda root: math.inf if root not in rounds or rounds[root].loop else held_s


def dithers(device: Device, held_s: float, held: bool) -> bool:
    """Say whether a sound is dithered: where it is held, by the song or by itself, hiss hides under it."""
    return device.dither == "tpdf" or (device.dither == "auto" and (held or held_s >= HELD_S))


def _nothing_left(plan: Plan, device: Device, master: Master) -> StepError:
    planned, top_hz = master.planned, device.top_rate_hz / 2
    where = f"{shown_path(plan.path)}: sound[{planned.place}] ({planned.name})"
    what = f"has nothing that {device.name} can store: all of it lies above {top_hz:g} Hz, or it is too short"
    return StepError(what, where=where, hint="leave it out, move it down, or take a device with a higher rate")
