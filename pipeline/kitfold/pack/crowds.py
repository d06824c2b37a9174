"""Who covers whom in a kit: in every section as it is, and after a change of one sound."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.masking import Pattern, pattern_of, share_under
from kitfold.pack import covering
from kitfold.pack.balance import STORE_CEILING_DBTP
from kitfold.pack.holds import lasts_s
from kitfold.pack.played import Note, PlayedKit
from kitfold.pack.recent import Recent
from kitfold.plan.song import Section
from kitfold.render.masters import CEILING_DBTP

__all__ = ["CROWDED_PERCENT", "NO_WORSE_PERCENT", "Crowd", "Crowds", "Room", "Trial"]

CROWDED_PERCENT = 50.0
"""When more than half of a sound cannot be heard, what is left is no longer that sound (common practice)."""
NO_WORSE_PERCENT = 1.0
"""A pair that is crowded already may grow by this, which nobody hears."""
_KEPT_SECTIONS, _KEPT_PATTERNS, _KEPT_FIGURES = 16, 4096, 1 << 20  # a few MB each, whatever the kit


@dataclass(frozen=True)
class Trial:
    """One change of one sound.

    Parameters
    ----------
    name : str, the sound
    semitones : int, further than its sections move it
    louder_db : float, dB, in the whole kit
    sections : tuple of str, where it is moved
    """

    name: str
    semitones: int = 0
    louder_db: float = 0.0
    sections: tuple[str, ...] = ()


@dataclass(frozen=True)
class Crowd:
    """How much of a sound is lost under another in a section.

    Parameters
    ----------
    section : Section
    sound, under : str
    percent : float, 0 to 100
    both : bool, each of the two can cover the other
    """

    section: Section
    sound: str
    under: str
    percent: float
    both: bool = True


@dataclass(frozen=True, eq=False)
class Crowds:
    """How much of every sound of a section is lost under every other.

    Parameters
    ----------
    section : Section
    names : tuple of str, the sounds
    percent : ndarray, (sounds, sounds), of the first under the second; -1 where that cannot cover it
    """

    section: Section
    names: tuple[str, ...]
    percent: NDArray[np.float64]

    def of(self, name: str, other: str) -> float | None:
        """Return one figure; None where the other cannot cover the sound."""
        percent = float(self.percent[self.names.index(name), self.names.index(other)])
        return percent if percent >= 0.0 else None

    def over(self, percent: float) -> list[Crowd]:
        """Return the pairs of which more than that is lost, each once, by the sound that loses more."""
        worse = np.triu(np.maximum(self.percent, self.percent.T), 1)
        return [self._crowd(int(one), int(two)) for one, two in np.argwhere(worse > percent)]

    def worst(self) -> list[Crowd]:
        """Return the pair of which most is lost, the first of equals; nothing where nothing can cover anything."""
        worse = np.where(np.triu(np.ones_like(self.percent), 1) > 0, np.maximum(self.percent, self.percent.T), -1.0)
        if not worse.size or worse.max() < 0.0:
            return []
        one, two = np.unravel_index(int(np.argmax(worse)), worse.shape)
        return [self._crowd(int(one), int(two))]

    def grows(self, name: str, now: covering.Against, but: Collection[str]) -> bool:
        """Say whether a change of a sound crowds a pair of it that was not, or grows one that was.

        Parameters
        ----------
        name : str, the sound
        now : Against, the sound as it is changed
        but : collection of str, what is not looked at
        """
        place = self.names.index(name)
        looked_at = np.array([other not in but or name not in but for other in self.names])
        for was, found in ((self.percent[place], now.loses), (self.percent[:, place], now.covers)):
            allowed = np.maximum(CROWDED_PERCENT, was + NO_WORSE_PERCENT)
            if np.any(looked_at & (was >= 0.0) & (found > allowed)):
                return True
        return False

    def _crowd(self, one: int, two: int) -> Crowd:
        there, back = float(self.percent[one, two]), float(self.percent[two, one])
        if back > there or (back == there and self.names[two] < self.names[one]):
            one, two, there, back = two, one, back, there
        return Crowd(self.section, self.names[one], self.names[two], there, back >= 0.0)


class Room:
    """The sections of a kit, measured for who covers whom; what was measured lately is kept."""

    def __init__(self, kit: PlayedKit) -> None:
        self.kit = kit
        self._sections: Recent[covering.Section] = Recent(_KEPT_SECTIONS)
        self._patterns: Recent[Pattern] = Recent(_KEPT_PATTERNS)
        self._against: Recent[covering.Against] = Recent(_KEPT_FIGURES, lambda one: len(one.loses))

    def crowds(self, section: Section) -> Crowds:
        """Return the percentage of each sound (first) under each other one (second) that can cover it."""
        played = {name: self._played(section, name, None) for name in self.kit.sounding(section)}
        own = [self.kit.first[name] for name in played]
        pattern_s = self.kit.plan.song.held_s(1)  # all start again with the next chord at the latest
        lasting = np.array([min(one.sounds_s, pattern_s) for one in own])
        able = np.array([not one.slot.master.sound.whole for one in own], dtype=np.bool_)
        table = covering.table_of(self._section(section, played), played, lasting, able)
        return Crowds(section, tuple(played), table)

    def against(self, section: Section, trial: Trial) -> covering.Against:
        """Return how a changed sound and each of a section's sounds cover each other."""
        moved = trial.semitones if section.name in trial.sections else 0

        def figures() -> covering.Against:
            return self._section(section).against(self._played(section, trial.name, trial))

        return self._against.get((section.name, trial.name, moved, trial.louder_db), figures)

    def only(self, crowd: Crowd, trial: Trial) -> float:
        """Return one pair's figure after a change: the greater of its two directions, in percent."""
        names = (crowd.sound, crowd.under)
        one, two = (self._played(crowd.section, name, trial) for name in names)
        figures = [self._percent(crowd.section, one, two)]
        if crowd.both:
            figures.append(self._percent(crowd.section, two, one))
        return max(figures)

    def moved(self, note: Note, semitones: int) -> Note | None:
        """Return what plays a note further up or down, of what is stored; None where nothing reaches or lasts."""
        low, high = self.kit.packed.device.transpose
        others = [
            replace(
                note, played=one, setting=note.semitones + semitones - one.slot.part.root + one.slot.part.play_semitones
            )
            for one in self.kit.stored(note.played.name)
        ]
        able = [
            other
            for other in others
            if low <= other.setting <= high and lasts_s(other.played.slot.held_s, other.setting) >= note.needs_s
        ]
        return min(able, key=lambda other: abs(other.from_slot), default=None)

    def headroom(self, name: str, louder_db: float) -> bool:
        """Say whether a sound can be made louder and nothing else has to give way: in its master and on the device."""
        own = [one.slot for one in self.kit.stored(name)]
        if self.kit.first[name].master_true_peak_db + louder_db > CEILING_DBTP:
            return False
        if self.kit.packed.device.slot_level:
            return all(slot.gain.play_db + louder_db <= 0.0 for slot in own)
        return all(slot.true_peak_db + louder_db <= STORE_CEILING_DBTP for slot in own)

    def _section(self, section: Section, played: Mapping[str, list[Pattern]] | None = None) -> covering.Section:
        def made() -> covering.Section:
            sounds = played or {name: self._played(section, name, None) for name in self.kit.sounding(section)}
            return covering.Section(sounds, [trigger.patterns for trigger in section.triggers])

        return self._sections.get(section.name, made)

    def _percent(self, section: Section, sound: list[Pattern], other: list[Pattern]) -> float:
        both = [
            (share_under(one, two), trigger.patterns)
            for one, two, trigger in zip(sound, other, section.triggers, strict=True)
            if len(one.own) and len(two.own)
        ]
        return 100.0 * sum(share * long for share, long in both) / sum(long for _, long in both) if both else 0.0

    def _played(self, section: Section, name: str, trial: Trial | None) -> list[Pattern]:
        change = trial if trial is not None and trial.name == name else Trial(name)
        chords = self.kit.notes(section, name)
        if change.semitones and section.name in change.sections:
            chords = [[self.moved(note, change.semitones) or note for note in notes] for notes in chords]
        return [_stacked([self._pattern(note, change.louder_db) for note in notes]) for notes in chords]

    def _pattern(self, note: Note, louder_db: float) -> Pattern:
        def pattern() -> Pattern:
            return pattern_of(note.played.spectrum, note.setting, note.played.gain_db + louder_db)

        return self._patterns.get((note.played.slot.slot, note.setting, louder_db), pattern)


def _stacked(patterns: list[Pattern]) -> Pattern:
    if not patterns:
        return Pattern(np.zeros((0, 0)), np.zeros((0, 0), dtype=bool))
    return Pattern(np.array([one.excitation for one in patterns]), np.array([one.own for one in patterns]))
