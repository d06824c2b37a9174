"""The step `loop`: finds or makes a seamless sustain loop."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.held import level_track
from kitfold.measure.pitch import held_pitch_hz
from kitfold.measure.root import find_root
from kitfold.measure.seam import Seam, level_ripple_db, measure_seam, round_pitch_hz
from kitfold.plan.settings import Loop
from kitfold.sound import Sound
from kitfold.steps.loop_beat import beat_said
from kitfold.steps.loop_find import Join, Span, find_joins
from kitfold.steps.loop_freeze import calm_places, entered, frozen
from kitfold.steps.seam import turn_of
from kitfold.units import cents_between, cents_to_ratio, seconds_to_frames

__all__ = ["loop"]

Real = NDArray[np.float64]

_LENGTHS = 0.6, 1.4  # of length_s: how far the loop's length may lie from it
_ATTACK_S = 0.1  # after the level has come up: still the attack
_UP_DB = -3.0  # under the loudest: where the held part starts
_DOWN_DB = (-6.0, -9.0, -12.0, -18.0, -24.0)  # ... and ends: the first that leaves room for a loop
_SHORTEST_S = 0.12  # of the held part
_PERIODS = 6
_TRIED = 5  # joins that are made and measured; `find` tries as many again where none of them is good
_FROZEN_FROM_S = 5.0  # of the sound, at most, make a frozen round
_PLACES = 3  # of a frozen round where its seam is tried
_FROZEN = 3  # joins that are frozen, one after the other, until one is good
_SECOND_COSTS = 0.15  # in likeness: where the seam does not hang on it, a shorter way to a loop's end is better
_SECOND_COSTS_DB = 2.0  # what a second of memory counts against a better seam
_MORE_RIPPLE_DB = 2.0
_SEAM_DB = 0.5
_CENTS = 3.0


@dataclass(frozen=True, eq=False)
class _Made:
    """A looped sound, and how well it goes round beside its source."""

    sound: Sound
    method: str
    likeness: float
    seam: Seam
    source_ripple_db: float
    root_hz: float | None
    pitch_hz: float | None

    @cached_property
    def cents(self) -> float | None:
        """How far the loop's pitch lies over the source's; None where there is none."""
        hz = None if self.root_hz is None else round_pitch_hz(self.sound, self.root_hz)
        return None if hz is None or self.pitch_hz is None else cents_between(self.pitch_hz, hz)

    @property
    def seam_fault_db(self) -> float:
        """By how much the seam and the ripple miss what a good loop keeps; 0 where they do not."""
        ripple_db = self.seam.ripple_db - self.source_ripple_db - _MORE_RIPPLE_DB
        return max(0.0, self.seam.excess_db - _SEAM_DB, ripple_db)

    @property
    def fault_db(self) -> float:
        """The same with the pitch, where a cent too many counts as a dB: measured only where it decides."""
        return max(self.seam_fault_db, abs(self.cents or 0.0) - _CENTS)

    @property
    def cost_db(self) -> float:
        """What it costs beside the pitch: standing out, and memory."""
        return 4.0 * self.seam_fault_db + max(self.seam.excess_db, -3.0) + _SECOND_COSTS_DB * self.sound.seconds


@dataclass(frozen=True, eq=False)
class _Work:
    """A sound that shall sustain: where a loop may lie in it, its root, and its exact pitch there."""

    source: Sound
    samples: Real
    span: Span
    root_hz: float | None
    pitch_hz: float | None

    def found(self, join: Join) -> _Made:
        """Make the loop that a join stands for."""
        turn, likeness, _ = turn_of(self.samples, join.start, join.length, self.span.fade)
        return self._measured(np.concatenate([self.samples[: join.start], turn]), join, "find", likeness)

    def frozen(self, join: Join) -> _Made:
        """Freeze the round that a join stands for; where the sound wanders out of tune there, at its own pitch."""
        made = self._frozen(join, 1.0)
        if made.seam_fault_db == made.fault_db or made.cents is None:
            return made
        return self._frozen(join, cents_to_ratio(-made.cents))

    def _frozen(self, join: Join, ratio: float) -> _Made:
        rate_hz, fade = self.source.rate_hz, self.span.fade
        many = max(1, min(self.span.end - join.start, round(_FROZEN_FROM_S * rate_hz)) // join.length)
        rounds, _, _ = turn_of(self.samples, join.start, many * join.length, fade)
        enters = join.start - fade
        near, _, _ = turn_of(self.samples, join.start, join.length, fade)
        still = frozen(rounds, join.length, rate_hz, ratio)
        still *= np.sqrt(np.mean(near * near) / max(float(np.mean(still * still)), 1e-30))
        before = self.samples[enters : join.start]
        made = []
        for place in calm_places(still, rate_hz, _PLACES):
            led, turned, likeness = entered(before, still, place, rate_hz)
            whole = np.concatenate([self.samples[:enters], led, turned])
            made.append(self._measured(whole, join, "freeze", likeness))
        return min(made, key=lambda one: one.cost_db)

    def _measured(self, samples: Real, join: Join, method: str, likeness: float) -> _Made:
        sound = self.source.with_samples(samples, loop=(join.start, join.start + join.length))
        ripple_db = level_ripple_db(self.samples[join.start : join.start + join.length], sound.rate_hz)
        return _Made(sound, method, likeness, measure_seam(sound), ripple_db, self.root_hz, self.pitch_hz)


def loop(sound: Sound, settings: Loop) -> Sound:
    """Make a sound sustain for ever: find the loop that joins best, or freeze the sound's own spectrum into one.

    The attack stays as it is. What lies behind the loop's end is cut: a note that is held never gets there.

    Parameters
    ----------
    sound : Sound, any length and channels; a loop that it has is replaced
    settings : Loop
        `find` keeps the sound's own course, `freeze` spreads it evenly; `auto` takes `find` where nothing stands out,
        else what stands out less. The loop's length lies within 0.6 and 1.4 of `length_s` and holds whole periods of
        the root within a cent.

    Returns
    -------
    Sound, (end of the loop, channels), with `loop` set. Silence, and sounds held for less than 0.12 s or six periods,
    come back as they were, and say so.
    """
    source = sound.with_samples(sound.samples, loop=None)
    root_hz = sound.root_hz or _heard_root_hz(source)
    span = _span(source, settings, root_hz)
    if span is None:
        return source.telling("no loop was made: nothing is held long enough.") if sound.frames > 1 else source
    work = _Work(source, source.float64(), span, root_hz, held_pitch_hz(source, root_hz) if root_hz else None)
    made = _best(work, settings.method)
    start, end = made.sound.loop or (0, 0)
    return made.sound.telling(
        *beat_said(source, root_hz, (end - start) / sound.rate_hz),
        method=made.method,
        start_s=round(start / sound.rate_hz, 4),
        length_s=round((end - start) / sound.rate_hz, 4),
        likeness=round(made.likeness, 3),
        seam_db=round(made.seam.excess_db, 2),
        ripple_db=round(made.seam.ripple_db, 2),
        source_ripple_db=round(made.source_ripple_db, 2),
        moved_cents=None if made.cents is None else round(made.cents, 2),
    )


def _best(work: _Work, method: str) -> _Made:
    joins = find_joins(work.samples, work.source.rate_hz, work.span, work.root_hz)
    made: list[_Made] = []
    for place in {"find": (0, _TRIED), "auto": (0,), "freeze": ()}[method]:
        made += [work.found(join) for join in joins[place : place + _TRIED]]
        good = _first_good(made)
        if good is not None:
            return good
    if method != "find":
        made += _frozen_ones(work, joins)
    return min(made, key=lambda one: (one.fault_db, one.cost_db))


def _first_good(made: list[_Made]) -> _Made | None:
    """Return the cheapest without a fault."""
    faultless = (one for one in sorted(made, key=lambda one: one.cost_db) if one.seam_fault_db == 0.0)
    return next((one for one in faultless if one.fault_db == 0.0), None)


def _frozen_ones(work: _Work, joins: list[Join]) -> list[_Made]:
    """Freeze the sound until that is good, as early in it as that may be."""
    cost = _SECOND_COSTS / work.source.rate_hz
    made: list[_Made] = []
    for join in sorted(joins, key=lambda join: cost * (join.start + join.length) - join.likeness)[:_FROZEN]:
        made.append(work.frozen(join))
        if made[-1].fault_db == 0.0:
            break
    return made


def _span(sound: Sound, settings: Loop, root_hz: float | None) -> Span | None:
    """Find where a loop may lie: in the held part, shortened where that is short."""
    fade, wanted = seconds_to_frames(settings.crossfade_ms / 1000.0, sound.rate_hz), settings.length_s * sound.rate_hz
    held = _held(sound, round(wanted) + 2 * fade)
    if held is None:
        return None
    start, end = held
    shortest = max(_SHORTEST_S, _PERIODS / (root_hz or 1000.0))
    if end - start < shortest * sound.rate_hz:
        return None
    fade = max(16, min(fade, (end - start) // 6, round(0.5 * wanted)))
    most = min(round(_LENGTHS[1] * wanted), end - start - fade)
    least = max(fade + 16, min(round(_LENGTHS[0] * wanted), round(0.7 * most)))
    return Span(start + fade, end, least, most, fade)


def _held(sound: Sound, enough: int) -> tuple[int, int] | None:
    from kitfold.measure.compiled import uniform_filter1d

    power, hop = level_track(sound.float64(), sound.rate_hz)
    if len(power) < 10 or not power.any():
        return None
    smooth = uniform_filter1d(power, 10, mode="nearest")
    loudest = smooth.max()
    start = int(np.argmax(smooth >= loudest * 10.0 ** (_UP_DB / 10.0))) * hop + round(_ATTACK_S * sound.rate_hz)
    ends = [(int(np.flatnonzero(smooth >= loudest * 10.0 ** (db / 10.0))[-1]) + 1) * hop for db in _DOWN_DB]
    return start, next((end for end in ends if end - start >= enough), ends[-1])


def _heard_root_hz(sound: Sound) -> float | None:
    root = find_root(sound)
    return root.hz if root.pitched else None
