"""The manifest of a published pack, as models from which its JSON Schema is made.

Readers ignore fields that they don't know; a change of meaning is a new number in `schema`.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from kitfold.pack.manifest import DIALECT, Entry, FileEntry, LevelEntry, Made, RootEntry, json_text

__all__ = ["PACK_SCHEMA", "Edition", "PackManifest", "PackSound", "pack_json_schema", "pack_text"]

PACK_SCHEMA: Literal["kitfold-pack/1"] = "kitfold-pack/1"


class PackSound(Entry):
    """One sound of the full edition, as its file holds it."""

    name: str
    file: str
    sha256: str
    bytes: int
    frames: int
    rate_hz: int
    bits: Literal[24]
    channels: int
    seconds: float
    root: RootEntry
    level: LevelEntry
    loop: dict[str, int] | None = Field(description="start and end in frames, end exclusive")
    whole: bool = Field(description="cutting its end would spoil it: a swell's peak stands there")
    plays: str | list[int] = Field(description="how it is played; a sound without a clear root is fixed")
    preview: str
    rights: str
    made: Made


class Edition(Entry):
    """The kit as one device stores it; its folder has a manifest of its own, of schema kitfold-manifest/1."""

    device: str
    folder: str
    manifest: str


class PackManifest(Entry):
    """The whole."""

    schema_: Literal["kitfold-pack/1"] = Field(alias="schema")
    made_with: dict[str, str]
    kit: dict[str, Any]
    song: dict[str, Any]
    preview: str = Field(description="the song, or where there is none a little one, played from the full edition")
    sounds: list[PackSound]
    editions: list[Edition]
    files: list[FileEntry] = Field(description="every file of the pack but manifest.json and SHA256SUMS, by name")


def pack_text(manifest: PackManifest) -> str:
    """Return the manifest as it is written: stable order, UTF-8, one line feed at the end."""
    return json_text(manifest.as_json())


def pack_json_schema() -> str:
    """Return the JSON Schema (2020-12) that ships as pack.schema.json."""
    schema = PackManifest.model_json_schema(by_alias=True, mode="serialization")
    return json_text({"$schema": DIALECT, "$id": f"urn:{PACK_SCHEMA.replace('/', ':')}", **schema})
