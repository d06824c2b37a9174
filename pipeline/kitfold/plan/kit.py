"""The models of kit.toml and of a recipe: what a user may write, before any default of the kit is drawn in."""

from __future__ import annotations

import unicodedata
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from kitfold.plan.key import parse_key
from kitfold.plan.model import Model, Name

__all__ = [
    "FitWishes",
    "Given",
    "KitHead",
    "Listen",
    "Plays",
    "Publish",
    "Recipe",
    "SectionEntry",
    "SongEntry",
    "SoundEntry",
    "Transfer",
]

Tempo = Annotated[float, Field(ge=10, le=400)]


def _readable(text: str) -> str:
    """Refuse what no text needs and what can make one read as another: control characters, and turns of direction."""
    for letter in text:
        if unicodedata.category(letter) == "Cc" or letter in _TURNS:
            raise ValueError(f"must hold no control characters (got U+{ord(letter):04X} in {text!r})")
    return text


_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
Text = Annotated[str, Field(max_length=400), AfterValidator(_readable)]
Remedy = Literal["shorten", "loop", "repitch", "drop-copy", "lower-rate"]


def _plays(value: object) -> object:
    """Accept a word or a list of semitones, and say both where it is neither."""
    words = ("chords", "tones", "fixed")
    whole = isinstance(value, tuple) and all(isinstance(tone, int) and not isinstance(tone, bool) for tone in value)
    if value in words or (whole and value and all(-48 <= tone <= 48 for tone in value)):  # type: ignore[attr-defined]
        return value
    raise ValueError(f"must be chords, tones, fixed or a list of whole semitones from -48 to 48, got {value!r}")


Plays = Annotated[str | tuple[int, ...], BeforeValidator(_plays)]


def _one_or_more(value: object) -> object:
    return (value,) if isinstance(value, str) else value


def _written(value: object) -> object:
    """Let a scale degree be written as a number."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


class KitHead(Model):
    """The table [kit]."""

    name: Name
    title: Text = ""
    version: Annotated[str, Field(pattern=r"^[0-9]+\.[0-9]+\.[0-9]+([-+][0-9A-Za-z.-]+)?$", max_length=64)] = "1.0.0"
    author: Text = ""
    licence: Text = ""
    device: Annotated[tuple[str, ...], BeforeValidator(_one_or_more), Field(min_length=1, max_length=64)]
    key: str = "C major"
    tempo: Tempo = 120
    tempo_slowest: Tempo | None = None
    middle_c: Literal["C4", "C3"] = "C4"
    a4_hz: Annotated[float, Field(ge=220, le=880)] = 440

    @field_validator("key")
    @classmethod
    def _key_is_a_key(cls, text: str) -> str:
        parse_key(text)
        return text

    @field_validator("licence")
    @classmethod
    def _licence_is_spdx(cls, text: str) -> str:
        from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

        try:
            return str(canonicalize_license_expression(text)) if text else ""
        except InvalidLicenseExpression:
            raise ValueError(
                f"must be an SPDX licence identifier like CC-BY-4.0, CC0-1.0 or LicenseRef-own, got {text!r}"
            ) from None

    @model_validator(mode="after")
    def _slowest_is_not_faster(self) -> Self:
        said = "tempo" in self.model_fields_set  # where it is missing, that is the mistake
        if said and self.tempo_slowest is not None and self.tempo_slowest > self.tempo:
            raise ValueError(f"tempo_slowest ({self.tempo_slowest:g}) must not be above tempo ({self.tempo:g})")
        return self


class SectionEntry(Model):
    """One [[song.section]]."""

    name: Name
    chords: tuple[Annotated[str, BeforeValidator(_written)], ...] = Field(min_length=1, max_length=1024)
    silent: tuple[str, ...] = ()
    shift: dict[str, Annotated[int, Field(ge=-48, le=48)]] = Field(default_factory=dict)


class SongEntry(Model):
    """The table [song]."""

    beats_per_pattern: Annotated[float, Field(gt=0, le=256)] = 4
    section: tuple[SectionEntry, ...] = Field((), max_length=256)


class Given(Model):
    """What is known of a source and need not be found again: a published pack's kit says it of every sound."""

    root_hz: Annotated[float, Field(gt=0, le=100_000)] | None = None
    loop: tuple[Annotated[int, Field(ge=0)], Annotated[int, Field(gt=0)]] | None = None
    whole: bool = False

    @model_validator(mode="after")
    def _loop_goes_forward(self) -> Self:
        if self.loop is not None and self.loop[0] >= self.loop[1]:
            raise ValueError(f"loop must be [start, end] in frames, end exclusive and after start, got {self.loop}")
        return self


class SoundEntry(Model):
    """One [[sound]]; keys beside these override a step of the recipe and are checked against it."""

    model_config = ConfigDict(extra="allow")

    name: Name
    source: Annotated[str, Field(min_length=1, max_length=1024)] | None = None
    from_: Name | None = Field(None, alias="from")
    start_s: Annotated[float, Field(ge=0, le=1_000_000)] | None = None
    end_s: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    recipe: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    steps: tuple[dict[str, object], ...] | None = Field(None, max_length=64)
    slot: Annotated[int, Field(ge=1, le=4096)] | None = None
    plays: Plays | None = None
    copies: Literal["none", "auto", "all"] = "auto"
    spare: Annotated[float, Field(ge=0.01, le=100)] = 1.0
    rights: Text = ""
    given: Given | None = None

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        if (self.source is None) == (self.from_ is None):
            raise ValueError("needs source (a file) or from (another sound), one of them")
        if self.recipe is not None and self.steps is not None:
            raise ValueError("takes recipe or steps, not both")
        if self.source is None and self.given is not None:
            raise ValueError("given says what is known of a source; a sound made from another has none")
        return self

    @model_validator(mode="after")
    def _region_is_a_region(self) -> Self:
        if self.source is None and (self.start_s is not None or self.end_s is not None):
            raise ValueError("start_s and end_s pick a region of a source; a sound made from another has none")
        if self.start_s is not None and self.end_s is not None and self.end_s <= self.start_s:
            raise ValueError(f"end_s ({self.end_s:g}) must lie after start_s ({self.start_s:g})")
        return self


def _rising(value: tuple[int, ...]) -> tuple[int, ...]:
    """Put intervals in order, so that the order in which they are written changes nothing; refuse one said twice."""
    twice = sorted({one for one in value if value.count(one) > 1})
    if twice:
        raise ValueError(f"says {', '.join(map(str, twice))} more than once")
    return tuple(sorted(value))


Interval = Annotated[int, Field(ge=1, le=24)]


class FitWishes(Model):
    """The table [fit]."""

    allow: tuple[Remedy, ...] = ("shorten", "loop", "repitch", "drop-copy", "lower-rate")
    natural_range_semitones: Annotated[float, Field(ge=0, le=48)] = 5
    repitch_semitones: Annotated[tuple[Interval, ...], Field(min_length=1), AfterValidator(_rising)] = Field(
        (12,),
        description="how far up `repitch` may store a sound, to be played as far down: whole semitones, 1 to 24; each "
        "is weighed. After 12 or 24 the stored file still sounds the pitch class it is named after; after others not",
    )
    hold_floor_db: Annotated[float, Field(ge=-90, lt=0)] = -12


class Listen(Model):
    """The table [listen]: the preview only."""

    reverb: Annotated[float, Field(ge=0, le=1)] = 0
    delay_beats: Annotated[float, Field(gt=0, le=16)] = 0.75
    delay: Annotated[float, Field(ge=0, le=1)] = 0


class Transfer(Model):
    """The table [transfer]: the take for a device that is loaded through its line input."""

    level_tone: bool = Field(True, description="begin with a tone to set the input by, which is not recorded")


class Publish(Model):
    """The table [publish]: what a downloadable pack is made of."""

    rate_hz: Literal[44_100, 48_000, 88_200, 96_000] | None = Field(
        None, description="one rate for all masters; without it, each keeps its source's"
    )


class Recipe(Model):
    """A recipe file: the steps, and if it likes its name, a sentence and how its sounds are played."""

    name: str | None = None
    about: Text = ""
    plays: Plays = "fixed"
    steps: tuple[dict[str, object], ...] = Field(min_length=1, max_length=64)
