"""How the two channels of a sound relate, and what mixing them to one would lose."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.level import k_weighted
from kitfold.sound import Sound
from kitfold.units import power_to_db

__all__ = ["FOLDS", "correlation", "fold_losses_lu"]

Real = NDArray[np.float64]

FOLDS = ("mid", "left", "right")
"""The ways from two channels to one: half of both together, or one alone."""
_TILE_FRAMES = 4096  # 85 ms at 48 kHz: fine enough for the notes of a chord, short enough for echoes
_TILES_AT_ONCE = 256


def correlation(sound: Sound) -> float:
    """Say how alike left and right are.

    Returns
    -------
    float: 1 the same, 0 unrelated (also where one side is silent), -1 one is the other turned over. Mono sounds and
    silence are 1.
    """
    if sound.channels < 2 or not sound.samples.any():
        return 1.0
    left, right = sound.float64()[:, :2].T
    scale = np.sqrt(np.sum(left * left)) * np.sqrt(np.sum(right * right))
    return float(np.clip(np.sum(left * right) / scale, -1.0, 1.0)) if scale > 0 else 0.0


def fold_losses_lu(sound: Sound) -> dict[str, float]:
    """Say what each way of mixing a stereo sound to mono would lose.

    Loudness is compared tile by tile (85 ms by 12 Hz, K-weighted) with the mean of the two channels, and what one tile
    has too much makes up for nothing that another lacks: so a note that plays on one side only is missed where that
    side is left out, however loud the other is.

    Returns
    -------
    dict of `FOLDS` to float, LU, >= 0: 0 keeps everything, inf cancels everything. All 0 for mono and for silence.
    """
    if sound.channels < 2 or not sound.samples.any():
        return dict.fromkeys(FOLDS, 0.0)
    hop = _TILE_FRAMES // 2
    left, right = np.pad(k_weighted(sound)[:, :2], ((hop, 0), (0, 0))).T  # so that the first frames count fully
    whole, kept = 0.0, np.zeros(len(FOLDS))
    for first in range(0, len(left), _TILES_AT_ONCE * hop):
        spectra = [_tiles(side[first : first + (_TILES_AT_ONCE + 1) * hop]) for side in (left, right)]
        ways = [_power(way) for way in (0.5 * (spectra[0] + spectra[1]), *spectra)]
        mean = 0.5 * (ways[1] + ways[2])
        whole += float(mean.sum())
        kept += [float(np.minimum(way, mean).sum()) for way in ways]
    if whole <= 0.0:
        return dict.fromkeys(FOLDS, 0.0)
    return {way: max(0.0, -power_to_db(part / whole)) for way, part in zip(FOLDS, kept, strict=True)}


def _tiles(samples: Real) -> NDArray[np.complex128]:
    """Take spectra of overlapping pieces: (pieces, bins); the last one is filled up with silence."""
    from kitfold.measure.compiled import rfft

    hop = _TILE_FRAMES // 2
    pieces = max(1, -(-len(samples) // hop) - 1)
    filled = np.pad(samples, (0, max(0, (pieces + 1) * hop - len(samples))))
    cut = np.lib.stride_tricks.sliding_window_view(filled, _TILE_FRAMES)[::hop][:pieces]
    spectra: NDArray[np.complex128] = rfft(cut * np.hanning(_TILE_FRAMES), axis=1)
    return spectra


def _power(spectra: NDArray[np.complex128]) -> Real:
    power: Real = spectra.real**2 + spectra.imag**2
    return power
