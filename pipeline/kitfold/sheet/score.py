"""The song as a score: where sections, patterns and chords lie, and each sound's notes along them.

Places are percent of the song's length, so that one drawing serves a phone, a desk and paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitfold.sheet.numbers import signed
from kitfold.sheet.sketch import Sketch

__all__ = ["Chord", "Mark", "Score", "Section", "marks_of", "percent", "score_of"]

_CHAR_PX, _SCORE_PX = 6.6, 980.0  # of the score's small figures, and of the score on a desk: what fits beside what
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
        return _tight(max(self.name, self.text, key=len), self.width)


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
        return _tight(self.lowest, self.room)

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


def marks_of(slot: Mapping[str, Any], score: Score) -> tuple[Mark, ...]:
    """Return what the song asks of a slot, section by section; a chord that another slot plays leaves no mark."""
    return tuple(mark for section in score.sections for mark in _marks(slot, section, score))


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


def _label_px(chord: Chord) -> float:
    return max(len(chord.name), len(chord.text)) * _NAME_CHAR_PX + _NAME_GAP_PX


def _tight(text: str, width: float) -> bool:
    return (len(text) + 0.5) * _PRINT_CHAR_PX > width / 100.0 * _PRINT_PX


def percent(part: float, whole: float) -> float:
    """Return a share in percent, as places are written: to a thousandth."""
    return round(100.0 * part / whole, 3)
