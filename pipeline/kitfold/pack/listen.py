"""The preview: the sketch played once from the masters and once through the device, to be compared by ear.

Both play the same notes at the same moments, go through the same space, and get one gain between them, so that what
differs is the device alone: its rate, its steps, its loops, its interpolation, its voices, and notes that it cannot
reach (left out). The masters are moved by varispeed as well. Mono goes to both sides 3 dB lower, which keeps its power.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
import soxr

from kitfold.files import Store, master_bytes
from kitfold.files.maps import let_go
from kitfold.measure.level import HEARD_QUALITY, true_peak_db
from kitfold.pack.cast import Casting, arranged
from kitfold.pack.device_voice import Strike, played_frames, voices_mix
from kitfold.pack.kit import Packed
from kitfold.pack.once import made_once
from kitfold.pack.played import Played, play_kit
from kitfold.pack.sketch_model import NoteEvent, Sketch
from kitfold.pack.song_midi import song_midi
from kitfold.plan.kit import Listen
from kitfold.plan.plan import Plan
from kitfold.render.jobs import default_jobs
from kitfold.render.masters import Master
from kitfold.sound import Audio, Sound
from kitfold.steps.shapes import fall
from kitfold.units import db_to_gain, seconds_to_frames, semitones_to_ratio

__all__ = ["LISTEN_RATE_HZ", "listen_files", "listen_parts", "played_by_device", "played_by_masters"]

LISTEN_RATE_HZ = 48_000
_LONG_S = 60.0  # of longer songs one is written after the other, for the sake of memory
_VERSIONS = ("master", "device")
_PEAK_DBTP = -1.0  # headroom for lossy coding (EBU R 128)
_RELEASE_S = 0.15  # a held master that still sounds at its chord's end fades like a hand that lifts
_TAIL_S, _FADE_S = 5.0, 2.0
_ROOM_SIZE, _DELAY_FEEDBACK = 0.7, 0.35
_REVERB_WET = 1.0 / 3.0  # pedalboard's reverb multiplies its wet level by three
_BLOCK_FRAMES = 1 << 15  # a multiple of the 8192 that pedalboard works in: the same to the bit as all at once


def listen_files(
    plan: Plan,
    packed: Packed,
    masters: Mapping[str, Master],
    jobs: int | None = None,
    store: Store | None = None,
) -> dict[str, bytes]:
    """Return the preview of a kit on a device: see `listen_parts`."""
    return dict(listen_parts(plan, packed, masters, jobs, store))


def listen_parts(
    plan: Plan,
    packed: Packed,
    masters: Mapping[str, Master],
    jobs: int | None = None,
    store: Store | None = None,
) -> Iterator[tuple[str, bytes]]:
    """Give the preview of a kit on a device, file by file; the same kit gives the same bytes on any number of jobs.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    masters : mapping of Master, by name
    jobs : int or None, threads; None: as many as there are processors
    store : Store or None, where the masters' notes are kept from build to build

    Yields
    ------
    name relative to the build folder, bytes: ``listen/song-master.wav`` and ``listen/song-device.wav`` (48 kHz, 24-bit,
    equally long, the louder one's true peak at -1 dBTP at most) and ``listen/song.mid``
    """
    sketch = arranged(plan, packed)
    channels = _channels(plan, packed, masters)
    threads = jobs or default_jobs()
    frames = seconds_to_frames(sketch.seconds(sketch.beats) + _TAIL_S, LISTEN_RATE_HZ)

    def mixed(version: str) -> tuple[Audio, float]:
        if version == "master":
            mix = played_by_masters(sketch, masters, channels, max(1, threads - 1), store)
        else:
            mix = _to_frames(played_by_device(plan, packed, sketch, channels), frames)
        _put_in_space(mix, plan.listen, sketch)
        return mix, true_peak_db(Sound(mix, LISTEN_RATE_HZ))

    with ThreadPoolExecutor(threads) as pool:
        mixes = dict(zip(_VERSIONS, pool.map(mixed, _VERSIONS), strict=True))
    gain = np.float32(db_to_gain(min(0.0, _PEAK_DBTP - max(peak_db for _, peak_db in mixes.values()))))

    def written(version: str) -> bytes:
        mix, _ = mixes.pop(version)  # a long song's mix goes before the next one's file is made
        mix *= gain
        return master_bytes(Sound(mix, LISTEN_RATE_HZ))

    with ThreadPoolExecutor(threads) as pool:
        both = pool.map if frames <= _LONG_S * LISTEN_RATE_HZ else map
        for version, data in zip(_VERSIONS, both(written, _VERSIONS), strict=True):
            yield f"listen/song-{version}.wav", data
    roots = {slot.part.name: slot.note.midi for slot in packed.slots if slot.part.root == 0}
    ordered = {sound.name: roots[sound.name] for sound in plan.sounds if sound.name in roots}
    yield "listen/song.mid", song_midi(sketch, ordered, plan.kit.title or plan.kit.name)


def played_by_masters(
    sketch: Sketch, masters: Mapping[str, Master], channels: int, jobs: int = 1, store: Store | None = None
) -> Audio:
    """Play a sketch from the masters, every voice to its end, at the levels that the recipes set.

    Parameters
    ----------
    sketch : Sketch
    masters : mapping of Master, by name
    channels : int
    jobs : int, threads
    store : Store or None, where its notes are kept from build to build

    Returns
    -------
    float32, at 48 kHz, (frames, channels), as long as the sketch and a tail
    """
    mix = np.zeros((seconds_to_frames(sketch.seconds(sketch.beats) + _TAIL_S, LISTEN_RATE_HZ), channels), np.float32)
    keys = list(dict.fromkeys((note.sound, note.semitones) for note in sketch.notes))

    def move(key: tuple[str, int]) -> Audio:
        return _varispeed(masters[key[0]], key[1], len(mix), store)

    with ThreadPoolExecutor(jobs) as pool:
        moved = dict(zip(keys, pool.map(move, keys), strict=True))
    for note in sketch.notes:
        let_go(moved[note.sound, note.semitones].nbytes)
        start = seconds_to_frames(sketch.seconds(note.start_beats), LISTEN_RATE_HZ)
        loops = masters[note.sound].sound.loop is not None
        heard = _released(moved[note.sound, note.semitones], note, sketch, loops)[: len(mix) - start]
        mix[start : start + len(heard)] += _panned(heard, channels)
    return mix


def played_by_device(plan: Plan, packed: Packed, sketch: Sketch, channels: int) -> Audio:
    """Play a sketch through the device as it stores the kit, at the levels that the recipes set.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    sketch : Sketch
    channels : int

    Returns
    -------
    float32, at 48 kHz, (frames, channels), as long as the sketch and a tail: the device's output, made at its own
    highest rate (see `device_voice`) and brought to 48 kHz by soxr as by an ideal filter
    """
    device, casting = packed.device, Casting(packed)
    rate_hz = device.top_rate_hz
    slots = {played.slot.slot: played for played in play_kit(plan, packed).slots}
    strikes = []
    for note in sketch.notes:
        if cast := casting.of(note):
            played = slots[cast.slot.slot]
            start = seconds_to_frames(sketch.seconds(note.start_beats), rate_hz)
            up = seconds_to_frames(sketch.seconds(note.start_beats + note.beats), rate_hz)
            stop = max(up, start + 1) if device.note_off == "stops" else None
            stored = played.slot.stored
            step = stored.rate_hz / rate_hz * semitones_to_ratio(cast.setting)
            lasts = played_frames(stored.frames, played.slot.loop is not None, step)
            gain = db_to_gain(played.gain_db)
            strikes.append(Strike(cast.slot.slot, partial(_sound_of, played), lasts, start, stop, step, gain))
    frames = seconds_to_frames(sketch.seconds(sketch.beats) + _TAIL_S, rate_hz)
    mix = voices_mix(strikes, device.voices, frames, device.channels, rate_hz)
    return _panned(soxr.resample(mix, rate_hz, LISTEN_RATE_HZ, quality=HEARD_QUALITY), channels)


def _sound_of(played: Played) -> Sound:
    return played.sound


def _channels(plan: Plan, packed: Packed, masters: Mapping[str, Master]) -> int:
    """Return 2 where anything is stereo, the space included, else 1."""
    space = plan.listen.reverb > 0
    return max(packed.device.channels, 2 if space else 1, *(master.sound.channels for master in masters.values()))


def _varispeed(master: Master, semitones: int, frames: int, store: Store | None) -> Audio:
    """Return a master moved and at 48 kHz, its loop gone round to the mix's end."""
    sound = master.sound
    rate_hz = sound.rate_hz * semitones_to_ratio(semitones)
    needed = math.ceil(frames * rate_hz / LISTEN_RATE_HZ)
    needed = needed if sound.loop else min(needed, sound.frames)
    let_go(sound.samples.nbytes)

    def heard() -> Audio:
        return sound.sustained(needed).samples if sound.loop else sound.samples[:needed]

    def moved() -> Audio:
        samples: Audio = soxr.resample(np.ascontiguousarray(heard()), rate_hz, LISTEN_RATE_HZ, quality=HEARD_QUALITY)
        return samples

    if rate_hz == LISTEN_RATE_HZ:
        return heard()
    return made_once(store, "listen note", master.key, [semitones, needed], moved)


def _released(samples: Audio, note: NoteEvent, sketch: Sketch, loops: bool) -> Audio:
    """End a held note, and what goes round for ever, where its key goes up; let others ring."""
    end = seconds_to_frames(sketch.seconds(note.beats), LISTEN_RATE_HZ)
    if (note.role != "held" and not loops) or end >= len(samples):
        return samples
    release = seconds_to_frames(_RELEASE_S, LISTEN_RATE_HZ)
    heard = samples[: end + release].copy()
    heard[end:] *= fall(release)[: len(heard) - end, np.newaxis].astype(np.float32)
    return heard


def _panned(samples: Audio, channels: int) -> Audio:
    if samples.shape[1] == 1 < channels:
        return np.repeat(samples * np.float32(math.sqrt(0.5)), channels, axis=1)
    return samples


def _to_frames(samples: Audio, frames: int) -> Audio:
    missing = frames - len(samples)
    return np.pad(samples, ((0, missing), (0, 0))) if missing > 0 else samples[:frames]


def _put_in_space(mix: Audio, listen: Listen, sketch: Sketch) -> None:
    """Add what outboard effects would: a send to a reverb and one to a delay, the dry sound untouched; fade the end."""
    from pedalboard import Reverb

    step = max(1, seconds_to_frames(sketch.seconds(listen.delay_beats), LISTEN_RATE_HZ))
    echoes = np.float32(listen.delay) * _echoes(mix, step) if listen.delay > 0 else None
    if listen.reverb > 0:
        reverb = Reverb(room_size=_ROOM_SIZE, wet_level=_REVERB_WET, dry_level=0.0, width=1.0)
        for start in range(0, len(mix), _BLOCK_FRAMES):  # so that all of it stays near the processor
            block = mix[start : start + _BLOCK_FRAMES]
            block += (
                np.float32(listen.reverb) * reverb(np.array(block.T, order="C"), LISTEN_RATE_HZ, reset=start == 0).T
            )
    if echoes is not None:
        mix += echoes
    fade = seconds_to_frames(_FADE_S, LISTEN_RATE_HZ)
    mix[-fade:] *= fall(fade).astype(np.float32)[:, np.newaxis]


def _echoes(samples: Audio, step: int) -> Audio:
    """Return a sound again and again, each time `step` frames later and quieter: a comb filter, a delay at a time."""
    echoes = np.zeros_like(samples)
    for start in range(step, len(samples), step):
        heard = echoes[start : start + step]
        heard += np.float32(_DELAY_FEEDBACK) * echoes[start - step : start][: len(heard)]
        heard += samples[start - step : start][: len(heard)]
    return echoes
