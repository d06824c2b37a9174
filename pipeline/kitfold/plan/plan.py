"""The plan: a kit with every value concrete, ready to be built again and again."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from kitfold.plan.device import Device
from kitfold.plan.key import Key
from kitfold.plan.kit import FitWishes, Given, KitHead, Listen, Plays, Publish, Transfer
from kitfold.plan.recipe import PlannedStep
from kitfold.plan.settings import Tune
from kitfold.plan.song import Song

__all__ = ["Plan", "PlannedSound"]


@dataclass(frozen=True)
class PlannedSound:
    """A sound of the kit: where it comes from, what is done to it, how it is played.

    Parameters
    ----------
    name : str
    place : int, its place in the kit, from 1
    source : Path or None, the file; None where it is made `from_sound`
    source_text : str, the file as the kit names it
    from_sound : str or None
    start_s, end_s : float or None, seconds, the region of the source
    recipe : str or None
    steps : tuple of PlannedStep
    slot : int or None, a fixed slot
    plays : ``"chords"``, ``"tones"``, ``"fixed"`` or semitones above the chord's root
    copies : ``"none"``, ``"auto"`` or ``"all"``
    spare : float, how much the fit should spare it
    rights : str
    given : Given or None, what is known of the source and not looked for again
    plays_said : bool, the kit or a recipe says how it is played
    """

    name: str
    place: int
    source: Path | None
    source_text: str
    from_sound: str | None
    start_s: float | None
    end_s: float | None
    recipe: str | None
    steps: tuple[PlannedStep, ...]
    slot: int | None
    plays: Plays
    copies: str
    spare: float
    rights: str
    given: Given | None = None
    plays_said: bool = True

    @property
    def tune(self) -> Tune | None:
        """The settings of its first `tune`, if it has one."""
        return next((step.settings for step in self.steps if isinstance(step.settings, Tune)), None)


@dataclass(frozen=True)
class Plan:
    """Everything that was asked, validated.

    Parameters
    ----------
    path : Path, the kit.toml
    kit : KitHead
    key : Key
    sounds : tuple of PlannedSound, in the kit's order
    song : Song
    devices : tuple of Device, one build each
    fit : FitWishes
    listen : Listen
    publish : Publish
    transfer : Transfer
    """

    path: Path
    kit: KitHead
    key: Key
    sounds: tuple[PlannedSound, ...]
    song: Song
    devices: tuple[Device, ...]
    fit: FitWishes
    listen: Listen
    publish: Publish = field(default_factory=Publish)
    transfer: Transfer = field(default_factory=Transfer)

    def sound(self, name: str) -> PlannedSound:
        """Return the sound of a name."""
        return next(sound for sound in self.sounds if sound.name == name)

    def said(self) -> tuple[str, ...]:
        """Say what was taken for granted and is worth a word: sounds that are never moved because nothing says more."""
        return tuple(
            f"sound[{sound.place}] ({sound.name}) does not say how it is played, so it is never moved; if its notes "
            'should follow the chords write plays = "chords" or plays = "tones", if not plays = "fixed"'
            for sound in self.sounds
            if not sound.plays_said
        )

    def in_order_of_work(self) -> tuple[PlannedSound, ...]:
        """Return the sounds so that each comes after the one it is made from; else in the kit's order."""
        done: dict[str, PlannedSound] = {}
        waiting = list(self.sounds)
        while waiting:
            ready = next(sound for sound in waiting if sound.from_sound is None or sound.from_sound in done)
            waiting.remove(ready)
            done[ready.name] = ready
        return tuple(done.values())
