"""Make one slot: copy, move, resample, cut, gain, quantise, and measure what the device will play."""

from __future__ import annotations

import math
from dataclasses import dataclass

from kitfold.measure.level import held_until_s, loudest_lufs, peak_db, true_peak_db
from kitfold.pack.balance import Gain, Levels
from kitfold.pack.convert import apply_gain
from kitfold.pack.line_in import recorded, sent
from kitfold.pack.prepare import copied, cut
from kitfold.pack.problem import Part
from kitfold.pack.quantise import content_seed, dequantise, quantise
from kitfold.pack.ready import Ready, dithers
from kitfold.pack.roots import RootNote, error_cents, moved
from kitfold.pack.stored import Stored
from kitfold.pack.ways import as_variant
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
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


def made_part(part: Part, ready: Ready, device: Device) -> tuple[Sound, Levels]:
    """Copy, move, resample and cut one part; a copy is stretched once."""
    if part.variant.loop:
        whole = ready.rounds[part.root]
    else:
        plain = ready.copies.get(part.root) or copied(ready.sound, part.root)
        whole = plain.with_samples(plain.samples, loop=None)
    sound = cut(as_variant(whole, part.variant), part.frames)
    return sound, Levels(ready.lufs, loudest_lufs(played_back(sound, part)), true_peak_db(sound))


def played_back(sound: Sound, part: Part) -> Sound:
    """Return a stored sound as it comes out at its root: what was stored an octave up is played an octave down."""
    return varispeed(sound, semitones_to_ratio(part.play_semitones)) if part.play_semitones else sound


def stored_slot(number: int, part: Part, ready: Ready, sound: Sound, gain: Gain, device: Device, plan: Plan) -> Slot:
    """Quantise one part and measure what the device will play."""
    loud = apply_gain(sound, gain.store_db)
    take = sent(loud, device) if device.loading == "line-in" else None
    if take is not None:
        loud = recorded(take, loud)
    dither = dithers(device, ready.candidate.held_s, any(one.ask.needs_s > 0 for one in part.serves))
    zero_ends = loud.loop is None
    codes = quantise(loud.samples, device.bits, device.encoding, dither, content_seed(loud.samples), zero_ends)
    stored = loud.with_samples(dequantise(codes, device.bits, device.encoding))
    played, note = played_back(stored, part), moved(ready.note, part.root)
    return Slot(
        slot=number,
        part=part,
        master=ready.master,
        stored=Stored(codes, loud.rate_hz, device.bits, device.encoding),
        loop=loud.loop,
        gain=gain,
        note=note,
        error_cents=error_cents(stored, moved(note, part.variant.octave)),
        lufs=loudest_lufs(played),
        peak_db=peak_db(stored),
        true_peak_db=true_peak_db(stored),
        held_s=_held_s(played, part, plan.fit.hold_floor_db),
        dithered=dither,
        history=ready.sound.history,
        sent=take,
    )


def _held_s(played: Sound, part: Part, floor_db: float) -> float:
    """Return how long the stored file lasts at setting 0: for ever where it loops."""
    if part.variant.loop:
        return math.inf
    return held_until_s(played, floor_db) * semitones_to_ratio(part.play_semitones)
