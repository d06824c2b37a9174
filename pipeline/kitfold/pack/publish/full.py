"""The full edition: every master as a 24-bit file that says what it is, its entry in the manifest, and its preview."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from kitfold.files import Store
from kitfold.measure.level import loudest_lufs, peak_db, true_peak_db
from kitfold.pack.chunks import Mark
from kitfold.pack.encode import mp3_of
from kitfold.pack.entry_parts import file_entry, level_db, named_note, plays_of, root_entry, rounded, step_entry
from kitfold.pack.loudness import loudness_of
from kitfold.pack.manifest import LevelEntry, Made
from kitfold.pack.metadata import Facts, chunks_of, reach_of
from kitfold.pack.once import made_once
from kitfold.pack.publish.manifest import PackSound
from kitfold.pack.publish.names import full_file, preview_file
from kitfold.pack.publish.rights import rights_of
from kitfold.pack.roots import RootNote, error_cents, root_note
from kitfold.pack.stored import Stored
from kitfold.pack.wav import wav_bytes
from kitfold.plan.plan import Plan
from kitfold.render.jobs import in_order
from kitfold.render.masters import Master
from kitfold.sound import Done, Sound

__all__ = ["Full", "full_edition", "sounding_midi"]

_BITS = 24
_KEEP_PLACES = frozenset({"level", "filter", "fade", "fold", "resample", "ceiling"})  # steps that move no moment
_SNAP = 1e-4  # semitones: what arithmetic leaves of a whole note; a hundredth of a cent


@dataclass(frozen=True, eq=False)
class Full:
    """One sound of the full edition.

    Parameters
    ----------
    entry : PackSound
    note : RootNote
    file : bytes, the WAV
    preview : bytes, the MP3
    """

    entry: PackSound
    note: RootNote
    file: bytes
    preview: bytes


def full_edition(
    plan: Plan,
    masters: Mapping[str, Master],
    jobs: int,
    tell: Callable[[str], None],
    store: Store | None = None,
) -> dict[str, Full]:
    """Make the full edition; the result does not depend on the number of jobs.

    Parameters
    ----------
    plan : Plan
    masters : mapping of Master, by name
    jobs : int, threads
    tell : called with a sound's name when it is done
    store : Store or None, where previews are kept

    Returns
    -------
    dict of Full, by name, in the kit's order

    Raises
    ------
    PackError : for a sound that no WAV can hold
    """
    errors: dict[str, Exception] = {}

    def work(name: str, _: Full | None) -> Full:
        made = _full(plan, masters[name], store)
        tell(name)
        return made

    made = in_order(list(masters), {}, work, jobs, errors.__setitem__)
    for name in masters:
        if name in errors:
            raise errors[name]
    return {name: made[name] for name in masters}


def sounding_midi(note: RootNote, off_cents: float | None) -> float | None:
    """Return the note that a sound really plays, with its fraction.

    Where a step put it on its note it is that note, as exactly as the step is; where none did, what was measured.
    """
    if note.midi is None or note.hz is None:
        return None
    midi = note.midi + (0.0 if note.tuned else (off_cents or 0.0) / 100.0)
    return float(round(midi)) if abs(midi - round(midi)) < _SNAP else midi


def _full(plan: Plan, master: Master, store: Store | None) -> Full:
    sound, name = master.sound, master.planned.name
    note = root_note(sound, plan.kit.a4_hz)
    off_cents = error_cents(sound, note)
    file = full_file(plan, name, named_note(note.midi, plan))
    steps = np.rint(sound.float64() * 2.0 ** (_BITS - 1)).astype(np.int32)  # a master lies on them: see `at_24_bits`
    stored = Stored(steps, sound.rate_hz, _BITS, "signed")
    data = wav_bytes(stored, chunks_of(_facts(plan, master, note, off_cents), plan), where=file)
    written = file_entry(file, data)
    entry = PackSound(
        name=name,
        file=file,
        sha256=written.sha256,
        bytes=written.bytes,
        frames=sound.frames,
        rate_hz=sound.rate_hz,
        bits=_BITS,
        channels=sound.channels,
        seconds=rounded(sound.seconds, 4),
        root=root_entry(note, off_cents, plan),
        level=LevelEntry(
            lufs=level_db(loudest_lufs(sound)),
            peak_db=level_db(peak_db(sound)),
            true_peak_db=level_db(true_peak_db(sound)),
        ),
        loop=None if sound.loop is None else {"start": sound.loop[0], "end": sound.loop[1]},
        whole=sound.whole,
        plays=plays_of(plan, name, note.midi),
        preview=preview_file(name),
        rights=rights_of(plan, master.planned),
        made=Made(
            source=master.source_text,
            source_sha256=master.source_sha256,
            **{"from": master.planned.from_sound},
            rights=rights_of(plan, master.planned),
            steps=[step_entry(done) for done in sound.history],
        ),
    )
    preview = made_once(store, "preview", master.key, [], lambda: mp3_of(sound.samples, sound.rate_hz))
    return Full(entry, note, data, preview)


def _facts(plan: Plan, master: Master, note: RootNote, off_cents: float | None) -> Facts:
    sound = master.sound
    midi = sounding_midi(note, off_cents)
    return Facts(
        name=master.planned.name,
        rate_hz=sound.rate_hz,
        channels=sound.channels,
        bits=_BITS,
        pcm=True,
        midi=midi,
        root=_root_text(note, off_cents, plan),
        reach=reach_of(note.midi, plan),
        loop=sound.loop,
        marks=_marks(sound),
        rights=rights_of(plan, master.planned),
        loudness=lambda: loudness_of(sound),
    )


def _root_text(note: RootNote, off_cents: float | None, plan: Plan) -> str:
    name = named_note(note.midi, plan)
    if name is None:
        return "no clear root"
    return f"root {name}" if off_cents is None else f"root {name} {rounded(off_cents, 1):+.1f} cents"


def _marks(sound: Sound) -> tuple[Mark, ...]:
    """Return the places worth a mark: a riser's peak, and where the loop begins and ends."""
    marks = [] if (peak := _peak_frame(sound)) is None else [Mark(peak, "peak")]
    if sound.loop is not None:
        marks += [Mark(sound.loop[0], "loop start"), Mark(sound.loop[1] - 1, "loop end")]
    return tuple(sorted(marks, key=lambda mark: mark.frame))


def _peak_frame(sound: Sound) -> int | None:
    """Return the frame of a riser's peak, as long as no later step moved it."""
    later: list[Done] = list(sound.history)
    while later:
        done = later.pop()
        if done.step == "riser":
            frame = round(done.settings["length_s"] * sound.rate_hz)
            return frame if 0 < frame < sound.frames else None
        if done.step not in _KEEP_PLACES:
            return None
    return None
