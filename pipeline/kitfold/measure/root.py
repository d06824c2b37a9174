"""The root of a one-shot: which note it sounds, how sure that is, and what else it could be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitfold.sound import Sound
from kitfold.units import cents_between, hz_to_midi, midi_to_hz, note_name

__all__ = ["Alternative", "Root", "find_root"]


@dataclass(frozen=True)
class Alternative:
    """Another reading of a sound's root.

    Parameters
    ----------
    hz : float, Hz
    midi : int, the nearest note of equal temperament at A4 = 440 Hz
    note : str, its name
    cents : float, cents, how far `hz` lies above that note, -50 to 50
    confidence : float, 0 to 1
    """

    hz: float
    midi: int
    note: str
    cents: float
    confidence: float


@dataclass(frozen=True)
class Root:
    """What was found out about a sound's root.

    Parameters
    ----------
    pitched : bool, True where the sound has a note that can be relied on
    hz : float or None, Hz, the best reading even where `pitched` is False; None where there is none
    midi, note, cents : the nearest note at A4 = 440 Hz, its name, and how far `hz` lies above it
    confidence : float, 0 to 1, how likely the reading is right
    inharmonicity : float, B of f_n = n f sqrt(1 + B n²); 0 for a harmonic sound
    drift_cents : float, cents, how far the pitch moves over the held part, up is positive
    alternatives : tuple of Alternative, other readings, likeliest first
    """

    pitched: bool
    hz: float | None
    midi: int | None
    note: str | None
    cents: float | None
    confidence: float
    inharmonicity: float
    drift_cents: float
    alternatives: tuple[Alternative, ...]


_NOTHING = Root(False, None, None, None, None, 0.0, 0.0, 0.0, ())


def find_root(sound: Sound) -> Root:
    """Find the note that a sound plays.

    Parameters
    ----------
    sound : Sound, any length and rate

    Returns
    -------
    Root; silence and sounds without frames have none
    """
    from kitfold.measure.root_interim import estimate

    samples = sound.float64()
    if len(samples) < 64 or not samples.any():
        return _NOTHING
    strongest = samples[:, int(np.argmax(np.sum(samples**2, axis=0)))]
    reading = estimate(strongest, sound.rate_hz, full=True)
    if not np.isfinite(reading["f0"]):
        return _NOTHING
    hz, confidence = float(reading["f0"]), float(reading["confidence"])
    odds = np.exp(reading["z"] - reading["z"].max())
    odds = odds / odds.sum()
    order = np.argsort(-odds)[:5]
    others = [(float(reading["d"]["c"][i]), float(odds[i])) for i in order]
    others = [other for other in others if abs(cents_between(hz, other[0])) > 60][:3]
    return Root(
        pitched=confidence >= 0.5,
        hz=hz,
        **_named(hz),
        confidence=confidence,
        inharmonicity=float(reading["B"]),
        drift_cents=0.0,
        alternatives=tuple(Alternative(hz=o, **_named(o), confidence=c) for o, c in others),
    )


def _named(hz: float) -> dict[str, object]:
    midi = round(hz_to_midi(hz))
    return {"midi": midi, "note": note_name(midi), "cents": cents_between(midi_to_hz(midi), hz)}
