"""Masking in a kit: which sounds cannot be heard while others play, and what was tried against it.

The figure is the share of a sound's audible filters that lie under another's excitation, at the levels and notes that
the section plays them at, both at their loudest. A sound is covered only by one that sounds at least as long, so that
no click counts as burying a pad; and never by a swell, which is meant to cover what comes before its peak.

The advice is no rule of thumb: one of the two is moved by an octave or made quieter, or the one that is lost is made
louder; everything is measured again, in every section, and what is reported leaves no other pair of the kit crowded
that was not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from kitfold.measure.level import true_peak_db
from kitfold.measure.masking import Pattern, pattern_of, share_under
from kitfold.pack.balance import STORE_CEILING_DBTP
from kitfold.pack.claim import Result, claim
from kitfold.pack.holds import lasts_s
from kitfold.pack.manifest import Check
from kitfold.pack.played import Note, PlayedKit
from kitfold.plan.song import Section
from kitfold.render.masters import CEILING_DBTP

__all__ = ["CROWDED_PERCENT", "Crowd", "Room", "Trial", "crowding"]

CROWDED_PERCENT = 50.0
"""When more than half of a sound cannot be heard, what is left is no longer that sound (common practice)."""
TRIALS_DB = (-3.0, -6.0)
LOUDER_DB = 3.0
OCTAVES = (12, -12)
_NO_WORSE_PERCENT = 1.0  # a pair that is crowded already may grow by this, which nobody hears


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

    def headroom(self, name: str, louder_db: float) -> bool:
        """Say whether a sound can be made louder and nothing else has to give way: in its master and on the device."""
        own = [one.slot for one in self.kit.stored(name)]
        if true_peak_db(own[0].master.sound) + louder_db > CEILING_DBTP:
            return False
        if self.kit.packed.device.slot_level:
            return all(slot.gain.play_db + louder_db <= 0.0 for slot in own)
        return all(slot.true_peak_db + louder_db <= STORE_CEILING_DBTP for slot in own)

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
        if change.semitones and section.name in change.sections:
            chords = [[self.moved(note, change.semitones) or note for note in notes] for notes in chords]
        return [_stacked([self._pattern(note, change.louder_db) for note in notes]) for notes in chords]

    def _pattern(self, note: Note, louder_db: float) -> Pattern:
        key = (note.played.slot.slot, note.setting, louder_db)
        if key not in self._patterns:
            gain_db = note.played.gain_db + louder_db
            self._patterns[key] = pattern_of(note.played.spectrum, note.setting, gain_db)
        return self._patterns[key]


def crowding(kit: PlayedKit) -> list[Check]:
    """Check every section for sounds that are covered, and say what helps: one check for each crowded pair.

    Its figure is that of the worst section; the advice names every section with what is lost before and after. Where no
    pair is crowded, the one that comes nearest passes.
    """
    room = Room(kit)
    before = {section.name: room.crowds(section) for section in kit.plan.song.sections}
    every = [crowd for section in kit.plan.song.sections for crowd in _worst_directions(section, before[section.name])]
    every.sort(key=lambda crowd: -crowd.percent)
    pairs: dict[tuple[str, str], list[Crowd]] = {}
    for crowd in every:
        if crowd.percent > CROWDED_PERCENT:
            pairs.setdefault((crowd.sound, crowd.under), []).append(crowd)
    if not pairs:
        return [_claimed("pass", crowd) for crowd in every[:1]]
    return [_claimed("warn", crowds[0], _advice(room, crowds, before)) for crowds in pairs.values()]


def _claimed(result: Result, crowd: Crowd, advice: str = "") -> Check:
    about = (crowd.sound, crowd.under)
    return claim("masking", result, round(crowd.percent, 1), CROWDED_PERCENT, "%", about, advice)


def _worst_directions(section: Section, figures: Mapping[tuple[str, str], float]) -> list[Crowd]:
    """Return each pair once, by the sound that loses more."""
    return [
        Crowd(section, name, other, percent)
        for (name, other), percent in figures.items()
        if percent > figures.get((other, name), -1.0) or (percent == figures.get((other, name)) and name < other)
    ]


def _advice(room: Room, crowds: Sequence[Crowd], before: Mapping[str, Mapping[tuple[str, str], float]]) -> str:
    """Try everything on a pair, in all sections where it is crowded, and say what helps most without crowding others.

    What helps most leaves the least in the section where most is left; it must help in the worst, and harm in none.
    """
    sound, under = crowds[0].sound, crowds[0].under
    lost = _joined([f"in {crowd.section.name} {crowd.percent:.0f} %" for crowd in crowds])
    where = f"{lost} of {sound} is lost under {under}"
    tried = [(_left(room, crowds, trial), trial) for trial in _trials(room, crowds)]
    for after, trial in sorted(tried, key=lambda pair: (max(pair[0]), sum(pair[0]))):
        helps = after[0] < crowds[0].percent - _NO_WORSE_PERCENT
        harms = any(left > crowd.percent + _NO_WORSE_PERCENT for left, crowd in zip(after, crowds, strict=True))
        if helps and not harms and _crowds_no_other(room, crowds, trial, before):
            left = [f"{one:.0f} % in {crowd.section.name}" for one, crowd in zip(after, crowds, strict=True)]
            return f"{where}: {_words(crowds, trial, room)}, and it is {_joined(left)}"
    return (
        f"{where}: neither an octave nor 6 dB helps without crowding others, so let one of them rest there (`silent`)"
    )


def _left(room: Room, crowds: Sequence[Crowd], trial: Trial) -> list[float]:
    return [room.only(crowd, trial) for crowd in crowds]


def _trials(room: Room, crowds: Sequence[Crowd]) -> Iterator[Trial]:
    worst = crowds[0]
    for name in (worst.sound, worst.under):
        yield from (Trial(name, louder_db=level_db) for level_db in TRIALS_DB)
        for move in OCTAVES:
            sections = tuple(one.section.name for one in crowds if _reaches(room, one.section, name, move))
            if sections:
                yield Trial(name, move, sections=sections)
    if room.headroom(worst.sound, LOUDER_DB):
        yield Trial(worst.sound, louder_db=LOUDER_DB)


def _reaches(room: Room, section: Section, name: str, move: int) -> bool:
    """Say whether what is stored can play a sound an octave away throughout a section, and hold it there."""
    if room.kit.plan.sound(name).plays == "fixed" or room.kit.first[name].slot.note.midi is None:
        return False
    notes = [note for chord in room.notes(section, name) for note in chord]
    return bool(notes) and all(room.moved(note, move) for note in notes)


def _crowds_no_other(
    room: Room, crowds: Sequence[Crowd], trial: Trial, before: Mapping[str, Mapping[tuple[str, str], float]]
) -> bool:
    """Say whether a change crowds nothing else: a move in its sections, a level wherever the sound plays."""
    pair, told = {crowds[0].sound, crowds[0].under}, {crowd.section.name for crowd in crowds}
    for section in room.kit.plan.song.sections:
        if trial.name in section.silent or (trial.semitones and section.name not in trial.sections):
            continue
        for names, percent in room.crowds(section, trial).items():
            allowed = max(CROWDED_PERCENT, before[section.name][names] + _NO_WORSE_PERCENT)
            itself = set(names) == pair and section.name in told
            if trial.name in names and not itself and percent > allowed:
                return False
    return True


def _words(crowds: Sequence[Crowd], trial: Trial, room: Room) -> str:
    if not trial.semitones:
        lufs = room.kit.packed.wanted_lufs[trial.name] + trial.louder_db
        way = "louder" if trial.louder_db > 0 else "quieter"
        return f"make {trial.name} {abs(trial.louder_db):g} dB {way} (level.lufs = {lufs:.1f})"
    shifts = {
        crowd.section.name: f"shift = {{{trial.name} = {crowd.section.shift.get(trial.name, 0) + trial.semitones}}}"
        for crowd in crowds
        if crowd.section.name in trial.sections
    }
    there = "there" if len(shifts) == len(crowds) else f"in {_joined(list(shifts))}"
    each = [f"in {section} {shift}" for section, shift in shifts.items()]
    written = _joined(each) if len(set(shifts.values())) > 1 else next(iter(shifts.values()))
    return f"shift {trial.name} an octave {'up' if trial.semitones > 0 else 'down'} {there} ({written})"


def _joined(words: Sequence[str]) -> str:
    """Write a list as a sentence has it."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _stacked(patterns: list[Pattern]) -> Pattern:
    if not patterns:
        return Pattern(np.zeros((0, 0)), np.zeros((0, 0), dtype=bool))
    return Pattern(np.array([one.excitation for one in patterns]), np.array([one.own for one in patterns]))
