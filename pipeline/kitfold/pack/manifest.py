"""The manifest: what a build holds and what was measured, as models from which its JSON Schema is made.

Readers ignore fields that they don't know; a change of meaning is a new number in `schema`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import islice
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "DIALECT",
    "SCHEMA",
    "Budget",
    "Change",
    "Check",
    "Entry",
    "FileEntry",
    "Hold",
    "LevelEntry",
    "Made",
    "Manifest",
    "MoreMemory",
    "RootEntry",
    "SlotEntry",
    "json_parts",
    "json_schema",
    "json_text",
    "manifest_text",
]

SCHEMA: Literal["kitfold-manifest/1"] = "kitfold-manifest/1"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
"""The language that the schemas are written in."""

_PIECES = 5000  # so many numbers, texts and brackets are written at once: some tens of kilobytes


class Entry(BaseModel):
    """What manifests are made of: unknown fields are kept."""

    model_config = ConfigDict(extra="allow", frozen=True, ser_json_inf_nan="constants")  # not null: it shall be refused

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON has it."""
        return self.model_dump(mode="json", by_alias=True)


class MoreMemory(Entry):
    """What so many more units of memory would bring the kit's cost to."""

    units: int
    cost_db: float


class Budget(Entry):
    """Memory and slots, counted as the device counts them; what all changes cost the ear, and what more would buy."""

    unit: Literal["frames", "bytes"]
    limit: int
    used: int
    slots: int
    slots_used: int
    cost_db: float = Field(description="ten times the logarithm of spare times audible error, summed over all slots")
    more: MoreMemory | None = Field(description="null: more memory would buy nothing")


class RootEntry(Entry):
    """The wanted note, and how far the stored file lies from it (with `play_semitones` taken off)."""

    pitched: bool
    note: str | None
    midi: int | None
    hz: float | None
    error_cents: float | None


class LevelEntry(Entry):
    """Loudness of the loudest 400 ms in LUFS, sample peak in dBFS, true peak in dBTP; all of the stored file."""

    lufs: float
    peak_db: float
    true_peak_db: float


class Hold(Entry):
    """One note that the song asks of a slot."""

    section: str
    chord: str
    semitones: int
    setting: int
    needs_s: float
    lasts_s: float | None = Field(description="null: for ever")
    ok: bool


class Change(Entry):
    """What was changed to fit, why, and what of the sound's heard energy it cost."""

    what: str
    why: str
    cost_db: float


class Made(Entry):
    """Where a slot's sound comes from and every step of its way."""

    source: str
    source_sha256: str
    from_sound: str | None = Field(alias="from", default=None)
    rights: str
    steps: list[dict[str, Any]]


class SlotEntry(Entry):
    """One slot."""

    slot: int
    sound: str
    copy_: int | None = Field(alias="copy", description="semitones of a pre-rendered transposition")
    file: str
    sha256: str
    frames: int
    rate_hz: int
    bits: int
    encoding: str
    channels: int
    bytes: int
    seconds: float
    memory: int = Field(description="what it takes of the budget, in the budget's unit")
    plays: str | list[int] = Field(description="how it is played; a sound without a clear root is fixed")
    play_semitones: int
    play_db: float
    root: RootEntry
    level: LevelEntry
    loop: dict[str, int] | None = Field(description="start and end in frames, end exclusive")
    cost_db: float = Field(description="what all changes to it cost the ear, over the device's plain conversion")
    holds: list[Hold]
    changes: list[Change]
    made: Made


class FileEntry(Entry):
    """A file beside the slots."""

    file: str
    sha256: str
    bytes: int


class Check(Entry):
    """One claim, measured."""

    check: str
    result: Literal["pass", "warn", "fail"]
    figure: float
    limit: float
    unit: str
    about: list[str]
    advice: str


class Manifest(Entry):
    """The whole."""

    schema_: Literal["kitfold-manifest/1"] = Field(alias="schema")
    made_with: dict[str, str]
    kit: dict[str, Any]
    song: dict[str, Any]
    fit: dict[str, Any] = Field(description="the table [fit] with its defaults: what holds were counted by")
    device: dict[str, Any]
    budget: Budget
    slots: list[SlotEntry]
    files: list[FileEntry]
    checks: list[Check]


def manifest_text(manifest: Manifest) -> str:
    """Return the manifest as it is written: stable order, UTF-8, one line feed at the end."""
    return json_text(manifest.as_json())


def json_schema() -> str:
    """Return the JSON Schema (2020-12) that ships as manifest.schema.json."""
    schema = Manifest.model_json_schema(by_alias=True, mode="serialization")
    return json_text({"$schema": DIALECT, "$id": f"urn:{SCHEMA.replace('/', ':')}", **schema})


def json_text(value: object) -> str:
    """Return JSON as every manifest is written: stable, UTF-8, one line feed at the end; no NaN, no infinity."""
    return b"".join(json_parts(value)).decode()


def json_parts(value: object) -> Iterator[bytes]:
    """Give the bytes of `json_text`, some of them at a time."""
    pieces = json.JSONEncoder(indent=1, ensure_ascii=False, allow_nan=False).iterencode(value)
    while text := "".join(islice(pieces, _PIECES)):
        yield text.encode()
    yield b"\n"
