"""What a WAV file says of its sound: one set of facts, and the chunks that say them.

Everything stands behind the sound itself, so that the simplest readers, which expect it at byte 44, find it there.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

from kitfold import __version__
from kitfold.pack.bext import Loudness, bext_chunk
from kitfold.pack.chunks import Chunk, Mark, cue_chunks, info_chunk, inst_chunk, smpl_chunk
from kitfold.pack.kit import Slot
from kitfold.pack.loudness import loudness_of
from kitfold.pack.quantise import dequantise
from kitfold.plan.plan import Plan
from kitfold.sound import Sound
from kitfold.units import note_name

__all__ = ["ALL_CHUNKS", "Facts", "chunks_of", "clock_and_key", "reach_of", "slot_chunks"]

ALL_CHUNKS = ("smpl", "inst", "cue", "bext", "info")
"""Every kind, in the order in which a file carries them."""

_MEASURED = "LoudnessValue: BS.1770 gated; MaxMomentary: its loudest 400 ms; MaxShortTerm: its loudest 3 s"


@dataclass(frozen=True)
class Facts:
    """What there is to say of one file.

    Parameters
    ----------
    name : str, the sound
    rate_hz, channels, bits : int
    pcm : bool, whether its codes are linear
    midi : float or None, the note it plays at its own rate, with its fraction
    root : str, the same in words
    reach : (lowest, highest) note for which it is meant
    loop : (start, end) or None, frames, end exclusive
    marks : tuple of Mark
    rights : str
    loudness : measures it; called only where a chunk wants it
    """

    name: str
    rate_hz: int
    channels: int
    bits: int
    pcm: bool
    midi: float | None
    root: str
    reach: tuple[int, int]
    loop: tuple[int, int] | None
    marks: tuple[Mark, ...]
    rights: str
    loudness: Callable[[], Loudness]


def chunks_of(facts: Facts, plan: Plan, kinds: Collection[str] = ALL_CHUNKS) -> list[Chunk]:
    """Return the chunks of a file, of the wanted kinds and in one order.

    Parameters
    ----------
    facts : Facts
    plan : Plan, for what is said of the whole kit
    kinds : some of `ALL_CHUNKS`
    """
    makers: dict[str, Callable[[], list[Chunk]]] = {
        "smpl": lambda: [smpl_chunk(facts.rate_hz, facts.midi, facts.loop)],
        "inst": lambda: [inst_chunk(facts.midi, facts.reach)],
        "cue": lambda: cue_chunks(facts.marks),
        "bext": lambda: [_broadcast(facts, plan)],
        "info": lambda: [_info(facts, plan)],
    }
    return [chunk for kind in ALL_CHUNKS if kind in kinds for chunk in makers[kind]()]


def slot_chunks(slot: Slot, plan: Plan, kinds: Collection[str] | None) -> list[Chunk]:
    """Return the chunks that a slot's file carries; by default where its loop is and which note it is stored at.

    The note is the one that the play chart counts from, whole; how far the file lies from it, the manifest says.

    Parameters
    ----------
    slot : Slot
    plan : Plan
    kinds : what the device file allows; None: ``smpl`` where the slot loops, else nothing
    """
    if kinds is None:
        kinds = () if slot.loop is None else ("smpl",)
    stored = slot.stored
    midi = None if slot.note.midi is None else slot.note.midi + slot.part.variant.up_semitones
    facts = Facts(
        name=slot.part.name,
        rate_hz=stored.rate_hz,
        channels=stored.channels,
        bits=stored.bits,
        pcm=stored.encoding in ("unsigned", "signed"),
        midi=midi,
        root="no clear root" if midi is None else f"root {note_name(midi, plan.kit.middle_c, plan.key.flats)}",
        reach=reach_of(midi, plan),
        loop=slot.loop,
        marks=() if slot.loop is None else (Mark(slot.loop[0], "loop"),),
        rights=slot.master.rights,
        loudness=lambda: loudness_of(Sound(dequantise(stored.codes, stored.bits, stored.encoding), stored.rate_hz)),
    )
    return chunks_of(facts, plan, kinds)


def reach_of(midi: int | None, plan: Plan) -> tuple[int, int]:
    """Return the notes on which a sound still sounds like itself; every note for one without a clear root."""
    if midi is None:
        return 0, 127
    natural = int(plan.fit.natural_range_semitones)
    return midi - natural, midi + natural


def clock_and_key(plan: Plan) -> list[str]:
    """Return tempo and key in words, as far as the kit says them: a default is no statement."""
    words = {"tempo": f"{plan.kit.tempo:g} bpm", "key": str(plan.key)}
    return [text for name, text in words.items() if name in plan.kit.model_fields_set]


def _broadcast(facts: Facts, plan: Plan) -> Chunk:
    kit = plan.kit
    description = f"{kit.name} {facts.name}: {facts.root}. {_MEASURED}"
    return bext_chunk(
        description, kit.author or "kitfold", f"{kit.name}-{kit.version}", facts.loudness(), _coded(facts)
    )


def _coded(facts: Facts) -> str:
    """Return the line of EBU R 98 that says how the sound is coded; it knows no word for companded or float codes."""
    if not facts.pcm:
        return ""
    return f"A=PCM,F={facts.rate_hz},W={facts.bits},M={'mono' if facts.channels == 1 else 'stereo'},T=kitfold\r\n"


def _info(facts: Facts, plan: Plan) -> Chunk:
    kit = plan.kit
    return info_chunk(
        {
            "INAM": f"{kit.title or kit.name}: {facts.name}",
            "IART": kit.author,
            "ICOP": "; ".join(text for text in (kit.licence, facts.rights) if text),
            "ICMT": "; ".join([facts.root, *clock_and_key(plan)]),
            "ISFT": f"kitfold {__version__}",
        }
    )
