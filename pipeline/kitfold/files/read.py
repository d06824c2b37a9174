"""Read sounds: whatever libsndfile reads and kitfold can use; the rest is refused with a reason and a way out."""

from __future__ import annotations

import difflib
import hashlib
import math
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitfold.errors import SoundFileError
from kitfold.files.truncated import missing_sound

if TYPE_CHECKING:  # numpy and libsndfile load only where a sound is read, so that the commands start fast
    from kitfold.sound import Sound

__all__ = ["SoundFacts", "read_sound", "region_s", "sha256_of", "sound_facts"]

_RATES_HZ = (4_000, 192_000)
_MOST_S = 600
_FEWEST_FRAMES = 2
_SILENT = 2.0**-15  # one step of 16 bits, -90 dBFS: what never moves further is silence, or an offset
_TOO_LOUD = 100.0  # +40 dBFS: float files may pass full scale, but these are numbers that were never scaled to it


@dataclass(frozen=True)
class SoundFacts:
    """What a sound file's header says.

    Parameters
    ----------
    rate_hz, channels, frames : int
    format, subtype : str, libsndfile's names, as ``WAV`` and ``PCM_24``
    """

    rate_hz: int
    channels: int
    frames: int
    format: str
    subtype: str

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz


def sha256_of(path: Path) -> str:
    """Return a file's SHA-256 as 64 hex digits.

    Raises
    ------
    SoundFileError : where the file cannot be read, or is no file: a pipe would keep us waiting for ever
    """
    _refuse_no_file(Path(path))
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        raise _unreadable(Path(path), error) from error


def sound_facts(path: Path) -> SoundFacts:
    """Read what a sound file's header says, and refuse what could not be used; the sound itself is not read.

    Raises
    ------
    SoundFileError : for what cannot be read, or is not mono or stereo at 4 to 192 kHz
    """
    with _opened(Path(path)) as file:
        return _facts(file)


def region_s(path: Path, start_s: float | None = None, end_s: float | None = None) -> float:
    """Say how many seconds of a sound file a region takes, from the header alone.

    Raises
    ------
    SoundFileError : for what `sound_facts` refuses, over 10 minutes, under 2 frames, or a region outside the file
    """
    facts = sound_facts(path)
    start, end = _region(Path(path), facts, start_s, end_s)
    return (end - start) / facts.rate_hz


def read_sound(path: Path, start_s: float | None = None, end_s: float | None = None) -> Sound:
    """Read a sound, or a region of it.

    Parameters
    ----------
    path : Path, any format that libsndfile reads, mono or stereo, 4 to 192 kHz
    start_s, end_s : float or None, s, 0 <= start_s < end_s <= length; the whole sound by default
        Only the region is read, and only the region must be at most 10 minutes.

    Returns
    -------
    Sound, (frames of the region, channels); frames nearest to the times, a half up

    Raises
    ------
    SoundFileError : for what is missing, not a file, empty, cut short, not audio, not finite, silent, nothing but an
        offset, under 2 frames, over 2 channels, outside 4 to 192 kHz, over 10 minutes, or a region outside the file
    """
    from kitfold.sound import Sound

    path = Path(path)
    with _opened(path) as file:
        facts = _facts(file)
        start, end = _region(path, facts, start_s, end_s)
        if start:
            file.seek(start)
        samples = file.read(end - start, dtype="float32", always_2d=True)
    if len(samples) < end - start:
        what = f"is cut short: its header promises {facts.frames} frames, {start + len(samples)} can be read"
        raise SoundFileError(what, where=str(path), hint="bounce or copy it again")
    _refuse_unusable(path, samples)
    return Sound(samples, facts.rate_hz)


def _facts(file: Any) -> SoundFacts:
    return SoundFacts(file.samplerate, file.channels, file.frames, file.format, file.subtype)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a sound file whose header is sound, and turn libsndfile's errors, then and later, into ours."""
    import soundfile

    _refuse_no_file(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            _refuse_header(path, _facts(file))
            yield file
    except (soundfile.SoundFileError, TypeError, ValueError) as error:  # TypeError: a .raw file has no header
        raise SoundFileError(
            "is not audio that can be read, or it is damaged",
            where=str(path),
            hint="use WAV, AIFF, FLAC, Ogg or MP3, or bounce or copy it again",
        ) from error


def _refuse_no_file(path: Path) -> None:
    try:
        found = path.stat()
        missing = missing_sound(path) if stat.S_ISREG(found.st_mode) else ""
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from error
    where = str(path)
    if stat.S_ISDIR(found.st_mode):
        raise SoundFileError("is a folder, not a sound file", where=where, hint="name a file in it")
    if not stat.S_ISREG(found.st_mode):
        raise SoundFileError("is not a regular file", where=where, hint="name a sound file")
    if found.st_size == 0:
        raise SoundFileError("is empty (0 bytes)", where=where, hint="bounce or copy it again")
    if missing:
        raise SoundFileError(f"is cut short: {missing}", where=where, hint="bounce or copy it again")


def _unreadable(path: Path, error: OSError | ValueError) -> SoundFileError:
    if not isinstance(error, (FileNotFoundError, NotADirectoryError)):
        reason = (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
        return SoundFileError(f"cannot be read: {reason}", where=str(path), hint="check its name and its permissions")
    meant = _meant(path)
    hint = f"did you mean {meant}?" if meant else "check the path; it is relative to the kit's folder"
    return SoundFileError("does not exist", where=str(path), hint=hint)


def _meant(path: Path) -> Path | None:
    """Return the file that was most likely meant: in another case, with slashes for backslashes, or of a near name."""
    slashed = Path(str(path).replace("\\", "/"))
    if whole := _in_any_case(slashed):
        return whole
    folder = _in_any_case(slashed.parent)
    close = difflib.get_close_matches(slashed.name, sorted(_names_in(folder)), n=1) if folder else []
    return folder / close[0] if folder and close else None


def _in_any_case(path: Path) -> Path | None:
    """Return the file or folder that a path leads to where capitals and small letters are the same, or None."""
    found = Path(path.anchor)
    for part in path.relative_to(path.anchor).parts:
        names = _names_in(found, folders=True)
        same = (
            [part] if part in (*names, "..") else [name for name in sorted(names) if name.casefold() == part.casefold()]
        )
        if not same:
            return None
        found /= same[0]
    return found


def _names_in(folder: Path, folders: bool = False) -> list[str]:
    try:
        with os.scandir(folder) as entries:
            return [entry.name for entry in entries if folders or entry.is_file()]
    except OSError:
        return []


def _refuse_header(path: Path, facts: SoundFacts) -> None:
    lowest, highest = _RATES_HZ
    if not 1 <= facts.channels <= 2:
        what = f"has {facts.channels} channels; allowed are 1 and 2"
        raise SoundFileError(what, where=str(path), hint="bounce it in mono or stereo")
    if not lowest <= facts.rate_hz <= highest:
        what = f"has a rate of {facts.rate_hz} Hz; allowed are {lowest} to {highest} Hz"
        raise SoundFileError(what, where=str(path), hint="bounce it at 44100 or 48000 Hz")
    if facts.frames < _FEWEST_FRAMES:
        raise _too_short(path, facts.frames)


def _too_short(path: Path, frames: int) -> SoundFileError:
    what = f"has {frames} frame{'' if frames == 1 else 's'} of sound; allowed are {_FEWEST_FRAMES} and more"
    return SoundFileError(what, where=str(path), hint="bounce it again, or choose a longer region")


def _region(path: Path, facts: SoundFacts, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    """Turn times into frames, and refuse a region that the file does not have or that is too long."""
    start = 0 if start_s is None else _frame(start_s, facts.rate_hz)
    end = facts.frames if end_s is None else _frame(end_s, facts.rate_hz)
    if not 0 <= start < end <= facts.frames:
        last_s = facts.seconds if end_s is None else end_s
        span, whole = f"{start_s or 0:.9g} to {last_s:.9g} s", f"0 to {facts.seconds:.9g} s"
        what = f"has no region from {span}; allowed is {whole}"
        raise SoundFileError(what, where=str(path), hint="correct start_s and end_s; start_s comes first")
    if end - start > _MOST_S * facts.rate_hz:
        what = f"lasts {(end - start) / facts.rate_hz:.0f} s; allowed are {_MOST_S} s ({_MOST_S // 60} minutes)"
        raise SoundFileError(what, where=str(path), hint="pick a region of it with start_s and end_s")
    if end - start < _FEWEST_FRAMES:
        raise _too_short(path, end - start)
    return start, end


def _frame(time_s: float, rate_hz: int) -> int:
    return math.floor(time_s * rate_hz + 0.5) if math.isfinite(time_s * rate_hz) else -1


def _refuse_unusable(path: Path, samples: Any) -> None:
    import numpy as np

    wrong = int(np.count_nonzero(~np.isfinite(samples)))
    if wrong:
        what = f"has {wrong} samples that are not finite (NaN or infinite); allowed are finite numbers"
        raise SoundFileError(what, where=str(path), hint="bounce it again; an effect may have run away")
    lowest = np.array([channel.min() for channel in samples.T])
    highest = np.array([channel.max() for channel in samples.T])
    peak = float(max(-lowest.min(), highest.max()))
    if peak < _SILENT:
        what = "is silent: nothing in it is louder than -90 dBFS"
        raise SoundFileError(what, where=str(path), hint="bounce it again, or choose another region")
    if float((highest - lowest).max()) < 2 * _SILENT:
        what = f"holds no sound but a constant offset of {peak:.3g} of full scale"
        raise SoundFileError(what, where=str(path), hint="bounce it again, or choose another region")
    if peak > _TOO_LOUD:
        what = f"peaks at {20 * math.log10(peak):+.0f} dBFS; allowed is up to +40 dBFS"
        raise SoundFileError(what, where=str(path), hint="scale it so that full scale is 1.0")
