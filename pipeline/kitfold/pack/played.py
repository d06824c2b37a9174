"""A packed kit as it is played: every slot measured once, and which notes of it each section asks for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from statistics import median

import numpy as np

from kitfold.measure.audible import quantised_power
from kitfold.measure.held import level_track
from kitfold.measure.masking import Spectrum, loudest_spectrum
from kitfold.measure.noise import white_noise_power
from kitfold.measure.portrait import brightness_hz
from kitfold.pack.kit import Packed, Slot
from kitfold.pack.quantise import dequantise
from kitfold.pack.slots import stored_name
from kitfold.plan.plan import Plan
from kitfold.plan.song import Section
from kitfold.sound import Sound

__all__ = ["HELD_S", "Note", "Played", "PlayedKit", "play_kit"]

HELD_S = 1.0
"""What sounds so long is held, whether a song holds it or not: the packer's own line between pads and hits."""
_SOUNDING_DB = -12.0  # as far under its loudest a sound still counts as there: the kit's default hold floor


@dataclass(frozen=True, eq=False)
class Played:
    """A slot as the device plays it.

    Parameters
    ----------
    slot : Slot
    sound : Sound, the stored codes turned back into samples
    gain_db : float, dB, what turns it into the level that the recipes set: the slot's level and one gain for all
    """

    slot: Slot
    sound: Sound
    gain_db: float

    @property
    def label(self) -> str:
        """What its file is called."""
        return stored_name(self.slot.part.name, self.slot.part.root)

    @cached_property
    def noise(self) -> float:
        """Mean square of the noise that storing added, all channels together.

        Measured; of a sound that fills every band, no more than twice what its steps can give.
        """
        stored = self.slot.stored
        measured = white_noise_power(self.sound)
        if stored.encoding not in ("unsigned", "signed"):
            return measured
        return min(measured, 2.0 * quantised_power(stored.bits, self.slot.dithered) * self.sound.channels)

    @cached_property
    def spectrum(self) -> Spectrum:
        """The spectrum of its loudest 400 ms."""
        return loudest_spectrum(self.sound, self.noise)

    @cached_property
    def brightness_hz(self) -> float:
        """The middle of its power in frequency, at its own root."""
        return brightness_hz(self.sound)

    @cached_property
    def sounds_s(self) -> float:
        """How long it is within 12 dB of its loudest, at its own root, in seconds."""
        power, hop = level_track(self.sound.float64(), self.sound.rate_hz)
        near = int((power >= power.max(initial=0.0) * 10.0 ** (_SOUNDING_DB / 10.0)).sum())
        return max(near * hop, min(hop, self.sound.frames)) / self.sound.rate_hz


@dataclass(frozen=True)
class Note:
    """A slot and what the device is set to.

    Parameters
    ----------
    played : Played
    setting : int, semitones
    needs_s : float, seconds that it is held; 0 where nothing holds it
    """

    played: Played
    setting: int
    needs_s: float

    @property
    def pitch_hz(self) -> float | None:
        """The pitch that it should have."""
        note = self.played.slot.note
        return None if note.midi is None or note.hz is None else float(note.hz * 2.0 ** (self.setting / 12.0))


@dataclass(frozen=True, eq=False)
class PlayedKit:
    """A whole kit as it is played.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    slots : tuple of Played, by slot number
    """

    plan: Plan
    packed: Packed
    slots: tuple[Played, ...]

    @cached_property
    def first(self) -> Mapping[str, Played]:
        """Each sound's own slot, without its copies, in the kit's order."""
        own = {one.slot.part.name: one for one in self.slots if one.slot.part.root == 0}
        return {sound.name: own[sound.name] for sound in self.plan.sounds if sound.name in own}

    def sounding(self, section: Section) -> list[str]:
        """Return the sounds that a section does not silence, in the kit's order."""
        return [name for name in self.first if name not in section.silent]

    def notes(self, section: Section, name: str) -> list[list[Note]]:
        """Return what a sound plays in a section, chord by chord; a fixed sound plays itself under every one."""
        slots = [one for one in self.slots if one.slot.part.name == name]
        if not any(one.slot.part.serves for one in slots):
            asked = self.packed.fitted.unserved.get(name)
            return [[] if asked else [Note(self.first[name], 0, 0.0)] for _ in section.triggers]
        served = [(one, serves) for one in slots for serves in one.slot.part.serves if serves.ask.section == section.name]
        return [
            [Note(one, serves.setting, serves.ask.needs_s) for one, serves in served if serves.ask.chord == trigger.chord.text]
            for trigger in section.triggers
        ]

    def holds(self, name: str) -> bool:
        """Say whether a sound is held: by the song, or, as long as it sounds, by itself; a swell is not."""
        first = self.first[name]
        if self.plan.sound(name).plays == "chords":
            return True
        return first.sounds_s >= HELD_S and not first.slot.master.sound.whole


def play_kit(plan: Plan, packed: Packed) -> PlayedKit:
    """Turn a packed kit back into what the device plays."""
    off = [
        packed.wanted_lufs[slot.part.name] - slot.lufs - slot.gain.play_db
        for slot in packed.slots
        if isfinite(slot.lufs) and isfinite(packed.wanted_lufs[slot.part.name])
    ]
    common_db = median(off) if off else 0.0
    return PlayedKit(plan, packed, tuple(_played(slot, slot.gain.play_db + common_db) for slot in packed.slots))


def _played(slot: Slot, gain_db: float) -> Played:
    stored = slot.stored
    samples = dequantise(stored.codes, stored.bits, stored.encoding).astype(np.float32)
    return Played(slot, Sound(samples, stored.rate_hz), gain_db)
