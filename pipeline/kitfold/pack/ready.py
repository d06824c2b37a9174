"""Make a master ready for one device: what the song asks of it, and what each way of storing it would cost."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache, partial

from kitfold.errors import StepError
from kitfold.files import Store
from kitfold.measure.level import held_until_s, loudest_lufs, true_peak_db
from kitfold.pack.asks import Ask, asks_of
from kitfold.pack.balance import Gain, Levels
from kitfold.pack.convert import resample
from kitfold.pack.holds import Reach, copies_for
from kitfold.pack.known import Known
from kitfold.pack.once import made_once
from kitfold.pack.prepare import copied, fade_frames, folded, played_out
from kitfold.pack.problem import Candidate, Variant
from kitfold.pack.roots import RootNote, root_note
from kitfold.pack.ways import Ways, can_loop, looped, strain_of
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.plan.toml import shown_path
from kitfold.render.keys import key_of
from kitfold.render.masters import SILENT, Master
from kitfold.sound import Done, Sound
from kitfold.units import semitones_to_ratio

__all__ = ["Ready", "Whole", "dithers", "made_ready", "whole_levels"]

HELD_S = 1.0
"""What holds so long is no hit: swells and pads need dither also where no song holds them."""
_TRITONE = 6  # the furthest that the shortest way between two pitch classes can be
MOST_LOST_LU = 60.0
"""What a device's rate may take from a sound's loudness: of one that lies 60 dB lower there only noise is left."""

_master_lufs = Known(loudest_lufs)  # whatever the device


@dataclass(frozen=True, eq=False)
class Whole:
    """A master in a device's channels, measured; its samples are made where somebody asks for them.

    Parameters
    ----------
    key : str, everything that it hangs on, as one name; empty where the master has none
    levels : Levels, at the device's rate
    history : tuple of Done, the master's steps, and the fold for this device
    sounds : gives it at its own rate and at the device's
    """

    key: str
    levels: Levels
    history: tuple[Done, ...]
    sounds: Callable[[], tuple[Sound, Sound]]

    @property
    def sound(self) -> Sound:
        """The sound at its own rate."""
        return self.sounds()[0]

    @property
    def at_rate(self) -> Sound:
        """The sound at the device's highest rate."""
        return self.sounds()[1]


@dataclass(frozen=True, eq=False)
class Ready:
    """A master made ready for one device.

    Parameters
    ----------
    master : Master
    whole : Whole
    note : RootNote
    candidate : Candidate
    copies : mapping, transposition to the copy that was stretched already
    rounds : mapping, transposition (0 is the sound itself) to the looped sound, where that was made already
    """

    master: Master
    whole: Whole
    note: RootNote
    candidate: Candidate
    copies: Mapping[int, Sound]
    rounds: Mapping[int, Sound]

    @property
    def sound(self) -> Sound:
        """The sound, folded, at its own rate."""
        return self.whole.sound

    @property
    def lufs(self) -> float:
        """The loudness of its master."""
        return self.whole.levels.wanted_lufs

    def copy(self, root: int) -> Sound:
        """Return a transposition; 0 is the sound itself."""
        return self.copies.get(root) or copied(self.sound, root)

    def round(self, root: int) -> Sound:
        """Return a transposition with its loop."""
        if root in self.rounds:
            return self.rounds[root]
        plain = self.copy(root)
        return plain if plain.loop and not root else looped(plain)


def whole_levels(plan: Plan, device: Device, master: Master, store: Store | None = None) -> Whole:
    """Bring a master into a device's channels and rate, and measure what is left of it.

    Raises
    ------
    StepError : where that is nothing
    """
    longest_s = _longest_hold_s(plan) if master.sound.loop else 0.0
    parts = [device.model_dump(mode="json"), longest_s]
    sounds = cache(partial(_in_device, device, master.sound, longest_s))

    def measured() -> tuple[Levels, tuple[Done, ...]]:
        sound, at_rate = sounds()
        if at_rate.peak() < SILENT or loudest_lufs(at_rate) < loudest_lufs(sound) - MOST_LOST_LU:
            raise _nothing_left(plan, device, master)
        return Levels(_master_lufs(master.sound), loudest_lufs(at_rate), true_peak_db(at_rate)), sound.history

    levels, history = made_once(store, "whole", master.key, parts, measured, (Levels,))
    return Whole(key_of("whole", master.key, parts) if master.key else "", levels, history, sounds)


def _in_device(device: Device, master: Sound, longest_s: float) -> tuple[Sound, Sound]:
    """Return a master folded, at its own rate and at the device's."""
    sound = folded(master, device)
    if sound.loop is not None and not can_loop(device):
        sound = played_out(sound, longest_s)
    return sound, resample(sound, device.top_rate_hz)


def _longest_hold_s(plan: Plan) -> float:
    """Return the longest that any chord of the song could take of a stored sound: played a tritone up."""
    held = [plan.song.held_s(one.patterns) for section in plan.song.sections for one in section.triggers]
    return max(held, default=0.0) * semitones_to_ratio(_TRITONE)


def made_ready(
    plan: Plan, device: Device, master: Master, reach: Reach, whole: Whole, gain: Gain, store: Store | None = None
) -> Ready:
    """Say what the song asks of a sound, and what each way of storing it would cost the ear."""
    planned, a4_hz = master.planned, plan.kit.a4_hz
    note = made_once(store, "note", master.key, [a4_hz], lambda: root_note(master.sound, a4_hz), (RootNote,))
    asks = asks_of(planned.name, planned.plays, note.pitch_class, plan.song)
    copies, rounds = dict[int, Sound](), dict[int, Sound]()
    parts = [
        planned.name,
        planned.copies,
        planned.spare,
        [asdict(ask) for ask in asks],
        plan.fit.model_dump(mode="json"),
        asdict(reach),
        gain.store_db,
    ]

    def candidate() -> Candidate:
        return _candidate(plan, device, master, reach, whole, gain, asks, copies, rounds)

    kinds = (Candidate, Variant, Ask)
    return Ready(master, whole, note, made_once(store, "candidate", whole.key, parts, candidate, kinds), copies, rounds)


def _candidate(
    plan: Plan,
    device: Device,
    master: Master,
    reach: Reach,
    whole: Whole,
    gain: Gain,
    asks: tuple[Ask, ...],
    copies: dict[int, Sound],
    rounds: dict[int, Sound],
) -> Candidate:
    """Price the ways of storing a sound; what copies and loops are made for that are left in `copies` and `rounds`."""
    planned = master.planned
    sound, at_rate = whole.sounds()
    held_s = held_until_s(at_rate, plan.fit.hold_floor_db)
    round_sound = _round(plan, device, sound, asks)
    if round_sound is None:
        required, optional = copies_for(asks, planned.copies, held_s, reach)
    else:
        made, looped_ones = _round_copies(asks, planned.copies, round_sound, sound, held_s, reach)
        copies.update(made)
        rounds.update(looped_ones)
        required, optional = copies_for(asks, planned.copies, _lasting(rounds, held_s), reach)
    held = any(ask.needs_s > 0 for ask in asks)
    floor_db = plan.fit.hold_floor_db if held else None
    dither = dithers(device, held_s, held)
    ways = Ways.of(sound, device, gain.store_db, dither, floor_db, plan.fit.repitch_semitones)
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
        whole=master.sound.whole,
        spare=planned.spare,
        strain=strain_of(ways.heard, asks, reach.natural) if optional else {},
        looped=sound.loop is not None,
    )


def _round(plan: Plan, device: Device, sound: Sound, asks: Sequence[Ask]) -> Sound | None:
    """Return the looped sound where a loop may be stored and would be held; nothing where there is none to be had."""
    held = any(ask.needs_s > 0 for ask in asks)
    if not can_loop(device) or sound.whole or not (sound.loop or (held and "loop" in plan.fit.allow)):
        return None
    round_sound = sound if sound.loop else looped(sound)
    return round_sound if round_sound.loop else None


def _round_copies(
    asks: Sequence[Ask], wish: str, round_sound: Sound, sound: Sound, held_s: float, reach: Reach
) -> tuple[dict[int, Sound], dict[int, Sound]]:
    """Make the copies of a looped sound and their loops, the sound's own at 0 among these.

    A copy may turn out to have no loop; then others may be needed, to hold what it was meant to hold.
    """
    copies, rounds = dict[int, Sound](), {0: round_sound}
    while True:
        wanted = {root for roots in copies_for(asks, wish, _lasting(rounds, held_s), reach) for root in roots}
        unknown = sorted(wanted - copies.keys())
        copies |= {root: copied(sound, root) for root in unknown}
        rounds |= {root: looped(copies[root]) for root in unknown}
        if not unknown:
            return {root: copies[root] for root in wanted}, {root: rounds[root] for root in (0, *sorted(wanted))}


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
