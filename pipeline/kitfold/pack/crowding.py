"""Masking in a kit: which sounds cannot be heard while others play, and what was tried against it.

The figure is the share of a sound's audible filters that lie under another's excitation, at the levels and notes that
the section plays them at, both at their loudest. A sound is covered only by one that sounds at least as long, so that
no click counts as burying a pad; and never by a swell, which is meant to cover what comes before its peak.

The advice is no rule of thumb: one of the two is moved by an octave or made quieter, everything is measured again, and
what is reported leaves no other pair of the kit crowded that was not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from kitfold.measure.masking import Pattern, pattern_of, share_under
from kitfold.pack.claim import claim
from kitfold.pack.holds import lasts_s
from kitfold.pack.manifest import Check
from kitfold.pack.played import Note, PlayedKit
from kitfold.plan.song import Section

__all__ = ["CROWDED_PERCENT", "Crowd", "Room", "Trial", "crowding"]

CROWDED_PERCENT = 50.0
"""When more than half of a sound cannot be heard, what is left is no longer that sound (common practice)."""
TRIALS_DB = (-3.0, -6.0)
OCTAVES = (12, -12)
_NO_WORSE_PERCENT = 1.0  # a pair that is crowded already may grow by this, which nobody hears


@dataclass(frozen=True)
class Trial:
    """One change of one sound.

    Parameters
    ----------
    name : str, the sound
    semitones : int, further than the section moves it, there only
    louder_db : float, dB, in the whole kit
    """

    name: str
    semitones: int = 0
    louder_db: float = 0.0


@dataclass(frozen=True)
class Crowd:
    """How much of a sound is lost under another in a section.

    Parameters
    ----------
    section : Section
    sound, under : str
    percent : float, 0 to 100
    """

    section: Section
    sound: str
    under: str
    percent: float


class Room:
    """The sections of a kit, measured for who covers whom; what was measured once is kept."""

    def __init__(self, kit: PlayedKit) -> None:
        self.kit = kit
        self._patterns: dict[tuple[int, int, float], Pattern] = {}
        self._chords: dict[tuple[str, str], list[list[Note]]] = {}

    def crowds(self, section: Section, trial: Trial | None = None) -> dict[tuple[str, str], float]:
        """Return the percentage of each sound (first) under each other one (second) that can cover it."""
        played = {name: self._played(section, name, trial) for name in self.kit.sounding(section)}
        return {
            (name, other): self._percent(section, played[name], played[other])
            for one, two in combinations(played, 2)
            for name, other in ((one, two), (two, one))
            if self._covers(other, name)
        }

    def only(self, crowd: Crowd, trial: Trial) -> float:
        """Return one pair's figure after a change: the greater of its two directions, in percent."""
        names = (crowd.sound, crowd.under)
        one, two = (self._played(crowd.section, name, trial) for name in names)
        figures = [self._percent(crowd.section, one, two)]
        if self._covers(names[0], names[1]):
            figures.append(self._percent(crowd.section, two, one))
        return max(figures)

    def notes(self, section: Section, name: str) -> list[list[Note]]:
        """Return a sound's notes, chord by chord."""
        key = (section.name, name)
        if key not in self._chords:
            self._chords[key] = self.kit.notes(section, name)
        return self._chords[key]

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

    def _covers(self, other: str, name: str) -> bool:
        pattern_s = self.kit.plan.song.held_s(1)  # both start again with the next chord at the latest
        one, two = self.kit.first[name], self.kit.first[other]
        return not two.slot.master.sound.whole and min(two.sounds_s, pattern_s) >= min(one.sounds_s, pattern_s)

    def _percent(self, section: Section, sound: list[Pattern], other: list[Pattern]) -> float:
        both = [
            (share_under(one, two), trigger.patterns)
            for one, two, trigger in zip(sound, other, section.triggers, strict=True)
            if len(one.own) and len(two.own)
        ]
        return 100.0 * sum(share * long for share, long in both) / sum(long for _, long in both) if both else 0.0

    def _played(self, section: Section, name: str, trial: Trial | None) -> list[Pattern]:
        change = trial if trial is not None and trial.name == name else Trial(name)
        chords = self.notes(section, name)
        if change.semitones:
            chords = [[self.moved(note, change.semitones) or note for note in notes] for notes in chords]
        return [_stacked([self._pattern(note, change.louder_db) for note in notes]) for notes in chords]

    def _pattern(self, note: Note, louder_db: float) -> Pattern:
        key = (note.played.slot.slot, note.setting, louder_db)
        if key not in self._patterns:
            gain_db = note.played.gain_db + louder_db
            self._patterns[key] = pattern_of(note.played.spectrum, note.setting, gain_db)
        return self._patterns[key]


def crowding(kit: PlayedKit) -> list[Check]:
    """Check every section for sounds that are covered, and say what helps; one check for each crowded pair."""
    room = Room(kit)
    before = {section.name: room.crowds(section) for section in kit.plan.song.sections}
    checks = []
    for section in kit.plan.song.sections:
        pairs = _worst_directions(section, before[section.name])
        crowded = [crowd for crowd in pairs if crowd.percent > CROWDED_PERCENT]
        for crowd in crowded:
            advice = _advice(room, crowd, before)
            about = [crowd.sound, crowd.under]
            checks.append(claim("masking", "warn", round(crowd.percent, 1), CROWDED_PERCENT, "%", about, advice))
        if pairs and not crowded:
            about = [pairs[0].sound, pairs[0].under]
            checks.append(claim("masking", "pass", round(pairs[0].percent, 1), CROWDED_PERCENT, "%", about))
    return checks


def _worst_directions(section: Section, figures: Mapping[tuple[str, str], float]) -> list[Crowd]:
    """Return each pair once, by the sound that loses more; the most crowded first."""
    pairs = [
        Crowd(section, name, other, percent)
        for (name, other), percent in figures.items()
        if percent > figures.get((other, name), -1.0) or (percent == figures.get((other, name)) and name < other)
    ]
    return sorted(pairs, key=lambda crowd: -crowd.percent)


def _advice(room: Room, crowd: Crowd, before: Mapping[str, Mapping[tuple[str, str], float]]) -> str:
    """Try everything on a pair and say what helps most without crowding others."""
    where = f"in {crowd.section.name} {crowd.percent:.0f} % of {crowd.sound} is lost under {crowd.under}"
    tried = sorted(((room.only(crowd, trial), order, trial) for order, trial in enumerate(_trials(room, crowd))))
    for after, _, trial in tried:
        if after >= crowd.percent - _NO_WORSE_PERCENT:
            break
        if _crowds_no_other(room, crowd, trial, before):
            return f"{where}: {_words(crowd, trial, room)}, and it is {after:.0f} %"
    return (
        f"{where}: neither an octave nor 6 dB helps without crowding others, so let one of them rest there (`silent`)"
    )


def _trials(room: Room, crowd: Crowd) -> Iterator[Trial]:
    for name in (crowd.sound, crowd.under):
        yield from (Trial(name, louder_db=level_db) for level_db in TRIALS_DB)
        yield from (Trial(name, semitones=move) for move in OCTAVES if _reaches(room, crowd.section, name, move))


def _reaches(room: Room, section: Section, name: str, move: int) -> bool:
    """Say whether what is stored can play a sound an octave away throughout a section, and hold it there."""
    if room.kit.plan.sound(name).plays == "fixed" or room.kit.first[name].slot.note.midi is None:
        return False
    notes = [note for chord in room.notes(section, name) for note in chord]
    return bool(notes) and all(room.moved(note, move) for note in notes)


def _crowds_no_other(
    room: Room, crowd: Crowd, trial: Trial, before: Mapping[str, Mapping[tuple[str, str], float]]
) -> bool:
    """Say whether a change crowds nothing else: a move in its section, a level wherever the sound plays."""
    pair = {crowd.sound, crowd.under}
    for section in room.kit.plan.song.sections:
        if trial.name in section.silent or (trial.semitones and section != crowd.section):
            continue
        for names, percent in room.crowds(section, trial).items():
            allowed = max(CROWDED_PERCENT, before[section.name][names] + _NO_WORSE_PERCENT)
            if trial.name in names and set(names) != pair and percent > allowed:
                return False
    return True


def _words(crowd: Crowd, trial: Trial, room: Room) -> str:
    if trial.semitones:
        shift = crowd.section.shift.get(trial.name, 0) + trial.semitones
        way = "up" if trial.semitones > 0 else "down"
        return f"shift {trial.name} an octave {way} there (shift = {{{trial.name} = {shift}}})"
    lufs = room.kit.packed.wanted_lufs[trial.name] + trial.louder_db
    return f"make {trial.name} {-trial.louder_db:g} dB quieter (level.lufs = {lufs:.1f})"


def _stacked(patterns: list[Pattern]) -> Pattern:
    if not patterns:
        return Pattern(np.zeros((0, 0)), np.zeros((0, 0), dtype=bool))
    return Pattern(np.array([one.excitation for one in patterns]), np.array([one.own for one in patterns]))
