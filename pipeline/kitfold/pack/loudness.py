"""How loud a file is as EBU R 128 measures it, for the broadcast chunk."""

from __future__ import annotations

import numpy as np

from kitfold.channels import sum_of_channels
from kitfold.measure.level import K_RATE_HZ, integrated_lufs, k_weighted, loudest_lufs, true_peak_db
from kitfold.pack.bext import Loudness
from kitfold.sound import Sound
from kitfold.units import power_to_db

__all__ = ["loudness_of"]

_GATE_BLOCK_S = 0.4  # BS.1770-4: gating blocks of 400 ms; a shorter sound has none, and no integrated loudness
_SHORT_TERM_FRAMES = 3 * K_RATE_HZ  # EBU Tech 3341: 3 s, not gated
_OFFSET_DB = -0.691  # BS.1770-4, equation 2


def loudness_of(sound: Sound) -> Loudness:
    """Measure how loud a sound is; what needs more of it than there is stays unknown, and so does the range.

    The loudness range (EBU Tech 3342) says nothing of one note: it is meant for programmes of a minute and more.
    """
    return Loudness(
        integrated_lufs=integrated_lufs(sound) if sound.seconds >= _GATE_BLOCK_S else None,
        true_peak_db=true_peak_db(sound),
        momentary_lufs=loudest_lufs(sound),
        short_term_lufs=_short_term_lufs(sound),
    )


def _short_term_lufs(sound: Sound) -> float | None:
    """Return the loudness of the loudest 3 s, at every start frame at 48 kHz."""
    power = sum_of_channels(k_weighted(sound) ** 2)
    if len(power) < _SHORT_TERM_FRAMES:
        return None
    total = np.concatenate([[0.0], np.cumsum(power)])
    loudest = float((total[_SHORT_TERM_FRAMES:] - total[:-_SHORT_TERM_FRAMES]).max()) / _SHORT_TERM_FRAMES
    return _OFFSET_DB + power_to_db(loudest)
