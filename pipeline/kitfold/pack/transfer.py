"""The transfer take: every slot in order, as a device that records through its line input should hear it.

Source of the cue and list chunks: IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0",
1991, "Cue-Points Chunk" and "Associated Data Chunk". All fields are 32-bit, lowest byte first. A cue point: identifier,
position, the chunk it lies in, start of that chunk, start of the block, offset in frames. A label is its cue's
identifier and text that ends in a zero byte; a labelled text gives the length in frames and a purpose.
"""

from __future__ import annotations

import csv
import io
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kitfold.pack.balance import STORE_CEILING_DBTP
from kitfold.pack.entries import slot_note
from kitfold.pack.entry_parts import named_note
from kitfold.pack.kit import Packed, Slot
from kitfold.pack.line_in import TAKE_BITS, take_rate_hz
from kitfold.pack.quantise import quantise
from kitfold.pack.slots import stored_name
from kitfold.pack.stored import Stored
from kitfold.pack.wav import wav_bytes
from kitfold.plan.plan import Plan
from kitfold.render.masters import Master
from kitfold.sound import Audio
from kitfold.steps.shapes import fall, rise
from kitfold.units import db_to_gain, seconds_to_frames

__all__ = ["COLUMNS", "Cue", "cue_chunks", "transfer_files"]

GAP_S = 5.0
"""Silence before each slot: time to arm the next one."""
_TONE_S, _TONE_HZ, _TONE_FADE_S = 5.0, 1000.0, 0.01
COLUMNS = (
    "cue", "slot", "name", "note_in_take", "start_s", "start_frame", "length_s", "length_frames", "set_semitones",
    "set_level_db", "note_when_set", "loop_start_s", "loop_end_s",
)  # fmt: skip
"""The columns of cues.csv. Slot 0 is the level tone, which is not recorded. `note_in_take` sounds while a slot is
recorded, `note_when_set` once `set_semitones` is set: both empty without a clear root. Loop points count from the
slot's start."""


@dataclass(frozen=True, eq=False)
class Cue:
    """A stretch of the take.

    Parameters
    ----------
    start : int, frame of the take
    samples : float32 array, (frames, channels), whole numbers of 24-bit steps
    slot : Slot or None, None for the level tone
    """

    start: int
    samples: Audio
    slot: Slot | None

    @property
    def name(self) -> str:
        """What it is called, in ASCII."""
        return "level tone" if self.slot is None else stored_name(self.slot.part.name, self.slot.part.root)


def transfer_files(plan: Plan, packed: Packed, masters: Mapping[str, Master]) -> dict[str, bytes]:
    """Return the take, its cue sheet and what to mind, for a device that is loaded through its line input.

    Parameters
    ----------
    plan : Plan; `[transfer] level_tone`: begin with a tone that peaks where the loudest slot may
    packed : Packed
    masters : mapping of Master; not needed, the take is what the slots were made of

    Returns
    -------
    dict, name relative to the build folder to bytes: ``transfer/take.wav``, ``transfer/cues.csv``,
    ``transfer/README.txt``; nothing for a device that is loaded with files
    """
    del masters
    if packed.device.loading != "line-in":
        return {}
    rate_hz, tone = take_rate_hz(packed.device), plan.transfer.level_tone
    cues = _cues(packed, rate_hz, tone)
    return {
        "transfer/take.wav": _take(cues, rate_hz, packed.device.channels),
        "transfer/cues.csv": _sheet(cues, rate_hz, plan).encode(),
        "transfer/README.txt": _to_mind(packed, tone).encode(),
    }


def _cues(packed: Packed, rate_hz: int, tone: bool) -> list[Cue]:
    """Lay everything out, a gap before each and none inside."""
    gap = seconds_to_frames(GAP_S, rate_hz)
    parts: list[tuple[Slot | None, Audio]] = [(None, _tone(rate_hz, packed.device.channels))] if tone else []
    parts += [(slot, slot.sent.samples) for slot in packed.slots if slot.sent is not None]
    cues, at = [], gap
    for slot, samples in parts:
        cues.append(Cue(at, samples, slot))
        at += len(samples) + gap
    return cues


def _tone(rate_hz: int, channels: int) -> Audio:
    frames, fade = seconds_to_frames(_TONE_S, rate_hz), seconds_to_frames(_TONE_FADE_S, rate_hz)
    wave = db_to_gain(STORE_CEILING_DBTP) * np.sin(2 * np.pi * _TONE_HZ * np.arange(frames) / rate_hz)
    wave[:fade] *= rise(fade)
    wave[frames - fade :] *= fall(fade)
    return np.repeat(wave[:, np.newaxis], channels, axis=1).astype(np.float32)


def _take(cues: Sequence[Cue], rate_hz: int, channels: int) -> bytes:
    gap = seconds_to_frames(GAP_S, rate_hz)
    frames = max((cue.start + len(cue.samples) for cue in cues), default=0) + gap
    codes = np.zeros((frames, channels), dtype=np.int32)  # the type of 24-bit codes
    for cue in cues:
        codes[cue.start : cue.start + len(cue.samples)] = quantise(cue.samples, TAKE_BITS, "signed", zero_ends=False)
    return wav_bytes(Stored(codes, rate_hz, TAKE_BITS, "signed"), cue_chunks(cues), where="transfer/take.wav")


def cue_chunks(cues: Sequence[Cue]) -> list[tuple[bytes, bytes]]:
    """Return the chunks that mark every cue in the WAV, with its name and its length."""
    points, texts = struct.pack("<I", len(cues)), b"adtl"
    for number, cue in enumerate(cues, start=1):
        points += struct.pack("<II4sIII", number, cue.start, b"data", 0, 0, cue.start)
        texts += _text(b"labl", struct.pack("<I", number) + _label(cue).encode() + b"\0")
        texts += _text(b"ltxt", struct.pack("<II4sHHHH", number, len(cue.samples), b"rgn ", 0, 0, 0, 0))
    return [(b"cue ", points), (b"LIST", texts)]


def _label(cue: Cue) -> str:
    return cue.name if cue.slot is None else f"{cue.slot.slot:02d} {cue.name}"


def _text(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _sheet(cues: Sequence[Cue], rate_hz: int, plan: Plan) -> str:
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(COLUMNS)
    for number, cue in enumerate(cues, start=1):
        frames = len(cue.samples)
        times = (f"{cue.start / rate_hz:.6f}", cue.start, f"{frames / rate_hz:.6f}", frames)
        slot = cue.slot
        if slot is None:
            rows.writerow((number, 0, cue.name, "", *times, "", "", "", "", ""))
        else:
            settings = (slot.part.play_semitones, f"{slot.gain.play_db:.1f}", slot_note(slot, plan) or "")
            rows.writerow((number, slot.slot, cue.name, _note_in_take(slot, plan), *times, *settings, *_loop_s(slot)))
    return text.getvalue()


def _note_in_take(slot: Slot, plan: Plan) -> str:
    """Name the note that is heard while a slot is recorded: higher than the slot's own where it is stored so."""
    midi = slot.note.midi
    return "" if midi is None else named_note(midi - slot.part.play_semitones, plan) or ""


def _loop_s(slot: Slot) -> tuple[str, str]:
    if slot.loop is None:
        return "", ""
    start, end = (frame / slot.stored.rate_hz for frame in slot.loop)
    return f"{start:.6f}", f"{end:.6f}"


def _to_mind(packed: Packed, tone: bool) -> str:
    level = _BY_TONE if tone else _BY_SLOT
    return _TO_MIND.format(peak_db=STORE_CEILING_DBTP, level=level, device=packed.device.name, gap_s=GAP_S)


_TO_MIND = """\
Before the first play

The take peaks at {peak_db:g} dBFS. Take headphones off, turn monitors down, and begin with the player's output and the
device's input low: a loud signal can hurt ears and loudspeakers, and too hot a one can overload an input. Feed a line
input, not a microphone or instrument input.

Then

{level}
Each slot of {device} follows after {gap_s:g} s of silence, in order. Nothing sounds before it, so recording may start
by threshold. cues.csv says where each one starts, how long it is, and what to set afterwards: set_semitones brings a
slot that is stored higher back to its pitch (note_in_take is what sounds while it is recorded, note_when_set what it
plays then), set_level_db restores the balance. Loop points count from a slot's start.
Switch off effects, tone controls and automatic level between player and device, and play at the take's own speed.
"""
_BY_TONE = (
    f"The first cue is a level tone, {_TONE_HZ:g} Hz for {_TONE_S:g} s; no slot peaks higher. Raise the input until it"
    " lies well\nunder overload. Do not record it into a slot."
)
_BY_SLOT = "There is no level tone: set the input by the loudest slot."
