"""Casting: what the sketch needs to know of a packed kit, and which slot plays which of its notes, at what setting."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from kitfold.pack.kit import Packed, Slot
from kitfold.pack.room import leave_room, let_ring
from kitfold.pack.sketch import sketched
from kitfold.pack.sketch_model import NoteEvent, Player, Sketch
from kitfold.plan.plan import Plan, PlannedSound
from kitfold.plan.settings import Riser
from kitfold.units import semitones_to_ratio

__all__ = ["Cast", "Casting", "arranged"]


@dataclass(frozen=True, eq=False)
class Cast:
    """A slot, and how far from its stored pitch it is played, in semitones."""

    slot: Slot
    setting: int

    @property
    def lasts_s(self) -> float:
        """How long it sounds there when nothing cuts it, in seconds; for ever where it loops."""
        stored = self.slot.stored
        return math.inf if self.slot.loop else stored.frames / stored.rate_hz / semitones_to_ratio(self.setting)


@dataclass(frozen=True, eq=False)
class Casting:
    """Which slot plays what.

    Parameters
    ----------
    packed : Packed
    """

    packed: Packed
    _found: dict[tuple[str, str, str, int], Cast | None] = field(default_factory=dict, init=False)

    def of(self, note: NoteEvent) -> Cast | None:
        """Return what plays a note: as the fit chose, else the nearest root that reaches it; None if none does."""
        key = (note.sound, note.section, note.chord, note.semitones)
        if key not in self._found:
            self._found[key] = self._served.get(key) or self._nearest(note.sound, note.semitones)
        return self._found[key]

    @cached_property
    def _served(self) -> Mapping[tuple[str, str, str, int], Cast]:
        return {
            (slot.part.name, served.ask.section, served.ask.chord, served.ask.semitones): Cast(slot, served.setting)
            for slot in self.packed.slots
            for served in slot.part.serves
            if served.root is not None
        }

    def _nearest(self, name: str, semitones: int) -> Cast | None:
        low, high = self.packed.device.transpose
        casts = [
            Cast(slot, semitones - slot.part.root + slot.part.play_semitones)
            for slot in self.packed.slots
            if slot.part.name == name
        ]
        reached = [cast for cast in casts if low <= cast.setting <= high]
        return min(reached, key=lambda cast: (abs(semitones - cast.slot.part.root), cast.setting), default=None)


def arranged(plan: Plan, packed: Packed) -> Sketch:
    """Return the sketch of a kit on a device: what is played, thinned so that its voices suffice.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    """
    casting, note_stops = Casting(packed), packed.device.note_off == "stops"
    sketch = sketched(plan.song, plan.key, _players(plan, packed))

    def rings(note: NoteEvent) -> tuple[Hashable, float]:
        cast = casting.of(note)
        if cast is None:
            return note.sound, 0.0
        beats = cast.lasts_s * sketch.tempo / 60.0
        return cast.slot.slot, min(note.beats, beats) if note_stops or note.role == "held" else beats

    return let_ring(leave_room(sketch, packed.device.voices, rings))


def _players(plan: Plan, packed: Packed) -> list[Player]:
    own = {slot.part.name: slot for slot in packed.slots if slot.part.root == 0}
    low, high = packed.device.transpose
    players = []
    for sound in plan.sounds:
        if slot := own.get(sound.name):
            back = slot.part.play_semitones
            players.append(
                Player(
                    name=sound.name,
                    plays=sound.plays,
                    pitch_class=slot.note.pitch_class,
                    lasts_s=Cast(slot, back).lasts_s,
                    lead_s=_lead_s(sound) if slot.master.sound.whole else 0.0,
                    moves=(low - back, high - back),
                )
            )
    return players


def _lead_s(sound: PlannedSound) -> float:
    """Return how long a swell takes to its peak, in seconds; 0 where no step says so."""
    lengths = [step.settings.length_s for step in sound.steps if isinstance(step.settings, Riser)]
    return lengths[-1] or 0.0 if lengths else 0.0
