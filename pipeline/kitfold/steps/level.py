"""The step `level`: sets how loud a sound is."""

from __future__ import annotations

from collections.abc import Callable

from kitfold.errors import StepError
from kitfold.measure.level import loudest_lufs, peak_db, true_peak_db
from kitfold.plan.settings import Level
from kitfold.sound import Sound
from kitfold.units import db_to_gain

__all__ = ["level"]

_SILENT_DB = -120.0
"""A peak under this is silence: raising it would raise rounding errors of 20-bit audio."""
_MEASURES: dict[str, Callable[[Sound], float]] = {
    "lufs": loudest_lufs,
    "peak_db": peak_db,
    "true_peak_db": true_peak_db,
}


def level(sound: Sound, settings: Level) -> Sound:
    """Bring a sound to a loudness (that of its loudest 400 ms) or to a peak.

    Parameters
    ----------
    sound : Sound, (frames, channels)
    settings : Level, resolved: one of the three targets is set

    Returns
    -------
    Sound, (frames, channels): one gain for all of it, whatever peak that gives

    Raises
    ------
    StepError : for silence (a peak under -120 dBFS), which has no level that could be set
    """
    key = next(name for name in _MEASURES if getattr(settings, name) is not None)
    peak = peak_db(sound)
    if peak < _SILENT_DB:
        raise StepError(
            f"cannot set the level of silence (its peak is {peak:.0f} dBFS; {_SILENT_DB:.0f} or more is needed)",
            where=f"level.{key}",
            hint="see whether a step before it took the whole sound away",
        )
    gain_db = getattr(settings, key) - _MEASURES[key](sound)
    return sound.with_samples(sound.float64() * db_to_gain(gain_db)).telling(gain_db=round(gain_db, 3))
