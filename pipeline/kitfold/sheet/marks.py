"""What the song asks of each slot, chord by chord, along the score."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitfold.sheet.numbers import signed
from kitfold.sheet.score import Chord, Score, Section, is_tight, percent

__all__ = ["Mark", "marks_of"]

_CHAR_PX, _SCORE_PX = 6.6, 980.0  # of the score's small figures, and of the score on a desk: what fits beside what


@dataclass(frozen=True)
class Mark:
    """What the song asks of a sound at one place.

    Parameters
    ----------
    kind : ``"hold"``, ``"note"``, ``"rest"`` or ``"free"`` (a sound that no chord moves)
    x, width : float, percent: where it stands, and the hold that it must cover (0: none)
    covered, room : float, percent: how much of the hold the sound covers, and how wide its chord is
    needs_s, lasts_s : float, seconds; lasts_s None: for ever
    settings : tuple of int, the lowest first
    tones : tuple of str, what each setting plays of the chord
    ok : bool
    section, chord : str
    """

    kind: str
    x: float
    width: float = 0.0
    covered: float = 0.0
    room: float = 0.0
    needs_s: float = 0.0
    lasts_s: float | None = 0.0
    settings: tuple[int, ...] = ()
    tones: tuple[str, ...] = ()
    ok: bool = True
    section: str = ""
    chord: str = ""

    @property
    def label(self) -> str:
        """What to set, in the score's small figures: each setting where there is room, else from which to which."""
        return self.lowest + (self.more if self.fits else self.span)

    @property
    def lowest(self) -> str:
        """The lowest setting."""
        return signed(min(self.settings, default=0))

    @property
    def more(self) -> str:
        """The other settings."""
        return "".join(f" {signed(setting)}" for setting in self.settings[1:])

    @property
    def span(self) -> str:
        """How far the settings go, where there are several."""
        low, high = min(self.settings, default=0), max(self.settings, default=0)
        return "" if low == high else f"…{signed(high)}"

    @property
    def tight(self) -> bool:
        """Whether not even the lowest setting has room on paper."""
        return is_tight(self.lowest, self.room)

    @property
    def fits(self) -> bool:
        """Whether every setting has room over the chord, on a desk."""
        text = " ".join(signed(setting) for setting in self.settings)
        return len(text) * _CHAR_PX < self.room / 100.0 * _SCORE_PX

    @property
    def said(self) -> str:
        """What to set for which tone, in words."""
        if len(self.settings) < 2:
            return f"set {self.lowest}"
        named = (f"{tone} {signed(one)}" for one, tone in zip(self.settings, self.tones, strict=True))
        return f"set {', '.join(named)}"


def marks_of(slot: Mapping[str, Any], score: Score) -> tuple[Mark, ...]:
    """Return what the song asks of a slot, section by section; a chord that another slot plays leaves no mark."""
    return tuple(mark for section in score.sections for mark in _marks(slot, section, score))


def _marks(slot: Mapping[str, Any], section: Section, score: Score) -> Iterator[Mark]:
    if slot["sound"] in section.silent:
        yield Mark("rest", section.x, section.width, section=section.name)
    elif not slot["holds"]:
        if slot["plays"] == "fixed":
            yield _free(slot, section, score)
    else:
        for chord in section.chords:
            holds = [one for one in slot["holds"] if (one["section"], one["chord"]) == (section.name, chord.text)]
            if holds:
                yield _mark(chord, holds, score)


def _free(slot: Mapping[str, Any], section: Section, score: Score) -> Mark:
    lasts_s = None if slot["loop"] else slot["seconds"] * 2.0 ** (-slot["play_semitones"] / 12.0)
    settings = (slot["play_semitones"],)
    return Mark("free", section.x, room=section.width, lasts_s=lasts_s, settings=settings, section=section.name)


def _mark(chord: Chord, holds: Sequence[Mapping[str, Any]], score: Score) -> Mark:
    """Join the notes of one chord: the shortest one counts."""
    holds = sorted(holds, key=lambda hold: int(hold["setting"]))
    held = max(hold["needs_s"] for hold in holds) > 0
    needs_s = chord.patterns * score.pattern_s if held else 0.0
    ends = [hold["lasts_s"] for hold in holds if hold["lasts_s"] is not None]
    lasts_s = min(ends) if ends else None
    width = chord.width if held else 0.0
    return Mark(
        kind="hold" if held else "note",
        x=chord.x,
        width=width,
        covered=min(_length(lasts_s, score, chord.x), width),
        room=chord.width,
        needs_s=needs_s,
        lasts_s=lasts_s,
        settings=tuple(hold["setting"] for hold in holds),
        tones=tuple(hold.get("tone", "") for hold in holds),
        # a chord that comes back shorter is covered where its longest is not
        ok=lasts_s is None or all(hold["ok"] for hold in holds) or lasts_s >= needs_s,
        section=chord.section,
        chord=chord.name,
    )


def _length(seconds: float | None, score: Score, x: float) -> float:
    """Return a duration in percent, cut at the end of the song."""
    left = 100.0 - x
    return left if seconds is None else round(min(left, percent(seconds / score.pattern_s, score.patterns)), 3)
