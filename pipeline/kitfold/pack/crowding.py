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

from kitfold.pack.claim import Result, claim, joined
from kitfold.pack.crowds import CROWDED_PERCENT, NO_WORSE_PERCENT, Crowd, Crowds, Room, Trial
from kitfold.pack.manifest import Check
from kitfold.pack.played import PlayedKit
from kitfold.plan.song import Section

__all__ = ["crowding"]

TRIALS_DB = (-3.0, -6.0)
LOUDER_DB = 3.0
OCTAVES = (12, -12)


def crowding(kit: PlayedKit) -> list[Check]:
    """Check every section for sounds that are covered, and say what helps: one check for each crowded pair.

    Its figure is that of the worst section; the advice names every section with what is lost before and after. Where no
    pair is crowded, the one that comes nearest passes.
    """
    room = Room(kit)
    before = {section.name: room.crowds(section) for section in kit.plan.song.sections}
    every = [crowd for crowds in before.values() for crowd in crowds.over(CROWDED_PERCENT)]
    every.sort(key=lambda crowd: -crowd.percent)
    pairs: dict[tuple[str, str], list[Crowd]] = {}
    for crowd in every:
        pairs.setdefault((crowd.sound, crowd.under), []).append(crowd)
    if not pairs:
        nearest = [crowd for crowds in before.values() for crowd in crowds.worst()]
        return [_claimed("pass", max(nearest, key=lambda crowd: crowd.percent))] if nearest else []
    return [_claimed("warn", crowds[0], _advice(room, crowds, before)) for crowds in pairs.values()]


def _claimed(result: Result, crowd: Crowd, advice: str = "") -> Check:
    about = (crowd.sound, crowd.under)
    return claim("masking", result, round(crowd.percent, 1), CROWDED_PERCENT, "%", about, advice)


def _advice(room: Room, crowds: Sequence[Crowd], before: Mapping[str, Crowds]) -> str:
    """Try everything on a pair, in all sections where it is crowded, and say what helps most without crowding others.

    What helps most leaves the least in the section where most is left; it must help in the worst, and harm in none.
    """
    sound, under = crowds[0].sound, crowds[0].under
    lost = joined([f"in {crowd.section.name} {crowd.percent:.0f} %" for crowd in crowds])
    where = f"{lost} of {sound} is lost under {under}"
    tried = [(_left(room, crowds, trial), trial) for trial in _trials(room, crowds)]
    for after, trial in sorted(tried, key=lambda pair: (max(pair[0]), sum(pair[0]))):
        helps = after[0] < crowds[0].percent - NO_WORSE_PERCENT
        harms = any(left > crowd.percent + NO_WORSE_PERCENT for left, crowd in zip(after, crowds, strict=True))
        if helps and not harms and _crowds_no_other(room, crowds, trial, before):
            left = [f"{one:.0f} % in {crowd.section.name}" for one, crowd in zip(after, crowds, strict=True)]
            return f"{where}: {_words(crowds, trial, room)}, and it is {joined(left)}"
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
    notes = [note for chord in room.kit.notes(section, name) for note in chord]
    return bool(notes) and all(room.moved(note, move) for note in notes)


def _crowds_no_other(room: Room, crowds: Sequence[Crowd], trial: Trial, before: Mapping[str, Crowds]) -> bool:
    """Say whether a change crowds nothing else: a move in its sections, a level wherever the sound plays."""
    told = {crowd.section.name for crowd in crowds}
    for section in room.kit.plan.song.sections:
        if trial.name in section.silent or (trial.semitones and section.name not in trial.sections):
            continue
        itself = {crowds[0].sound, crowds[0].under} if section.name in told else set()
        if before[section.name].grows(trial.name, room.against(section, trial), itself):
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
    there = "there" if len(shifts) == len(crowds) else f"in {joined(list(shifts))}"
    each = [f"in {section} {shift}" for section, shift in shifts.items()]
    written = joined(each) if len(set(shifts.values())) > 1 else next(iter(shifts.values()))
    return f"shift {trial.name} an octave {'up' if trial.semitones > 0 else 'down'} {there} ({written})"
