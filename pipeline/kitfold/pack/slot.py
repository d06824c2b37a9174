"""Make one slot: copy, move, resample, cut, gain, quantise, and measure what the device will play."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from kitfold.files.maps import let_go
from kitfold.measure.level import held_until_s, loudest_lufs, peak_db, true_peak_db
from kitfold.pack.balance import Gain, Levels
from kitfold.pack.convert import apply_gain
from kitfold.pack.line_in import recorded, sent
from kitfold.pack.once import made_once
from kitfold.pack.prepare import cut
from kitfold.pack.problem import Part
from kitfold.pack.quantise import Codes, content_seed, dequantise, quantise
from kitfold.pack.ready import Ready, dithers
from kitfold.pack.roots import RootNote, error_cents, moved
from kitfold.pack.stored import Stored
from kitfold.pack.ways import as_variant
from kitfold.pack.whole import Whole
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.render.keys import key_of
from kitfold.render.masters import Master
from kitfold.sound import Done, Sound
from kitfold.steps.shift import varispeed
from kitfold.units import semitones_to_ratio

__all__ = ["Slot", "made_part", "played_back", "stored_slot"]


@dataclass(frozen=True, eq=False)
class Slot:
    """One filled slot and what was measured on it.

    Parameters
    ----------
    slot : int, from 1
    part : Part
    master : Master
    stored : Stored, the codes
    loop : (start, end) or None, frames, end exclusive
    gain : Gain
    note : RootNote
    error_cents : float or None
    lufs, peak_db, true_peak_db : float, of the stored file
    held_s : float, seconds that the stored file lasts at setting 0; infinite where it loops
    dithered : bool
    history : tuple of Done, its steps, and the fold for this device
    sent : Sound or None, what the line input should hear of it; None for a device that is loaded with files
    key : str, everything that the codes hang on, as one name; empty where the master has none
    whole : Whole or None, what it was made from
    """

    slot: int
    part: Part
    master: Master
    stored: Stored
    loop: tuple[int, int] | None
    gain: Gain
    note: RootNote
    error_cents: float | None
    lufs: float
    peak_db: float
    true_peak_db: float
    held_s: float
    dithered: bool
    history: tuple[Done, ...]
    sent: Sound | None = None
    key: str = ""
    whole: Whole | None = None


@dataclass(frozen=True, eq=False)
class _Converted:
    """What a device makes of a part: a slot's own fields of the same names, and its stored rate."""

    codes: Codes
    rate_hz: int
    loop: tuple[int, int] | None
    error_cents: float | None
    lufs: float
    peak_db: float
    true_peak_db: float
    held_s: float
    sent: Sound | None


def made_part(part: Part, ready: Ready) -> tuple[Sound, Levels]:
    """Copy, move, resample and cut one part; a copy is stretched once."""
    source = ready.whole

    def made() -> tuple[Sound, Levels]:
        plain = source.round(part.root) if part.variant.loop else source.copy(part.root)
        return source.bench.do(_cut_part, part, plain, source.levels.wanted_lufs)

    return made_once(source.bench.store, "part", source.key, _wanted(part), made, (Levels,))


def _cut_part(part: Part, plain: Sound, wanted_lufs: float) -> tuple[Sound, Levels]:
    """Bring a whole sound, or a copy of one, to a part's pitch, rate and length, and measure that."""
    whole = plain if part.variant.loop else plain.with_samples(plain.samples, loop=None)
    sound = cut(as_variant(whole, part.variant), part.frames)
    lufs = loudest_lufs(played_back(sound, part))
    return sound, Levels(wanted_lufs, lufs, true_peak_db(sound))


def _wanted(part: Part) -> list[Any]:
    """Return what of a part its samples hang on."""
    return [part.root, part.frames, part.variant.rate_hz, part.variant.up_semitones, part.variant.loop]


def played_back(sound: Sound, part: Part) -> Sound:
    """Return a stored sound as it comes out at its root: what was stored higher is played as much lower."""
    return varispeed(sound, semitones_to_ratio(part.play_semitones)) if part.play_semitones else sound


def stored_slot(
    number: int,
    part: Part,
    ready: Ready,
    sound: Sound,
    gain: Gain,
    device: Device,
    plan: Plan,
) -> Slot:
    """Quantise one part and measure what the device will play."""
    let_go(sound.samples.nbytes)
    dither = dithers(device, ready.candidate.held_s, any(one.ask.needs_s > 0 for one in part.serves))
    note, floor_db = moved(ready.note, part.root), plan.fit.hold_floor_db
    parts = [*_wanted(part), gain.store_db, dither, asdict(note), floor_db]

    def converted() -> _Converted:
        return ready.whole.bench.do(_converted, part, sound, gain.store_db, device, dither, note, floor_db)

    made = made_once(ready.whole.bench.store, "slot", ready.whole.key, parts, converted, (_Converted,))
    return Slot(
        slot=number,
        part=part,
        master=ready.master,
        stored=Stored(made.codes, made.rate_hz, device.bits, device.encoding),
        loop=made.loop,
        gain=gain,
        note=note,
        error_cents=made.error_cents,
        lufs=made.lufs,
        peak_db=made.peak_db,
        true_peak_db=made.true_peak_db,
        held_s=made.held_s,
        dithered=dither,
        history=ready.whole.history,
        sent=made.sent,
        key=key_of("slot", ready.whole.key, parts) if ready.whole.key else "",
        whole=ready.whole,
    )


def _converted(
    part: Part, sound: Sound, store_db: float, device: Device, dither: bool, note: RootNote, floor_db: float
) -> _Converted:
    """Send a part through the line input where the device has no other way in, quantise it and measure that."""
    loud = apply_gain(sound, store_db)
    take = sent(loud, device) if device.loading == "line-in" else None
    if take is not None:
        loud = recorded(take, loud)
    zero_ends = loud.loop is None
    codes = quantise(loud.samples, device.bits, device.encoding, dither, content_seed(loud.samples), zero_ends)
    stored = loud.with_samples(dequantise(codes, device.bits, device.encoding))
    played = played_back(stored, part)
    return _Converted(
        codes=codes,
        rate_hz=loud.rate_hz,
        loop=loud.loop,
        error_cents=error_cents(stored, moved(note, part.variant.up_semitones)),
        lufs=loudest_lufs(played),
        peak_db=peak_db(stored),
        true_peak_db=true_peak_db(stored),
        held_s=_held_s(played, part, floor_db),
        sent=take,
    )


def _held_s(played: Sound, part: Part, floor_db: float) -> float:
    """Return how long the stored file lasts at setting 0: for ever where it loops."""
    if part.variant.loop:
        return math.inf
    return held_until_s(played, floor_db) * semitones_to_ratio(part.play_semitones)
