"""The song as a score: where sections, patterns and chords lie, and each sound's notes along them.

Places are percent of the song's length, so that one drawing serves a phone, a desk and paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Chord", "Mark", "Score", "Section", "marks_of", "score_of"]


@dataclass(frozen=True)
class Chord:
    """One chord and where it stands.

    Parameters
    ----------
    section : str
    text, name : str, as the song writes it and as a musician says it
    start, patterns : int, in patterns of the whole song
    x, width : float, percent
    """

    section: str
    text: str
    name: str
    start: int
    patterns: int
    x: float
    width: float


@dataclass(frozen=True)
class Section:
    """One section and where it stands.

    Parameters
    ----------
    name : str
    start, patterns : int
    x, width : float, percent
    chords : tuple of Chord
    silent : frozenset of str, sounds that rest
    """

    name: str
    start: int
    patterns: int
    x: float
    width: float
    chords: tuple[Chord, ...]
    silent: frozenset[str]


@dataclass(frozen=True)
class Score:
    """The whole song.

    Parameters
    ----------
    sections : tuple of Section
    patterns : int, at least 1
    pattern_s : float, seconds at the slowest tempo, where holds are proven
    lines : tuple of float, percent, where patterns begin inside sections
    """

    sections: tuple[Section, ...]
    patterns: int
    pattern_s: float
    lines: tuple[float, ...]

    @property
    def chords(self) -> tuple[Chord, ...]:
        """Every chord in order."""
        return tuple(chord for section in self.sections for chord in section.chords)


@dataclass(frozen=True)
class Mark:
    """One note of a sound in the score.

    Parameters
    ----------
    kind : ``"hold"``, ``"note"``, ``"rest"`` or ``"free"`` (a sound that no chord moves)
    x, width : float, percent: where it stands, and the hold that it must cover (0: none)
    covered, lasts : float, percent: how much of the hold it covers, and how long it sounds
    needs_s, lasts_s : float, seconds; lasts_s None: for ever
    settings : tuple of int
    ok : bool
    section, chord : str
    """

    kind: str
    x: float
    width: float = 0.0
    covered: float = 0.0
    lasts: float = 0.0
    needs_s: float = 0.0
    lasts_s: float | None = 0.0
    settings: tuple[int, ...] = ()
    ok: bool = True
    section: str = ""
    chord: str = ""

    @property
    def label(self) -> str:
        """What to set, in the score's small figures."""
        return self.lowest + self.up_to

    @property
    def lowest(self) -> str:
        """The lowest setting."""
        return signed(min(self.settings, default=0))

    @property
    def up_to(self) -> str:
        """How the label goes on where there are several: left out where there is no room."""
        low, high = min(self.settings, default=0), max(self.settings, default=0)
        return "" if low == high else f"…{signed(high)}"


def signed(number: float) -> str:
    """Write a number with its sign, a true minus: −5, 0, +3."""
    return f"{number:+g}".replace("-", "−") if number else "0"


def score_of(manifest: Mapping[str, Any]) -> Score:
    """Lay the song of a manifest out along one axis."""
    song, kit = manifest.get("song") or {}, manifest["kit"]
    sections = song.get("sections") or []
    total = max(1, sum(section["patterns"] for section in sections))
    placed, start = [], 0
    for section in sections:
        placed.append(_section(section, start, total))
        start += section["patterns"]
    seconds = song.get("beats_per_pattern", 4.0) * 60.0 / (kit.get("tempo_slowest") or kit["tempo"])
    firsts = {section.start for section in placed}
    lines = tuple(_percent(i, total) for i in range(1, total) if i not in firsts)
    return Score(tuple(placed), total, seconds, lines)


def marks_of(slot: Mapping[str, Any], score: Score) -> tuple[Mark, ...]:
    """Return a slot's notes, section by section; a chord that another slot plays leaves no mark."""
    return tuple(mark for section in score.sections for mark in _marks(slot, section, score))


def _section(section: Mapping[str, Any], start: int, total: int) -> Section:
    chords = tuple(
        Chord(
            section["name"],
            one["chord"],
            one.get("name", one["chord"]),
            start + one["pattern"],
            one["patterns"],
            _percent(start + one["pattern"], total),
            _percent(one["patterns"], total),
        )
        for one in section["chords"]
    )
    place = (_percent(start, total), _percent(section["patterns"], total))
    silent = frozenset(section.get("silent", ()))
    return Section(section["name"], start, section["patterns"], *place, chords, silent)


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
    length = _length(lasts_s, score, section.x)
    settings = (slot["play_semitones"],)
    return Mark("free", section.x, lasts=length, lasts_s=lasts_s, settings=settings, section=section.name)


def _mark(chord: Chord, holds: Sequence[Mapping[str, Any]], score: Score) -> Mark:
    """Join the notes of one chord: the shortest one counts."""
    held = max(hold["needs_s"] for hold in holds) > 0
    needs_s = chord.patterns * score.pattern_s if held else 0.0
    ends = [hold["lasts_s"] for hold in holds if hold["lasts_s"] is not None]
    lasts_s = min(ends) if ends else None
    lasts = _length(lasts_s, score, chord.x)
    width = chord.width if held else 0.0
    return Mark(
        kind="hold" if held else "note",
        x=chord.x,
        width=width,
        covered=min(lasts, width),
        lasts=lasts,
        needs_s=needs_s,
        lasts_s=lasts_s,
        settings=tuple(hold["setting"] for hold in holds),
        # a chord that comes back shorter is covered where its longest is not
        ok=lasts_s is None or all(hold["ok"] for hold in holds) or lasts_s >= needs_s,
        section=chord.section,
        chord=chord.name,
    )


def _length(seconds: float | None, score: Score, x: float) -> float:
    """Return a duration in percent, cut at the end of the song."""
    left = 100.0 - x
    return left if seconds is None else round(min(left, _percent(seconds / score.pattern_s, score.patterns)), 3)


def _percent(part: float, whole: float) -> float:
    return round(100.0 * part / whole, 3)
