"""A device: what a sampler stores and plays, as figures out of its manual."""

from __future__ import annotations

import string
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from kitfold.plan.mistakes import shown
from kitfold.plan.model import Model, RefusedError

__all__ = ["FILE_NAME_FIELDS", "Device", "WavChunk"]

WavChunk = Literal["smpl", "inst", "cue", "bext", "info"]
"""What a WAV file may carry beside its sound: see `kitfold.pack.metadata`."""

FILE_NAME_FIELDS = ("slot", "name", "note", "kit")
_ENDINGS = (".wav", ".aif", ".aiff", ".raw")
_CONTAINER_BYTES = {8: 1, 12: 2, 16: 2, 24: 3, 32: 4}
_BITS_OF_ENCODING = {
    "unsigned": (8,),
    "signed": (8, 12, 16, 24),
    "mu-law": (8,),
    "a-law": (8,),
    "float": (32,),
}


_LOWEST_HZ = 4000


def _as_rates(value: object) -> object:
    """Take one rate for a list of one; refuse what is no rate in Hz, most likely one in kHz."""
    rates = value if isinstance(value, tuple) else (value,)
    whole = all(isinstance(rate, int) and not isinstance(rate, bool) for rate in rates)
    if whole and (isinstance(value, tuple) or rates[0] >= _LOWEST_HZ):
        return rates
    raise RefusedError(
        f"must be in Hz, like 24000, or a list of such, from {_LOWEST_HZ} up (got {shown(value)})",
        "a manual's 24 kHz is written 24000",
    )


def _as_range(value: object) -> object:
    """Refuse one number where a range stands, and say which was meant."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        end = f"{abs(value):g}"
        raise RefusedError(f"must be [low, high] in semitones (got {value:g})", f"write [-{end}, {end}], or [0, {end}]")
    return value


class Device(Model):
    """A sampler, described by its figures.

    Memory is `memory_s` (mono seconds at the highest rate, counted in frames) or `memory_bytes`; blocks and overhead
    need bytes. Playback transposes by varispeed, `transpose` says how far.
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,48}$", description="what a kit calls it")]
    about: str = Field("", description="one sentence")
    rate_hz: Annotated[
        tuple[Annotated[int, Field(ge=_LOWEST_HZ, le=192_000)], ...],
        BeforeValidator(_as_rates),
        Field(min_length=1, max_length=8, description="stored rate, or a list if a slot may choose"),
    ]
    bits: Literal[8, 12, 16, 24, 32] = Field(description="8, 12 (in a 16-bit container), 16, 24; 32 for float")
    encoding: Literal["unsigned", "signed", "mu-law", "a-law", "float"] = Field("signed", description="of a sample")
    channels: Literal[1, 2] = Field(1, description="stored channels")
    slots: Annotated[int, Field(ge=1, le=4096, description="number of slots")]
    memory_s: Annotated[float, Field(gt=0, le=1_000_000)] | None = Field(
        None, description="mono seconds at the highest rate"
    )
    memory_bytes: Annotated[int, Field(ge=1, le=10**13)] | None = Field(None, description="or bytes")
    slot_max_s: Annotated[float, Field(gt=0, le=100_000)] | None = Field(None, description="longest slot")
    block_bytes: Annotated[int, Field(ge=1, le=10**9)] = Field(1, description="memory is given out in blocks of this")
    slot_overhead_bytes: Annotated[int, Field(ge=0, le=10**9)] = Field(0, description="spent by each used slot")
    transpose: Annotated[tuple[int, int], BeforeValidator(_as_range)] = Field(
        (0, 0), description="playback range in semitones; [0, 0] if it cannot"
    )
    loop: bool = Field(False, description="plays a sustain loop")
    note_off: Literal["stops", "plays-on"] = Field("plays-on", description="what the end of a note does")
    voices: Annotated[int, Field(ge=1, le=1024)] = Field(1, description="sounds at once")
    slot_level: bool = Field(False, description="has a level per slot")
    dither: Literal["auto", "tpdf", "none"] = Field("auto", description="auto: TPDF on held sounds, none on hits")
    loading: Literal["files", "line-in"] = Field("files", description="how sounds get in")
    file_name: str = Field("{slot:02d}_{name}.wav", description="fields slot, name, note, kit; .wav, .aif or .raw")
    wav_chunks: Annotated[tuple[WavChunk, ...], Field(max_length=5)] | None = Field(
        None,
        description=(
            "what its WAV files carry beside the sound: smpl (root and loop), inst (root, fine tune, keys), "
            "cue (marks with names), bext (text and loudness), info (title, author, licence); [] for bare files; "
            "left out: smpl where a slot loops, else nothing"
        ),
    )

    @model_validator(mode="after")
    def _memory_is_said_once(self) -> Self:
        if self.memory_s is not None and self.memory_bytes is not None:
            raise RefusedError("takes memory_s or memory_bytes, not both", "keep the one that the manual says")
        if self.memory_s is None and self.memory_bytes is None:
            raise RefusedError(
                "needs memory_s (seconds) or memory_bytes, how much it holds in all", "look in the manual"
            )
        if self.memory_bytes is None and (self.block_bytes > 1 or self.slot_overhead_bytes > 0):
            raise ValueError("block_bytes and slot_overhead_bytes need memory_bytes (memory_s is counted in frames)")
        return self

    @model_validator(mode="after")
    def _bits_go_with_encoding(self) -> Self:
        allowed = _BITS_OF_ENCODING[self.encoding]
        if self.bits not in allowed:
            raise ValueError(f"bits must be {' or '.join(map(str, allowed))} with {self.encoding}, got {self.bits}")
        return self

    @model_validator(mode="after")
    def _range_holds_zero(self) -> Self:
        low, high = self.transpose
        if not -60 <= low <= 0 <= high <= 60:
            raise ValueError(f"transpose must be [low, high] with -60 <= low <= 0 <= high <= 60, got [{low}, {high}]")
        return self

    @model_validator(mode="after")
    def _file_name_is_safe(self) -> Self:
        _check_pattern(self.file_name)
        if self.encoding == "signed" and self.bits == 8 and self.file_name.lower().endswith(".wav"):
            raise ValueError("file_name must end in .aif or .raw for signed 8-bit samples: 8-bit WAV is unsigned")
        return self

    @model_validator(mode="after")
    def _only_wav_carries_chunks(self) -> Self:
        chunks = self.wav_chunks or ()
        if chunks and not self.file_name.lower().endswith(".wav"):
            raise RefusedError(
                f"wav_chunks needs a file_name that ends in .wav (got {self.file_name!r})", "leave wav_chunks out"
            )
        if len(set(chunks)) < len(chunks):
            raise RefusedError(f"wav_chunks names one kind twice (got {list(chunks)})", "name each once")
        return self

    @property
    def top_rate_hz(self) -> int:
        """The highest rate."""
        return max(self.rate_hz)

    @property
    def bytes_per_frame(self) -> int:
        """Bytes that one frame of all channels takes in its container."""
        return _CONTAINER_BYTES[self.bits] * self.channels

    def file_for(self, slot: int, name: str, note: str, kit: str) -> str:
        """Return the file name of a slot, as the pattern says; only the four fields are ever read."""
        return self.file_name.format(slot=slot, name=name, note=note, kit=kit)


def _check_pattern(pattern: str) -> None:
    """Refuse a pattern that reads anything but the four fields: str.format would follow attributes and indices."""
    try:
        parts = list(string.Formatter().parse(pattern))
    except ValueError as error:
        raise ValueError(f"file_name is no pattern ({error}), got {pattern!r}") from None
    fields = [(name, spec, conversion) for _, name, spec, conversion in parts if name is not None]
    for name, spec, conversion in fields:
        plain = spec == "" if name != "slot" else spec in ("", "d", "02d", "03d", "04d")
        if name not in FILE_NAME_FIELDS or not plain or conversion:
            raise ValueError(
                f"file_name may use the fields {{slot}}, {{slot:02d}}, {{name}}, {{note}} and {{kit}} and no others, "
                f"got {pattern!r}"
            )
    if not {"slot", "name"} & {name for name, _, _ in fields}:
        raise ValueError(f"file_name needs {{slot}} or {{name}}, or all slots would share one file, got {pattern!r}")
    segments = pattern.replace("\\", "/").split("/")
    if "\\" in pattern or any(part in ("", ".", "..") for part in segments) or ":" in segments[0].split("{")[0]:
        raise ValueError(f"file_name must be a plain relative path with forward slashes, got {pattern!r}")
    if not pattern.lower().endswith(_ENDINGS):
        raise ValueError(f"file_name must end in {', '.join(_ENDINGS)}, got {pattern!r}")
