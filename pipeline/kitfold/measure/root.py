"""The root of a one-shot: which note it sounds, how sure that is, and what else it could be.

From spectrum to answer, one module a stage:

    root_spectrum     the lines of the steadiest held stretch
    root_candidates   the roots that could explain them
    root_match        which harmonic of which candidate each line could be
    root_evidence     what speaks for each: figures that a musician could name
    root_period       how well the sound repeats at each one's period, which tells more where it is short
    root_model        a small trained ranker chooses; another says how sure it is, from `root_reading`'s figures
    root_drift        how the pitch moves, and which run of the sound is held
    pitch             the exact pitch of that run

The root is the lowest pitch that sounds as a note: of a stack its lowest layer, of a bell its strike note. Where no
partial lies there (a missing fundamental, a tubular bell) it is the pitch that is heard.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.pitch import fit_partials, fit_stiff, long_spectrum, read_partials
from kitfold.measure.root_candidates import find_candidates
from kitfold.measure.root_drift import drift_cents, held_run, track_cents
from kitfold.measure.root_evidence import weigh
from kitfold.measure.root_match import Match, match_harmonics
from kitfold.measure.root_model import load_models
from kitfold.measure.root_period import periods
from kitfold.measure.root_reading import judge_reading, odds
from kitfold.measure.root_spectrum import Peaks, Spectrum, average_spectrum, find_peaks
from kitfold.sound import Sound
from kitfold.units import cents_between, cents_to_ratio, hz_to_midi, midi_to_hz, note_name

__all__ = ["PITCHED_FROM", "Alternative", "Evidence", "Reading", "Root", "find_root", "gather", "read_out"]

Real = NDArray[np.float64]

PITCHED_FROM = 0.85  # chosen on LOOKED_AT programs: keeps 99.6 % of pitched sounds, 0.05 % of them wrong
_SHORTEST_FRAMES = 64
_SILENT = 1e-9
_DC_ONLY = 1e-6  # what is left of a constant after its mean is taken, against the constant
_VERY_STIFF = 2e-3  # B over which the curve of the partials is bent too much for one straight fit
_OTHER_CENTS = 60.0  # a reading closer than this is the same note
_OTHERS = 3
_STEADY_DRIFT_CENTS = 20.0


@dataclass(frozen=True)
class Alternative:
    """One reading of a sound's root.

    Parameters
    ----------
    hz : float, Hz
    confidence : float, 0 to 1
    midi : int, the nearest note of equal temperament at A4 = 440 Hz (ISO 16)
    note : str, its name, middle C being C4
    cents : float, cents, how far `hz` lies above that note, -50 to 50
    """

    hz: float
    confidence: float
    midi: int = field(init=False)
    note: str = field(init=False)
    cents: float = field(init=False)

    def __post_init__(self) -> None:
        midi = round(hz_to_midi(self.hz))
        for name, value in (
            ("midi", midi),
            ("note", note_name(midi)),
            ("cents", cents_between(midi_to_hz(midi), self.hz)),
        ):
            object.__setattr__(self, name, value)


@dataclass(frozen=True)
class Root:
    """What was found out about a sound's root.

    Parameters
    ----------
    pitched : bool, True where the sound has a note that can be relied on
    hz : float or None, Hz, the best reading even where `pitched` is False; None where there is none
    midi, note, cents : the nearest note at A4 = 440 Hz, its name, and how far `hz` lies above it; None without `hz`
    confidence : float, 0 to 1, how likely the reading is right
    inharmonicity : float, B of f_n = n f sqrt((1 + B n²)/(1 + B)); 0 for a harmonic sound
    drift_cents : float, cents, how far the pitch moves over the held part; up is positive
    alternatives : tuple of Alternative, other readings, likeliest first
    """

    pitched: bool = False
    hz: float | None = None
    midi: int | None = None
    note: str | None = None
    cents: float | None = None
    confidence: float = 0.0
    inharmonicity: float = 0.0
    drift_cents: float = 0.0
    alternatives: tuple[Alternative, ...] = ()


@dataclass(frozen=True)
class Evidence:
    """Everything that was seen, before anything is decided.

    Parameters
    ----------
    samples : ndarray, (frames, channels), without DC, peak 1
    rate_hz : int, Hz
    spectrum, peaks, match : see their modules
    candidates : ndarray, (candidates,), Hz
    figures : dict, name to ndarray (candidates,)
    """

    samples: Real
    rate_hz: int
    spectrum: Spectrum
    peaks: Peaks
    candidates: Real
    match: Match
    figures: dict[str, Real]


@dataclass(frozen=True)
class Reading:
    """One candidate, read exactly, and the figures that its confidence comes from."""

    hz: float
    inharmonicity: float
    drift_cents: float
    figures: dict[str, Real]


def find_root(sound: Sound) -> Root:
    """Find the note that a sound plays.

    Parameters
    ----------
    sound : Sound, any rate and length; the steadiest 6 s of a longer one are looked at

    Returns
    -------
    Root; silence, DC and sounds of less than 64 frames have none
    """
    evidence = gather(sound)
    if evidence is None:
        return Root()
    ranker, judge = load_models()
    score = ranker.score(evidence.figures)
    best = int(np.argmax(score))
    reading = read_out(evidence, score, best)
    confidence = float(1.0 / (1.0 + np.exp(-judge.score(reading.figures)[0])))
    itself = Alternative(reading.hz, confidence)
    return Root(
        pitched=confidence >= PITCHED_FROM,
        hz=itself.hz,
        midi=itself.midi,
        note=itself.note,
        cents=itself.cents,
        confidence=confidence,
        inharmonicity=reading.inharmonicity,
        drift_cents=reading.drift_cents,
        alternatives=_others(evidence.candidates, odds(score), reading.hz, confidence),
    )


def gather(sound: Sound) -> Evidence | None:
    """See what there is to see; None where there is nothing."""
    samples = _centred(sound)
    if samples is None:
        return None
    spectrum = average_spectrum(samples, sound.rate_hz)
    peaks = find_peaks(spectrum)
    candidates = find_candidates(peaks) if len(peaks.hz) else np.zeros(0)
    if len(candidates) == 0:
        return None
    match = match_harmonics(candidates, peaks, spectrum.bin_hz)
    figures = weigh(candidates, peaks, match, len(spectrum.spans)) | periods(spectrum, candidates)
    return Evidence(samples, sound.rate_hz, spectrum, peaks, candidates, match, figures)


def read_out(evidence: Evidence, score: Real, best: int) -> Reading:
    """Read the chosen candidate exactly, over the run of the sound that is held."""
    candidate_hz, stiffness = float(evidence.candidates[best]), float(evidence.match.stiffness[best])
    track = track_cents(evidence.spectrum, candidate_hz)
    drift = drift_cents(track, evidence.spectrum.starts)
    cents, stiffness, scatter = _exact(
        evidence, candidate_hz, stiffness, held_run(track, evidence.spectrum.starts, drift)
    )
    if abs(drift) > _STEADY_DRIFT_CENTS:
        cents = float(np.nanmedian(track))
    share = odds(score)
    figures = {name: values[best : best + 1] for name, values in evidence.figures.items()}
    figures |= judge_reading(
        evidence.spectrum, evidence.peaks, evidence.match, evidence.candidates, best, share, scatter
    )
    return Reading(candidate_hz * cents_to_ratio(cents), stiffness, drift, figures)


def _centred(sound: Sound) -> Real | None:
    """Take out DC and level, and one of two sides that are alike; None for silence."""
    if sound.frames < _SHORTEST_FRAMES:
        return None
    samples = sound.float64()
    if sound.channels == 2 and _alike(samples[::997]) and _alike(samples):  # a few frames settle it mostly
        samples = samples[:, :1]
    middle = np.zeros(samples.shape[1])
    for index, channel in enumerate(samples.T):  # one by one: along the frames numpy takes ten times as long
        middle[index] = channel.mean()
        channel -= middle[index]
    peak = max(float(samples.max()), -float(samples.min()))
    if peak <= _SILENT or peak <= _DC_ONLY * float(np.abs(middle).max()):
        return None
    samples /= peak
    return samples


def _alike(samples: Real) -> bool:
    return bool(np.array_equal(samples[:, 0], samples[:, 1]))


def _exact(
    evidence: Evidence, candidate_hz: float, stiffness: float, held: tuple[int, int]
) -> tuple[float, float, float]:
    """Fit the partials of the held run; the candidate itself where they lead away from it."""
    spectrum = evidence.spectrum
    first, last = held
    start, end = int(spectrum.starts[first]), int(spectrum.starts[last]) + spectrum.span_frames
    fine = long_spectrum(evidence.samples, evidence.rate_hz, start, end)
    partials = read_partials(*fine, candidate_hz, stiffness)
    if len(partials.number) == 0:
        return 0.0, 0.0, 30.0
    cents, stiffness, scatter = fit_partials(partials)
    if stiffness > _VERY_STIFF:
        cents, stiffness, scatter = fit_stiff(fine, candidate_hz, cents, stiffness)
    return (cents, stiffness, scatter) if abs(cents) <= 50.0 else (0.0, 0.0, 30.0)


def _others(candidates: Real, share: Real, root_hz: float, confidence: float) -> tuple[Alternative, ...]:
    """List the next best notes; what confidence the root leaves over is divided by their shares."""
    order = [
        int(i) for i in np.argsort(-share, kind="stable") if abs(cents_between(root_hz, candidates[i])) > _OTHER_CENTS
    ]
    rest = float(sum(share[order])) or 1.0
    apart: list[Alternative] = []
    for index in order:
        hz = float(candidates[index])
        if all(abs(cents_between(other.hz, hz)) > _OTHER_CENTS for other in apart):
            apart.append(Alternative(hz, (1.0 - confidence) * float(share[index]) / rest))
        if len(apart) == _OTHERS:
            break
    return tuple(apart)
