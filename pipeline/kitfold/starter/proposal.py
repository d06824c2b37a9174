"""What a starter kit proposes: for each sound a recipe, a target and a slot; a key, a tempo, a song and a device."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from kitfold.measure.portrait import Portrait
from kitfold.plan.device import Device
from kitfold.plan.key import Key
from kitfold.plan.kit import Plays
from kitfold.plan.song import Song
from kitfold.starter.guess import HELD_RECIPES, Guess, guess_recipe
from kitfold.starter.names import Hints, agreed_tempo, sound_names
from kitfold.starter.roots import KeyGuess, MiddleC, Reading, guess_key, guess_middle_c, read_root
from kitfold.starter.song import Pad, sketch
from kitfold.units import cents_to_ratio

__all__ = ["Draft", "Heard", "Proposal", "Wishes", "propose"]

_ORDER = ("stacked-pad", "pad", "shimmer", "pluck", "bell", "mallet", "hit", "raw")
_UNTUNED = ("hit", "raw")  # recipes without `tune`; a drum's note is no evidence of a key either
_TO_TONIC_SEMITONES = 3.0  # further, varispeed would change a sound's character: the key's nearest note is enough
_SURE_PAD_S = 1.5  # a pad that holds less is struck at each chord instead of shortening every pattern


@dataclass(frozen=True)
class Heard:
    """A sound file that was measured.

    Parameters
    ----------
    file : str, its name in the folder
    figures : Portrait
    hints : Hints, of its name
    """

    file: str
    figures: Portrait
    hints: Hints


@dataclass(frozen=True)
class Wishes:
    """What the command line fixes; None leaves it to the sounds."""

    key: Key | None = None
    tempo: float | None = None
    device: Device | None = None


@dataclass(frozen=True)
class Draft:
    """A sound of the proposed kit.

    Parameters
    ----------
    name : str
    heard : Heard
    reading : Reading, of its root
    guess : Guess
    tune_to : str or None, what overrides the recipe's `tune.to`
    pitch_class : int or None, of its root once it is tuned
    seconds, held_s : float, s, its length and hold once it is trimmed and tuned
    plays : Plays or None, what overrides the recipe's
    remarks : tuple of str, why something was decided
    slot : int, from 1; 0 where it was left out
    left_out : str, why it was left out; empty where it was not
    """

    name: str
    heard: Heard
    reading: Reading
    guess: Guess
    tune_to: str | None
    pitch_class: int | None
    seconds: float
    held_s: float
    plays: Plays | None = None
    remarks: tuple[str, ...] = ()
    slot: int = 0
    left_out: str = ""

    @property
    def usual_plays(self) -> Plays:
        """How its recipe plays it."""
        if self.guess.recipe in HELD_RECIPES:
            return "chords"
        return "tones" if self.guess.recipe in ("pluck", "bell", "mallet") else "fixed"

    @property
    def played(self) -> Plays:
        """How it is played."""
        return self.usual_plays if self.plays is None else self.plays


@dataclass(frozen=True)
class Proposal:
    """A starter kit.

    Parameters
    ----------
    drafts : tuple of Draft, in the kit's order
    key : KeyGuess
    tempo_why : str, where the tempo comes from
    song : Song
    middle_c : ``"C4"`` or ``"C3"``
    device : Device, and `device_why`
    riser_of, riser_name, riser_slot : the pad that a riser is made from; no riser where `riser_of` is None
    notes : tuple of str, what the user should know
    """

    drafts: tuple[Draft, ...]
    key: KeyGuess
    tempo_why: str
    song: Song
    middle_c: MiddleC
    device: Device
    device_why: str = ""
    riser_of: str | None = None
    riser_name: str = ""
    riser_slot: int = 0
    notes: tuple[str, ...] = field(default=())

    @property
    def riser_beats(self) -> float:
        """The length of the riser up to its peak: a pattern, and at least four beats."""
        return max(self.song.beats_per_pattern, 4.0)

    @property
    def riser_s(self) -> float:
        """The same in seconds."""
        return self.riser_beats * 60.0 / self.song.tempo

    @property
    def kept(self) -> tuple[Draft, ...]:
        """The sounds that are in the kit."""
        return tuple(draft for draft in self.drafts if not draft.left_out)


def propose(heard: Sequence[Heard], wishes: Wishes, devices: Sequence[Device]) -> Proposal:
    """Propose a kit for sounds.

    Parameters
    ----------
    heard : sequence of Heard, at least one
    wishes : Wishes
    devices : those to choose from where none is wished

    Returns
    -------
    Proposal, which fits its device as far as can be told from the figures
    """
    from kitfold.starter.room import fitted

    middle_c = guess_middle_c([(one.figures.root, one.hints) for one in heard])
    readings = [read_root(one.figures.root, one.hints, middle_c) for one in heard]
    guesses = [
        guess_recipe(one.figures, one.hints.words, reading.midi) for one, reading in zip(heard, readings, strict=True)
    ]
    key = _key(heard, readings, guesses, wishes.key)
    drafts = _drafts(heard, readings, guesses, key.key)
    tempo = wishes.tempo or agreed_tempo(one.hints for one in heard)
    song = sketch(key.key, tempo, [pad for pad in map(_pad, drafts) if pad and pad.held_s >= _SURE_PAD_S])
    drafts = [_struck_if_short(draft, song) for draft in drafts]
    why = "as you said" if wishes.tempo else "from the file names" if tempo else "so that the pads hold a pattern"
    longest = max((one for one in drafts if _may_rise(one)), key=lambda one: one.held_s, default=None)
    base = Proposal(tuple(drafts), key, why, song, middle_c, devices[0])
    if longest is not None:
        base = replace(base, riser_of=longest.name, riser_name=_riser_name(longest.name, drafts))
    return fitted(base, (wishes.device,) if wishes.device else tuple(devices), wished=wishes.device is not None)


def _key(heard: Sequence[Heard], readings: Sequence[Reading], guesses: Sequence[Guess], wished: Key | None) -> KeyGuess:
    roots = [
        (round(reading.midi) % 12, _weight(one, reading))
        for one, reading, guess in zip(heard, readings, guesses, strict=True)
        if reading.midi is not None and guess.recipe not in _UNTUNED
    ]
    if wished is not None:
        outside = {pitch_class for pitch_class, _ in roots if pitch_class not in wished.scale}
        return KeyGuess(wished, "as you said", tuple(sorted(outside)))
    return guess_key(roots, [one.hints.key for one in heard if one.hints.key is not None])


def _weight(heard: Heard, reading: Reading) -> float:
    """Say how much a root counts for the key: sure ones more, and long ones, which a kit is built on."""
    return reading.confidence * (1.0 + min(heard.figures.held_s, 6.0) / 3.0)


def _drafts(heard: Sequence[Heard], readings: Sequence[Reading], guesses: Sequence[Guess], key: Key) -> list[Draft]:
    """Draft every sound, in the order of the kit: pads, then what is struck, then hits; the longest first."""
    names = sound_names([one.hints for one in heard])
    drafts = [_draft(*each, key) for each in zip(names, heard, readings, guesses, strict=True)]
    return sorted(drafts, key=lambda one: (_ORDER.index(one.guess.recipe), -round(one.held_s, 3), one.name))


def _draft(name: str, heard: Heard, reading: Reading, guess: Guess, key: Key) -> Draft:
    figures, remarks = heard.figures, [reading.remark] if reading.remark else []
    if guess.recipe in _UNTUNED or reading.midi is None:
        remarks = [] if guess.recipe in _UNTUNED else remarks
        return Draft(
            name, heard, reading, guess, None, None, figures.tail_s, figures.held_s, guess.plays, tuple(remarks)
        )
    to, move = _target(reading.midi, key)
    if to:
        remarks.append(
            f"{abs(_move(reading.midi, key.tonic)):.1f} semitones from the tonic: moved to the key's nearest note"
        )
    ratio = cents_to_ratio(100.0 * move)
    pitch_class = round(reading.midi + move) % 12
    seconds, held_s = figures.tail_s / ratio, figures.held_s / ratio
    return Draft(name, heard, reading, guess, to, pitch_class, seconds, held_s, guess.plays, tuple(remarks))


def _target(midi: float, key: Key) -> tuple[str | None, float]:
    """Return what `tune.to` has to say beside its default, the tonic, and the move in semitones."""
    to_tonic = _move(midi, key.tonic)
    if abs(to_tonic) <= _TO_TONIC_SEMITONES:
        return None, to_tonic
    return "key", min((_move(midi, pitch_class) for pitch_class in key.scale), key=abs)


def _move(midi: float, pitch_class: int) -> float:
    return (pitch_class - midi + 6.0) % 12.0 - 6.0


def _pad(draft: Draft) -> Pad | None:
    held = draft.guess.recipe in ("pad", "stacked-pad") and draft.played == "chords" and draft.pitch_class is not None
    return Pad(draft.pitch_class, draft.held_s) if held and draft.pitch_class is not None else None


def _struck_if_short(draft: Draft, song: Song) -> Draft:
    """Let a sound that cannot hold a pattern start each chord, without the promise to last."""
    if draft.played != "chords" or draft.pitch_class is None or Pad(draft.pitch_class, draft.held_s).holds(song):
        return draft
    remark = f"holds {draft.held_s:.1f} s, less than a pattern: starts each chord and rings out"
    return replace(draft, plays=(0,), remarks=(*draft.remarks, remark))


def _may_rise(draft: Draft) -> bool:
    return draft.guess.recipe in ("pad", "stacked-pad") and draft.reading.midi is not None


def _riser_name(pad: str, drafts: Sequence[Draft]) -> str:
    taken = {draft.name for draft in drafts}
    ending, number = "-riser", 1
    while (name := pad[: 32 - len(ending)].rstrip("-") + ending) in taken:
        number += 1
        ending = f"-riser-{number}"
    return name
