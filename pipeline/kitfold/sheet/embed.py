"""The sounds that the page plays: what the device stores exactly, masters and previews compressed, all as text."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from kitfold.measure.level import loudest_lufs
from kitfold.render.jobs import default_jobs
from kitfold.sheet.audio import Take, exact_codes, flac_bytes, mp3_bytes, read_take
from kitfold.sheet.chart import label_of
from kitfold.sheet.rows import master_of
from kitfold.sheet.take import TAKE_FILE, cues_of
from kitfold.sound import Sound

__all__ = ["BESIDE_BYTES", "SONGS", "Clip", "Heard", "clips_of", "data_of"]

BESIDE_BYTES = 20_000_000
"""A page heavier than this opens slowly: its sounds go beside it."""
SONGS = {"song-master": "listen/song-master.wav", "song-device": "listen/song-device.wav"}


@dataclass(frozen=True)
class Clip:
    """One sound of the page.

    Parameters
    ----------
    key : str, letters, digits and - only: it names an element and a file
    text : str, base64
    """

    key: str
    text: str


@dataclass(frozen=True)
class Heard:
    """The page's sounds and what it must know to play them.

    Parameters
    ----------
    clips : tuple of Clip
    slots : tuple of mappings, one a slot, for the page's script
    """

    clips: tuple[Clip, ...]
    slots: tuple[Mapping[str, Any], ...]


def clips_of(manifest: Mapping[str, Any], files: Mapping[str, bytes]) -> Heard:
    """Return every sound that the page can play, of those that are there.

    Parameters
    ----------
    manifest : mapping as in manifest.json
    files : mapping, file name to bytes
    """
    slots = [slot for slot in manifest["slots"] if slot["file"] in files]
    keys = _master_keys(slots, files)
    jobs: list[tuple[str, Callable[[], bytes]]] = [
        (f"slot-{slot['slot']}", _exact(slot, files[slot["file"]])) for slot in slots
    ]
    jobs += [(key, _compressed(files[file])) for file, key in keys.items()]
    jobs += [(key, _compressed(files[file])) for key, file in SONGS.items() if file in files]
    if cues_of(files):
        jobs.append(("take", lambda: flac_bytes(files[TAKE_FILE])))
    with ThreadPoolExecutor(default_jobs()) as pool:
        clips = tuple(pool.map(lambda job: Clip(job[0], base64.b64encode(job[1]()).decode("ascii")), jobs))
    match_db = _match_db(slots, files)
    return Heard(clips, tuple(_slot_data(slot, keys, match_db) for slot in slots))


def data_of(manifest: Mapping[str, Any], files: Mapping[str, bytes], heard: Heard, beside: bool) -> dict[str, Any]:
    """Return what the page's script must know."""
    device, kit, song = manifest["device"], manifest["kit"], manifest.get("song") or {}
    low, high = device["transpose"]
    pattern_s = song.get("beats_per_pattern", 4.0) * 60.0 / kit["tempo"]
    patterns = sum(section["patterns"] for section in song.get("sections", ())) or _patterns(files, pattern_s)
    return {
        "slots": heard.slots,
        "device": {
            "name": device["name"],
            "low": low,
            "high": high,
            "stops": device["note_off"] == "stops",
            "voices": device["voices"],
        },
        "pattern_s": pattern_s,
        "patterns": patterns,
        "songs": [clip.key for clip in heard.clips if clip.key in SONGS],
        "cues": cues_of(files),
        "beside": beside,
        "middle_c": kit.get("middle_c", "C4"),
    }


def _patterns(files: Mapping[str, bytes], pattern_s: float) -> int:
    """Return how long the preview of a kit without a song is."""
    song = next((files[file] for file in SONGS.values() if file in files), None)
    return 1 if song is None else max(1, int(read_take(song).seconds / pattern_s))


def _master_keys(slots: list[Any], files: Mapping[str, bytes]) -> dict[str, str]:
    """Name each master that is there once, however many slots come from it."""
    names = list(dict.fromkeys(master_of(slot) for slot in slots))
    return {name: f"master-{order}" for order, name in enumerate(names, 1) if name in files}


def _exact(slot: Mapping[str, Any], data: bytes) -> Callable[[], bytes]:
    return lambda: exact_codes(slot, data).data


def _compressed(data: bytes) -> Callable[[], bytes]:
    return lambda: mp3_bytes(read_take(data))


def _slot_data(slot: Mapping[str, Any], masters: Mapping[str, str], match_db: float) -> dict[str, Any]:
    width = 1 if slot["bits"] == 8 and slot["encoding"] in ("unsigned", "signed") else 3 if slot["bits"] == 24 else 2
    return {
        "slot": slot["slot"],
        "label": label_of(slot),
        "key": f"slot-{slot['slot']}",
        "master": masters.get(master_of(slot)),
        "rate": slot["rate_hz"],
        "channels": slot["channels"],
        "width": 4 if slot["encoding"] == "float" else width,
        "at": slot["play_semitones"],
        "copy": slot["copy"] or 0,
        "gain_db": round(slot["play_db"] + match_db, 2),
        "loop": slot["loop"],
        "midi": slot["root"]["midi"],
    }


def _match_db(slots: list[Any], files: Mapping[str, bytes]) -> float:
    """Return the one gain that brings the device's balance to the masters', so that no version wins by being louder."""
    pairs = [(slot, files[master_of(slot)]) for slot in slots if slot["copy"] is None and master_of(slot) in files]
    gaps = sorted(_lufs(read_take(data)) - slot["level"]["lufs"] - slot["play_db"] for slot, data in pairs)
    gaps = [gap for gap in gaps if abs(gap) < 60.0]  # silence has no level
    return gaps[len(gaps) // 2] if gaps else 0.0


def _lufs(take: Take) -> float:
    return loudest_lufs(Sound(take.samples[:, :2], take.rate_hz))
