"""The sounds that the page plays: what the device stores exactly, masters and previews compressed, all as text."""

from __future__ import annotations

import base64
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any, TypeVar

from kitfold.files import Store
from kitfold.measure.level import loudest_lufs
from kitfold.pack.listen import LISTEN_RATE_HZ
from kitfold.sheet.audio import Take, exact_codes, flac_bytes, mp3_bytes, of_files, read_take, song_flac
from kitfold.sheet.chart import label_of
from kitfold.sheet.rows import master_of
from kitfold.sheet.score import Score
from kitfold.sheet.take import TAKE_FILE, cues_of
from kitfold.sound import Sound

__all__ = ["BESIDE_BYTES", "EXACT_SONG_BYTES", "SONGS", "Clip", "Heard", "ahead", "clips_of", "data_of", "heard_of"]

Item = TypeVar("Item")
Made = TypeVar("Made")

BESIDE_BYTES = 20_000_000
"""A page heavier than this opens slowly: its sounds go beside it."""
_MASTER, _DEVICE = "song-master", "song-device"
SONGS = {_MASTER: "listen/song-master.wav", _DEVICE: "listen/song-device.wav"}
EXACT_SONG_BYTES = 2_500_000
"""A song is carried without loss up to here, half a minute of stereo and more of a small device; else compressed: a
page of one kit shall stay under 6 MB."""
_MASTER_FORM = {"rate_hz": LISTEN_RATE_HZ, "bits": 16}  # rounding lies 98 dB down, where no room is quiet enough
_MOST_AHEAD = 32  # sounds made ahead: enough for every thread of a large machine
_FINER_BITS = 6  # steps of the page lie 36 dB under the device's own
_FLAC_TEXT = base64.b64encode(b"fLaC\0\0").decode("ascii")  # how FLAC begins: RFC 9639, 6


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

    @property
    def lossless(self) -> bool:
        """Whether it is compressed without loss."""
        return self.text.startswith(_FLAC_TEXT)


@dataclass(frozen=True)
class Heard:
    """What the page must know to play its sounds.

    Parameters
    ----------
    slots : tuple of mappings, one a slot, for the page's script
    song, master_song : mapping or None, of the song from the device and from the masters, where it is carried without
        loss: rate_hz and bits
    """

    slots: tuple[Mapping[str, Any], ...]
    song: Mapping[str, int] | None
    master_song: Mapping[str, int] | None


def clips_of(
    manifest: Mapping[str, Any], files: Mapping[str, bytes], pool: Executor, store: Store | None = None
) -> Iterator[Clip]:
    """Begin to make every sound that the page can play, of those that are there; give them, the longest first.

    Parameters
    ----------
    manifest : mapping as in manifest.json
    files : mapping, file name to bytes
    pool : Executor, of threads, some sounds ahead of who takes them; they are the same on any number of threads
    store : Store or None, where what was compressed is kept from build to build
    """
    slots = _slots_in(manifest, files)
    forms = _song_forms(manifest["device"])
    jobs: dict[str, Callable[[], bytes]] = {f"slot-{slot['slot']}": partial(_exact, slot, files) for slot in slots}
    jobs |= {key: partial(_compressed, file, files, store) for file, key in _master_keys(slots, files).items()}
    jobs |= {key: partial(_song, SONGS[key], files, forms[key], store) for key in SONGS if SONGS[key] in files}
    if cues_of(files):
        jobs["take"] = partial(_take, files)
    # the longest first, so that no thread is left with it alone
    order = sorted(jobs, key=lambda key: (key not in ("take", *SONGS), not key.startswith("master"), key))
    return ahead(pool, lambda key: _clip(key, jobs[key]), order)


def heard_of(
    manifest: Mapping[str, Any], files: Mapping[str, bytes], pool: Executor, store: Store | None = None
) -> Callable[[Collection[str]], Heard]:
    """Begin to measure what the page must know to play its sounds; return what waits for it.

    Parameters
    ----------
    manifest, files, pool, store : as for `clips_of`

    Returns
    -------
    function of the keys of the clips that are without loss
    """
    slots = _slots_in(manifest, files)
    own = [slot for slot in slots if slot["copy"] is None and master_of(slot) in files]
    gaps = ahead(pool, lambda slot: _gap_db(slot, files, store), own)

    def made(lossless: Collection[str]) -> Heard:
        match_db, keys, forms = _middle(list(gaps)), _master_keys(slots, files), _song_forms(manifest["device"])
        data = tuple(_slot_data(slot, keys, match_db) for slot in slots)
        return Heard(data, *(forms[key] if key in lossless else None for key in (_DEVICE, _MASTER)))

    return made


def ahead(pool: Executor, make: Callable[[Item], Made], items: Sequence[Item]) -> Iterator[Made]:
    """Begin to make something of every item, and give it in their order, at most so many ahead of who takes it.

    Parameters
    ----------
    pool : Executor
    make : callable
    items : sequence
    """
    waiting = deque(pool.submit(make, item) for item in items[:_MOST_AHEAD])
    later = iter(items[_MOST_AHEAD:])

    def made() -> Iterator[Made]:
        while waiting:
            one = waiting.popleft().result()
            waiting.extend(pool.submit(make, item) for item in islice(later, 1))
            yield one

    return made()


def data_of(
    manifest: Mapping[str, Any], files: Mapping[str, bytes], heard: Heard, score: Score, beside: bool
) -> dict[str, Any]:
    """Return what the page's script must know."""
    device, kit, song = manifest["device"], manifest["kit"], manifest.get("song") or {}
    low, high = device["transpose"]
    pattern_s = song.get("beats_per_pattern", 4.0) * 60.0 / kit["tempo"]
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
        "patterns": score.patterns,
        "played": score.played,
        "songs": [key for key in SONGS if SONGS[key] in files],
        "song": heard.song,
        "master_song": heard.master_song,
        "cues": cues_of(files, manifest["slots"]),
        "full": manifest["budget"]["used"] >= manifest["budget"]["limit"],
        "beside": beside,
        "middle_c": kit.get("middle_c", "C4"),
    }


def _slots_in(manifest: Mapping[str, Any], files: Mapping[str, bytes]) -> list[Any]:
    return [slot for slot in manifest["slots"] if slot["file"] in files]


def _master_keys(slots: list[Any], files: Mapping[str, bytes]) -> dict[str, str]:
    """Name each master that is there once, however many slots come from it."""
    names = list(dict.fromkeys(master_of(slot) for slot in slots))
    return {name: f"master-{order}" for order, name in enumerate(names, 1) if name in files}


def _clip(key: str, make: Callable[[], bytes]) -> Clip:
    return Clip(key, base64.b64encode(make()).decode("ascii"))


def _exact(slot: Mapping[str, Any], files: Mapping[str, bytes]) -> bytes:
    return exact_codes(slot, files[slot["file"]]).data


def _compressed(file: str, files: Mapping[str, bytes], store: Store | None) -> bytes:
    return mp3_bytes(files[file], store)


def _take(files: Mapping[str, bytes]) -> bytes:
    return flac_bytes(files[TAKE_FILE])


def _song_forms(device: Mapping[str, Any]) -> Mapping[str, Mapping[str, int]]:
    """Return how the songs are carried: that from the device at the rate at which nothing of its output is missing, and
    with bits well under its own steps.
    """
    rates = device["rate_hz"] if isinstance(device["rate_hz"], list) else [device["rate_hz"]]
    linear = device["encoding"] in ("unsigned", "signed")
    bits = min(16, device["bits"] + _FINER_BITS) if linear else 16
    return {_MASTER: _MASTER_FORM, _DEVICE: {"rate_hz": max(rates), "bits": bits}}


def _song(file: str, files: Mapping[str, bytes], form: Mapping[str, int], store: Store | None) -> bytes:
    """Carry a song without loss where it is short enough, else compressed."""
    data = files[file]
    exact = song_flac(data, form["rate_hz"], form["bits"], EXACT_SONG_BYTES)
    return mp3_bytes(data, store) if exact is None else exact


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


def _gap_db(slot: Mapping[str, Any], files: Mapping[str, bytes], store: Store | None) -> float:
    """Return by how much a master is louder than its slot at the level to set."""
    data = files[master_of(slot)]
    lufs = of_files(store, "lufs", [data], [], lambda: _lufs(read_take(data)))
    return float(lufs - slot["level"]["lufs"] - slot["play_db"])


def _lufs(take: Take) -> float:
    return loudest_lufs(Sound(take.samples[:, :2], take.rate_hz))


def _middle(gaps_db: Sequence[float]) -> float:
    """Return the one gain that brings the device's balance to the masters', so that no version wins by being louder."""
    heard = sorted(gap for gap in gaps_db if abs(gap) < 60.0)  # silence has no level
    return heard[len(heard) // 2] if heard else 0.0
