"""The song as a score: where sections, patterns and chords lie, and each sound's notes along them.

Places are percent of the song's length, so that one drawing serves a phone, a desk and paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitfold.sheet.sketch import Sketch

__all__ = ["Chord", "Score", "Section", "is_tight", "percent", "score_of"]

_LONG_PATTERNS = 48
_PATTERN_PX = (28.0, 64.0)  # of a long song: a setting of two digits has room, and no name makes it wider than that
_WIDEST_PX = 24_000.0  # browsers stop drawing at 32,767
_NAME_CHAR_PX, _NAME_GAP_PX = 7.0, 9.0  # of chord names
_MOST_NUMBERS = 24
_PRINT_CHAR_PX, _PRINT_PX = 5.5, 560.0  # the same on paper


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

    @property
    def tight(self) -> bool:
        """Whether its name has no room on paper."""
        return is_tight(max(self.name, self.text, key=len), self.width)


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
    plain : tuple of Chord, of the sketch of a kit without a song
    sketch : Sketch or None, what the page plays
    beats_per_pattern : float
    """

    sections: tuple[Section, ...]
    patterns: int
    pattern_s: float
    lines: tuple[float, ...]
    plain: tuple[Chord, ...] = ()
    sketch: Sketch | None = None
    beats_per_pattern: float = 4.0

    @property
    def long(self) -> bool:
        """Whether it is too long for a screen: it is drawn wider, and scrolls."""
        return self.patterns >= _LONG_PATTERNS

    @property
    def wide_px(self) -> int:
        """How wide a long song is drawn: every chord has room for its name, as far as a browser draws."""
        widest = max((_label_px(chord) / chord.patterns for chord in self.chords or self.plain), default=0.0)
        return round(min(_WIDEST_PX, self.patterns * min(max(widest, _PATTERN_PX[0]), _PATTERN_PX[1])))

    @property
    def numbers(self) -> tuple[tuple[float, int], ...]:
        """Where patterns are numbered, in percent, and their numbers from 1: every one, second, fourth and so on."""
        step = 1
        while step * _MOST_NUMBERS < self.patterns:
            step *= 2
        return tuple((percent(i, self.patterns), i + 1) for i in range(0, self.patterns, step))

    def crowded(self, chord: Chord) -> bool:
        """Whether a chord's name has no room on the screen even so."""
        return self.long and _label_px(chord) > chord.width / 100.0 * self.wide_px

    @property
    def numerals(self) -> bool:
        """Whether the song writes a chord otherwise than by its name."""
        return any(chord.text != chord.name for chord in self.chords)

    @property
    def played(self) -> float:
        """How many patterns of the score the sketch plays; all of them where there is none."""
        return self.patterns if self.sketch is None else min(self.sketch.patterns, self.patterns)

    @property
    def chords(self) -> tuple[Chord, ...]:
        """Every chord in order."""
        return tuple(chord for section in self.sections for chord in section.chords)


def score_of(manifest: Mapping[str, Any], sketch: Sketch | None = None) -> Score:
    """Lay the song of a manifest out along one axis; without a song, the plain one that the sketch plays."""
    song, kit = manifest.get("song") or {}, manifest["kit"]
    sections = song.get("sections") or []
    total = sum(section["patterns"] for section in sections) or max(1, round(sketch.patterns if sketch else 1))
    placed, start = [], 0
    for section in sections:
        placed.append(_section(section, start, total))
        start += section["patterns"]
    beats = float(song.get("beats_per_pattern", 4.0))
    seconds = beats * 60.0 / (kit.get("tempo_slowest") or kit["tempo"])
    firsts = {section.start for section in placed}
    lines = tuple(percent(i, total) for i in range(1, total) if i not in firsts)
    return Score(tuple(placed), total, seconds, lines, _plain(sketch, total), sketch, beats)


def _plain(sketch: Sketch | None, total: int) -> tuple[Chord, ...]:
    """Lay the chords out that a sketch has of its own."""
    marks = sketch.chords if sketch else ()
    ends = [*(at for at, _ in marks[1:]), total]
    return tuple(
        Chord("", name, name, round(at), round(end - at), percent(at, total), percent(end - at, total))
        for (at, name), end in zip(marks, ends, strict=False)
    )


def _section(section: Mapping[str, Any], start: int, total: int) -> Section:
    chords = tuple(
        Chord(
            section["name"],
            one["chord"],
            one.get("name", one["chord"]),
            start + one["pattern"],
            one["patterns"],
            percent(start + one["pattern"], total),
            percent(one["patterns"], total),
        )
        for one in section["chords"]
    )
    place = (percent(start, total), percent(section["patterns"], total))
    silent = frozenset(section.get("silent", ()))
    return Section(section["name"], start, section["patterns"], *place, chords, silent)


def _label_px(chord: Chord) -> float:
    return max(len(chord.name), len(chord.text)) * _NAME_CHAR_PX + _NAME_GAP_PX


def is_tight(text: str, width: float) -> bool:
    """Say whether a text has no room on paper over so many percent of the song."""
    return (len(text) + 0.5) * _PRINT_CHAR_PX > width / 100.0 * _PRINT_PX


def percent(part: float, whole: float) -> float:
    """Return a share in percent, as places are written: to a thousandth."""
    return round(100.0 * part / whole, 3)
