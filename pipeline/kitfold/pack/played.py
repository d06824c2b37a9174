"""A packed kit as it is played: every slot measured once, and which notes of it each section asks for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import inf, isfinite
from statistics import median
from typing import Any, TypeVar

import numpy as np

from kitfold.files import Store
from kitfold.files.maps import let_go
from kitfold.measure.audible import quantised_power
from kitfold.measure.held import level_track
from kitfold.measure.level import true_peak_db
from kitfold.measure.masking import Spectrum, loudest_spectrum
from kitfold.measure.noise import white_noise_power
from kitfold.pack.kit import Packed, Slot
from kitfold.pack.once import made_once
from kitfold.pack.quantise import dequantise
from kitfold.pack.recent import Recent
from kitfold.pack.slots import stored_name
from kitfold.plan.plan import Plan
from kitfold.plan.song import Section
from kitfold.sound import Sound
from kitfold.units import semitones_to_ratio

__all__ = ["HELD_S", "Note", "Played", "PlayedKit", "play_kit"]

Figure = TypeVar("Figure")

HELD_S = 1.0
"""What sounds so long is held, whether a song holds it or not: the packer's own line between pads and hits."""
_ROOM_BYTES = 16_000_000  # of sounds turned back, a kit
_KEPT_SPECTRA = 256  # of 25 to 80 KB
_SOUNDING_DB = -12.0  # as far under its loudest a sound still counts as there: the kit's default hold floor


@dataclass(frozen=True, eq=False)
class Played:
    """A slot as the device plays it.

    Parameters
    ----------
    slot : Slot
    gain_db : float, dB, what turns it into the level that the recipes set: the slot's level and one gain for all
    store : Store or None, where its figures are kept from build to build
    recent : Recent, the sounds at hand, by slot
    spectra : Recent, their spectra at hand, by slot
    """

    slot: Slot
    gain_db: float
    store: Store | None = None
    recent: Recent[Sound] = field(default_factory=lambda: Recent(_ROOM_BYTES, lambda sound: sound.samples.nbytes))
    spectra: Recent[Spectrum] = field(default_factory=lambda: Recent(_KEPT_SPECTRA))

    @property
    def sound(self) -> Sound:
        """The stored codes turned back into samples; made again where it was not asked for lately."""
        return self.recent.get(self.slot.slot, self._sound)

    def _sound(self) -> Sound:
        stored = self.slot.stored
        let_go(stored.codes.nbytes)
        samples = dequantise(stored.codes, stored.bits, stored.encoding).astype(np.float32)
        return Sound(samples, stored.rate_hz, loop=self.slot.loop)

    def figure(
        self, name: str, measure: Callable[[], Figure], parts: Sequence[Any] = (), kinds: Sequence[type] = ()
    ) -> Figure:
        """Return what is measured on its sound, or was before; `parts` is all else that the figure hangs on."""
        return made_once(self.store, name, self.slot.key, parts, measure, kinds)

    @property
    def name(self) -> str:
        """The sound."""
        return self.slot.part.name

    @property
    def label(self) -> str:
        """What its file is called."""
        return stored_name(self.name, self.slot.part.root)

    def measure(self) -> None:
        """Measure what takes long now, and not where it is first asked for."""
        _ = self.quietest, self.spectrum

    @cached_property
    def quietest(self) -> float:
        """Mean square of white noise as the quietest band has it, all channels together: no less than was added."""
        return self.figure("quietest", lambda: white_noise_power(self.sound))

    @property
    def noise_by_steps(self) -> float | None:
        """Mean square that equal steps give, all channels together; None for other codes."""
        stored = self.slot.stored
        if stored.encoding not in ("unsigned", "signed"):
            return None
        return quantised_power(stored.bits, self.slot.dithered) * self.sound.channels

    @property
    def noise(self) -> float:
        """Mean square of the noise that storing added, all channels together.

        Measured; of a sound that fills every band, no more than twice what its steps can give.
        """
        by_steps = self.noise_by_steps
        return self.quietest if by_steps is None else min(self.quietest, 2.0 * by_steps)

    @property
    def spectrum(self) -> Spectrum:
        """The spectrum of its loudest 400 ms."""
        return self.spectra.get(self.slot.slot, self._spectrum)

    def _spectrum(self) -> Spectrum:
        return self.figure("spectrum", lambda: loudest_spectrum(self.sound, self.noise), kinds=(Spectrum,))

    @property
    def master_spectrum(self) -> Spectrum:
        """The same of the sound before the device."""
        master = self.slot.master
        return made_once(
            self.store, "master spectrum", master.key, [], lambda: loudest_spectrum(self._master()), (Spectrum,)
        )

    @cached_property
    def master_true_peak_db(self) -> float:
        """The highest point of the sound before the device, in dBTP."""
        master = self.slot.master
        return made_once(self.store, "master true peak", master.key, [], lambda: true_peak_db(self._master()))

    def _master(self) -> Sound:
        sound = self.slot.master.sound
        let_go(sound.samples.nbytes)
        return sound

    @property
    def centroid_hz(self) -> float:
        """The middle of its power in frequency where it is loudest, at its own root."""
        return self.stored_centroid_hz * semitones_to_ratio(self.slot.part.play_semitones)

    @cached_property
    def stored_centroid_hz(self) -> float:
        """The same as it is stored."""
        return self.spectrum.centroid_hz

    @cached_property
    def sounds_s(self) -> float:
        """How long it is within 12 dB of its loudest, at its own root, in seconds; for ever where it loops."""
        if self.slot.loop is not None:
            return inf
        return self.figure("sounds", self._stored_s) / semitones_to_ratio(self.slot.part.play_semitones)

    def _stored_s(self) -> float:
        power, hop = level_track(self.sound.float64(), self.sound.rate_hz)
        near = int((power >= power.max(initial=0.0) * 10.0 ** (_SOUNDING_DB / 10.0)).sum())
        return float(max(near * hop, min(hop, self.sound.frames)) / self.sound.rate_hz)


@dataclass(frozen=True)
class Note:
    """A slot and what the device is set to.

    Parameters
    ----------
    played : Played
    setting : int, semitones, with what brings a sound that is stored higher back to its root
    needs_s : float, seconds that it is held; 0 where nothing holds it
    """

    played: Played
    setting: int
    needs_s: float

    @property
    def from_slot(self) -> int:
        """How far it lies above the slot's own note, in semitones."""
        return self.setting - self.played.slot.part.play_semitones

    @property
    def semitones(self) -> int:
        """The musical move from the sound's root."""
        return self.from_slot + self.played.slot.part.root

    @property
    def pitch_hz(self) -> float | None:
        """The pitch that it should have."""
        note = self.played.slot.note
        return None if note.midi is None or note.hz is None else note.hz * semitones_to_ratio(self.from_slot)

    @property
    def pitch_class(self) -> int | None:
        """The pitch class that it should have."""
        midi = self.played.slot.note.midi
        return None if midi is None else (midi + self.from_slot) % 12


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
        own = {one.name: one for one in self.slots if one.slot.part.root == 0}
        return {sound.name: own[sound.name] for sound in self.plan.sounds if sound.name in own}

    def sounding(self, section: Section) -> list[str]:
        """Return the sounds that a section does not silence, in the kit's order."""
        return [name for name in self.first if name not in section.silent]

    def notes(self, section: Section, name: str) -> list[list[Note]]:
        """Return what a sound plays in a section, chord by chord; a fixed sound plays itself under every one."""
        if not any(one.slot.part.serves for one in self.stored(name)):
            first, asked = self.first[name], self.packed.fitted.unserved.get(name)
            itself = [] if asked else [Note(first, first.slot.part.play_semitones, 0.0)]
            return [itself for _ in section.triggers]
        notes = self._served.get((name, section.name), {})
        return [notes.get(trigger.chord.text, []) for trigger in section.triggers]

    def stored(self, name: str) -> list[Played]:
        """Return the slots of a sound: its own and its copies'."""
        return self._by_name.get(name, [])

    @cached_property
    def _by_name(self) -> Mapping[str, list[Played]]:
        found: dict[str, list[Played]] = {}
        for one in self.slots:
            found.setdefault(one.name, []).append(one)
        return found

    @cached_property
    def _served(self) -> Mapping[tuple[str, str], Mapping[str, list[Note]]]:
        """The notes of every sound and section, by chord."""
        found: dict[tuple[str, str], dict[str, list[Note]]] = {}
        for one in self.slots:
            for served in one.slot.part.serves:
                chords = found.setdefault((one.name, served.ask.section), {})
                chords.setdefault(served.ask.chord, []).append(Note(one, served.setting, served.ask.needs_s))
        return found

    def holds(self, name: str) -> bool:
        """Say whether a sound is held: by the song, or, as long as it sounds, by itself; a swell is not."""
        first = self.first[name]
        if self.plan.sound(name).plays == "chords":
            return True
        return first.sounds_s >= HELD_S and not first.slot.master.sound.whole


def play_kit(plan: Plan, packed: Packed, store: Store | None = None) -> PlayedKit:
    """Turn a packed kit back into what the device plays."""
    off = [
        packed.wanted_lufs[slot.part.name] - slot.lufs - slot.gain.play_db
        for slot in packed.slots
        if isfinite(slot.lufs) and isfinite(packed.wanted_lufs[slot.part.name])
    ]
    common_db = median(off) if off else 0.0
    sounds: Recent[Sound] = Recent(_ROOM_BYTES, lambda sound: sound.samples.nbytes)
    spectra: Recent[Spectrum] = Recent(_KEPT_SPECTRA)
    played = (Played(slot, slot.gain.play_db + common_db, store, sounds, spectra) for slot in packed.slots)
    return PlayedKit(plan, packed, tuple(played))
