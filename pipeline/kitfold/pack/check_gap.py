"""Check of chord changes: how long a held sound is nearly gone when its slot is struck again.

A slot is one voice, so the next chord on the same slot cuts the last one off; a sound that rises slowly then leaves a
gap. It is counted from the change until the new note is within 6 dB of what sounded before, or of all that it will be
where that is less.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.level import held_until_s
from kitfold.measure.onset import envelope
from kitfold.pack.claim import Row, worst_of
from kitfold.pack.manifest import Check
from kitfold.pack.played import Note, Played, PlayedKit
from kitfold.plan.song import Section, Trigger
from kitfold.render.masters import Master
from kitfold.sound import Sound
from kitfold.steps.shapes import rise
from kitfold.units import cents_to_ratio, power_to_db, seconds_to_frames, semitones_to_ratio

__all__ = ["GAP_LIMIT_MS", "Gap", "gap_between", "gaps"]

GAP_LIMIT_MS = 100.0
"""Half of the time over which the ear adds up power: a shorter gap is a dip of 3 dB at most (Plomp and Bouman 1959)."""
_EAR_S = 0.2
_LEVEL_S = 0.02  # a period at 50 Hz
_NEAR = 0.5  # -6 dB, as for a sound that has spoken
_LATER_S = 0.05  # later starts are tried in steps of this
_FADE_S = 0.01
_DEEPEST_DB = 60.0
_LOOK_S = 4.0  # behind a change: what takes longer is no note any more

Real = NDArray[np.float64]


@dataclass(frozen=True)
class Gap:
    """What a change leaves of the level.

    Parameters
    ----------
    ms : float, from the change until the new note is there
    dip_db : float, dB, by how much the level over the ear's 200 ms falls meanwhile, 0 to 60
    """

    ms: float
    dip_db: float


@dataclass(frozen=True)
class _Change:
    """A slot that is struck again while it is held.

    Parameters
    ----------
    one : Played
    before, after : int, settings
    held_s : float, seconds that the first note sounds
    where : str, the second chord and its section
    """

    one: Played
    before: int
    held_s: float
    after: int
    where: str

    def gap(self, sound: Sound, rings: bool = False) -> Gap:
        """Measure it on what the slot holds, or would hold."""
        return gap_between(sound, self.before, self.held_s, self.after, rings)

    def stored(self, rings: bool = False) -> Gap:
        """Measure it on what the slot holds."""
        return self.one.figure("gap", lambda: self.gap(self.one.sound, rings), [*self.asked, rings], (Gap,))

    @property
    def asked(self) -> tuple[int, float, int]:
        """What the gap hangs on beside the sound."""
        return self.before, self.held_s, self.after


def gap_between(sound: Sound, before: int, held_s: float, after: int, rings: bool = False) -> Gap:
    """Measure the gap between two notes of one slot.

    Parameters
    ----------
    sound : Sound, what the slot holds, with its loop
    before, after : int, semitones, the settings of the two notes
    held_s : float, seconds, > 0: the second note starts so long after the first
    rings : bool, the first note rings on under the second, as from a slot of its own

    Returns
    -------
    Gap
    """
    old, new = (_level(sound, setting, held_s + _LOOK_S) for setting in (before, after))
    step_s = 1.0 / sound.rate_hz
    ear, change = seconds_to_frames(_EAR_S, sound.rate_hz), seconds_to_frames(held_s, sound.rate_hz)
    was = float(np.sqrt(np.mean(old[max(0, change - ear) : change] ** 2)))
    wanted = min(was, float(new.max()))
    if wanted <= 0.0:
        return Gap(0.0, 0.0)
    now = new[: len(old) - change]
    if rings:
        now = np.sqrt(now**2 + old[change : change + len(now)] ** 2)
    there = now >= _NEAR * wanted
    first = int(np.argmax(there)) if there.any() else len(now)
    total = np.cumsum(np.concatenate([[0.0], np.full(ear, wanted), np.minimum(now[:first], wanted)]) ** 2)
    deepest = float((total[ear:] - total[:-ear]).min()) / (ear * wanted**2)
    return Gap(1000.0 * first * step_s, min(_DEEPEST_DB, max(0.0, -power_to_db(deepest))))


def gaps(kit: PlayedKit) -> list[Check]:
    """Warn of every held slot that is struck again at a chord change and comes back too late."""
    worst: dict[str, tuple[Gap, _Change]] = {}
    for change in _changes(kit):
        gap = change.stored()
        if change.one.label not in worst or gap.ms > worst[change.one.label][0].ms:
            worst[change.one.label] = gap, change
    rows = [
        Row(round(gap.ms), (label,), _advice(kit, gap, change) if gap.ms > GAP_LIMIT_MS else "")
        for label, (gap, change) in worst.items()
    ]
    return worst_of("chord gap", rows, GAP_LIMIT_MS, "ms")


def _changes(kit: PlayedKit) -> Iterator[_Change]:
    """Give every change at which a held sound is struck again in the slot that sounds."""
    for name in kit.first:
        if kit.plan.sound(name).plays == "chords":
            for (_, trigger, notes), (section, chord, following) in pairwise(_struck(kit, name)):
                held_s = kit.plan.song.held_s(trigger.patterns)
                for one in notes:
                    for two in following:
                        if one.played is two.played:
                            where = f"{chord.chord.text} in {section.name}"
                            yield _Change(one.played, one.setting, held_s, two.setting, where)


def _struck(kit: PlayedKit, name: str) -> Iterator[tuple[Section, Trigger, list[Note]]]:
    """Give every chord of the song and what a sound plays there, nothing where it rests."""
    for section in kit.plan.song.sections:
        chords = kit.notes(section, name)
        for trigger, notes in zip(section.triggers, chords, strict=True):
            yield section, trigger, [] if name in section.silent else notes


def _advice(kit: PlayedKit, gap: Gap, change: _Change) -> str:
    said = (
        f"struck again for {change.where} it is {gap.ms:.0f} ms under half of what sounded before, a dip of "
        f"{gap.dip_db:.0f} dB to the ear: "
    )
    later = _later(kit, change)
    if later is not None:
        seconds, left = later
        start = f"start_s = {_in_source_s(change.one.slot.master, seconds):.2f}, counted in its source"
        how = f'{start}; where that clicks, `steps` with {{step = "fade", in_ms = 10}} before the recipe\'s own'
        return f"{said}start it {seconds:.2f} s later than it does now ({how}), and it is {left.ms:.0f} ms"
    turns = change.stored(rings=True)
    if kit.packed.device.note_off == "plays-on" and turns.ms <= GAP_LIMIT_MS:
        return f"{said}store it in two slots, for as much memory again, and play them in turn: {turns.ms:.0f} ms"
    return f"{said}take a sound that comes faster, or let a reverb behind the device fill it"


def _later(kit: PlayedKit, change: _Change) -> tuple[float, Gap] | None:
    """Find the smallest later start that closes the gap and breaks no hold; None where there is none."""
    one = change.one
    if not _starts_like_its_source(one.slot.master):
        return None
    changes = list({c.asked: c for c in _changes(kit) if c.one is one}.values())
    needs_s, floor_db = _needs_s(kit, one), kit.plan.fit.hold_floor_db

    def found() -> tuple[float, Gap] | None:
        spare_s, seconds = _spare_s(one, needs_s, floor_db), _LATER_S
        while seconds <= spare_s:
            sound = _started(one, seconds)
            left = max((other.gap(sound) for other in changes), key=lambda gap: gap.ms)
            if left.ms <= GAP_LIMIT_MS:
                return seconds, left
            seconds = round(seconds + _LATER_S, 2)
        return None

    return one.figure("later", found, [[other.asked for other in changes], needs_s, floor_db], (Gap,))


def _starts_like_its_source(master: Master) -> bool:
    """Say whether a sound begins with what its file's region begins with, not with another sound's or its own end."""
    return master.planned.source is not None and not {"reverse", "riser"} & {done.step for done in master.sound.history}


def _in_source_s(master: Master, seconds: float) -> float:
    """Return where in its file a sound starts that starts later: behind the region's start and what was trimmed."""
    place_s = seconds
    for done in reversed(master.sound.history):
        if done.settings.get("method") == "varispeed":
            cents = done.found.get("moved_cents", 100.0 * done.settings.get("semitones", 0.0))
            place_s *= cents_to_ratio(cents)
        place_s += done.found.get("head_cut_s", 0.0)
    return place_s + (master.planned.start_s or 0.0)


def _needs_s(kit: PlayedKit, one: Played) -> float:
    """Return how much of a sound the longest hold of it or of its copies needs, in seconds of the master."""
    needs = [
        served.ask.needs_s * semitones_to_ratio(served.ask.semitones - other.slot.part.root)
        for other in kit.stored(one.name)
        for served in other.slot.part.serves
    ]
    return max(needs, default=0.0)


def _spare_s(one: Played, needs_s: float, floor_db: float) -> float:
    """Return how much of a sound's start no hold needs, in seconds of the master; at most the time it rises."""
    master = one.slot.master.sound
    level = envelope(master.float64(), master.rate_hz, _LEVEL_S)
    risen_s = int(np.argmax(level)) / master.rate_hz
    if one.slot.part.variant.loop:
        return risen_s
    return min(risen_s, held_until_s(master, floor_db) - needs_s)


def _started(one: Played, seconds: float) -> Sound:
    """Return what a slot would hold if its sound started later, behind a short fade."""
    sound = one.sound
    speed = sound.rate_hz * semitones_to_ratio(one.slot.part.play_semitones)
    first = min(sound.frames, round(seconds * speed))
    samples = sound.samples[first:].copy()
    fade = min(len(samples), round(_FADE_S * speed))
    samples[:fade] *= rise(fade)[:, np.newaxis].astype(np.float32)
    loop = None if sound.loop is None else (sound.loop[0] - first, sound.loop[1] - first)
    return replace(sound, samples=samples, loop=loop if loop and loop[0] >= 0 else None)


def _level(sound: Sound, setting: int, seconds: float) -> Real:
    """Follow the level of a note in real time, at the stored rate: (frames,), silence behind its end."""
    speed = semitones_to_ratio(setting)
    frames = seconds_to_frames(seconds * speed, sound.rate_hz) + 1
    level = envelope(sound.sustained(frames).float64(), sound.rate_hz, _LEVEL_S * speed)
    places = np.arange(seconds_to_frames(seconds, sound.rate_hz)) * speed
    return np.asarray(np.interp(places, np.arange(len(level)), level))
