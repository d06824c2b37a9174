"""The ways in which a device could store one sound, each with what the ear would miss of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import inf

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.audible import (
    Heard,
    audible_error,
    companded_power,
    hear,
    lost_by_cuts,
    out_of_time,
    quantised_power,
    stored_errors,
)
from kitfold.measure.level import held_until_s
from kitfold.pack.asks import Ask
from kitfold.pack.convert import resample, resampled_frames
from kitfold.pack.prepare import fade_frames
from kitfold.pack.problem import Variant
from kitfold.plan.device import Device
from kitfold.plan.settings import Loop
from kitfold.sound import Sound
from kitfold.steps.loop import loop
from kitfold.units import semitones_to_ratio

__all__ = ["Ways", "as_variant", "can_loop", "looped", "strain_of"]

OCTAVE = 12
"""The interval that a sound is stored up by where a kit asks for no other: notes keep their names."""
_LEAST_COST = 1e-6
"""What a change costs at least, as a share: -60 dB."""
_BLOCK_S = 0.02  # tails are weighed in steps of this


def can_loop(device: Device) -> bool:
    """Say whether a loop may be stored: the device plays it, and something stops the note."""
    return device.loop and device.note_off == "stops"


def looped(sound: Sound) -> Sound:
    """Return a sound with the better of a found and a made sustain loop; without one where there is none."""
    return loop(sound, Loop())


def as_variant(sound: Sound, variant: Variant) -> Sound:
    """Return a sound at a variant's pitch and rate, whole; a loop moves along."""
    return resample(sound, variant.rate_hz, semitones_to_ratio(variant.up_semitones))


@dataclass(frozen=True, eq=False)
class Ways:
    """What decides how a sound could be stored.

    Parameters
    ----------
    sound : Sound, in the device's channels, at its own rate
    device : Device
    dither : bool
    heard : Heard, the sound at the gain at which it will be stored
    hold_floor_db : float or None, where a held sound ends; None where nothing holds it
    repitch_semitones : tuple of int, how far up it may be stored, as far as the device can play it back down
    """

    sound: Sound
    device: Device
    dither: bool
    heard: Heard
    hold_floor_db: float | None = None
    repitch_semitones: tuple[int, ...] = (OCTAVE,)

    @classmethod
    def of(
        cls,
        sound: Sound,
        device: Device,
        store_db: float,
        dither: bool,
        hold_floor_db: float | None = None,
        repitch_semitones: tuple[int, ...] = (OCTAVE,),
    ) -> Ways:
        """Listen to a sound at the gain at which it will be stored."""
        return cls(sound, device, dither, hear(sound, store_db), hold_floor_db, repitch_semitones)

    def plain(self) -> tuple[Variant, ...]:
        """Return the variants without a loop: every rate, at pitch and each interval up, the plainest first."""
        rates = sorted(self.device.rate_hz, reverse=True)
        ups = (0, *(up for up in self.repitch_semitones if self.device.transpose[0] <= -up))
        plainest, *others = [self._variant(rate_hz, up) for up in ups for rate_hz in rates]
        base = float(plainest.shares[-1])
        return (_over(plainest, base), *(_over(other, base, _LEAST_COST) for other in others))

    def looping(self, round_sound: Sound, share: float) -> tuple[Variant, ...]:
        """Return the looped variants of a sound or copy.

        Parameters
        ----------
        round_sound : Sound, with its loop
        share : float, what going round costs, by `loop_share`
        """
        if round_sound.loop is None:
            return ()
        found = []
        for plain in self.plain():
            frames = as_variant(round_sound, plain).frames
            shares = np.full(2, float(plain.shares[-1]) + share)
            found.append(Variant(plain.rate_hz, plain.up_semitones, True, frames, frames, shares))
        return tuple(found)

    def loop_share(self, round_sound: Sound) -> float:
        """Return what it costs that the sound goes round instead of running on, heard over its own length."""
        return audible_error(self.heard, round_sound.sustained(self.sound.frames))

    def _variant(self, rate_hz: int, up_semitones: int) -> Variant:
        ratio = semitones_to_ratio(up_semitones)
        frames = resampled_frames(self.sound.frames, ratio * self.sound.rate_hz, rate_hz)
        block = max(1, int(_BLOCK_S * rate_hz / ratio))
        kept = np.minimum(np.arange(-(-frames // block) + 1) * block, frames)
        fades = np.array([fade_frames(int(n), rate_hz) if n < frames else 0 for n in kept])
        top_hz = rate_hz / 2 / ratio
        errors = stored_errors(self.heard, min(top_hz, self.sound.rate_hz / 2), self._noise_power(), top_hz)
        played_hz = rate_hz / ratio
        # what storing adds is there at any length: a cut must not buy off hiss with a tail that was worth hearing
        stored = float(lost_by_cuts(self.heard, [np.inf], 0.0, errors)[0])
        shares = stored + _falling(lost_by_cuts(self.heard, kept / played_hz, fades / played_hz))
        return Variant(rate_hz, up_semitones, False, frames, block, shares, self._held_s(int(rate_hz / ratio)))

    def _held_s(self, rate_hz: int) -> float:
        """Return how long the sound holds with the band that a rate leaves; what was bright may die away sooner."""
        if self.hold_floor_db is None:
            return inf
        return held_until_s(resample(self.sound, rate_hz), self.hold_floor_db)

    def _noise_power(self) -> float | NDArray[np.floating]:
        """Return the mean square of what the codes add, full scale 1."""
        if self.device.encoding in ("mu-law", "a-law"):
            return np.asarray(companded_power(self.heard, self.device.encoding))
        return 0.0 if self.device.encoding == "float" else quantised_power(self.device.bits, self.dither)


def strain_of(heard: Heard, asks: Iterable[Ask], natural: float) -> Mapping[int, float]:
    """Price every setting beyond the natural range: what it costs that the sound runs so much too fast or slow."""
    moves = {ask.semitones for ask in asks}
    settings = {move - root for move in moves for root in (0, *moves)}
    return {s: out_of_time(heard, semitones_to_ratio(s)) for s in sorted(settings) if abs(s) > natural}


def _over(variant: Variant, base: float, least: float = 0.0) -> Variant:
    """Count a variant's cost from what the plain one costs, which the device takes from every sound whatever is chosen.

    Only the storing is counted so: a cut costs what it costs, or the hiss that a higher pitch spares would pay for a
    tail that was worth hearing. Any other than the plain one costs at least a little more, so that it is taken only to
    save room: noise that plays lower than stored may even be heard less, but no musician wants a changed sound where
    nothing is short.
    """
    whole = float(variant.shares[-1])
    return replace(variant, shares=max(whole - base, 0.0) + (variant.shares - whole) + least)


def _falling(shares: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return a longer sound's error never above a shorter one's: what a fade hides is not worth a cut."""
    return np.minimum.accumulate(np.asarray(shares, dtype=np.float64))
