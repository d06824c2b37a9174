"""Whether a sound already carries a copy of itself at another pitch: a fifth, an octave, a sub-octave.

Two kinds of evidence, both read from the fine spectrum of the held part:

*Lines of its own.* A layer at a ratio that is no whole number has partials where the root has none: a fifth (3/2) at
1.5, 4.5 and 7.5 times the root. They are judged against the lines one root frequency above and below, where neither has
any. Where those sound as well, the root is an octave lower than was thought, or the sound is noise: no layer.

*Harmonics that stand out.* An octave adds to every second harmonic, and no single one tells it from a bright timbre. It
is recognised only where the 4th, 6th and 8th all stand out from their neighbours. So an octave layer as loud as its
root is seen over a dull sound always, over a sawtooth every second time (the phases decide), and one at -10 dB never:
to miss one costs a little beating, to see one that is not there would cost the layer. The same goes for 3, 4 and so on.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.held import held_frames
from kitfold.measure.pitch import long_spectrum
from kitfold.sound import Sound
from kitfold.units import power_to_db

__all__ = ["harmonic_share", "layer_db"]

Real = NDArray[np.float64]

_HELD_DB = -30.0  # as far under its loudest a sound is looked at, as where its exact pitch is measured
_PARTIALS = 9
_LINE_CENTS = 30.0  # a chorused line lies within it, and so do the equal and the just fifth
_APART_CENTS = 80.0  # nearer to a harmonic of the root than this, a line is no evidence
_OVER_CONTROLS = 10.0  # in power: what a line of the layer must have over the lines beside it
_LOUDEST_DB = 6.0  # a layer louder than this over its root says that the root is wrong
_HEARD = 1e-6  # in power, under the strongest partial: quieter lines are not looked at
_STANDS_OUT_DB = 2.0  # every one of the harmonics must; of 103 recorded notes one does so by itself (a music box)
_STANDS_OUT_TYPICALLY_DB = 4.0  # their median must


def layer_db(sound: Sound, root_hz: float, ratio: float) -> float:
    """Say how loud a layer of itself a sound already carries.

    Parameters
    ----------
    sound : Sound
    root_hz : float, Hz, > 0: the sound's root
    ratio : float, > 0, not 1: the layer's pitch over the root

    Returns
    -------
    float, dB: the layer's partials over the same partials of the root; -inf where there is no layer or none can be told
    (noise, silence, a sound too short to part the lines)
    """
    spectrum = _Lines(sound, root_hz)
    whole = round(ratio)
    if ratio > 1.5 and abs(1200.0 * math.log2(ratio / whole)) < _LINE_CENTS:
        return _raised_harmonics_db(spectrum, whole)
    return _own_lines_db(spectrum, ratio)


def harmonic_share(sound: Sound, root_hz: float) -> float:
    """Say how much of a sound's held part lies on the first twelve harmonics of a root.

    Returns
    -------
    float, 0 to 1, of the power: near 1 for a clear note of that root or of a harmonic of it, 0 for silence
    """
    lines = _Lines(sound, root_hz)
    whole = float(lines.total[-1])
    return min(1.0, sum(map(lines.power, range(1, 13))) / whole) if whole > 0 else 0.0


class _Lines:
    """The power of a sound's spectrum around multiples of its root."""

    def __init__(self, sound: Sound, root_hz: float) -> None:
        power, self._bin_hz, self._lobe_hz = _held_spectrum(sound)
        self.total = np.concatenate([[0.0], np.cumsum(power)])
        self._root_hz = root_hz
        self.apart = 2.0 * self._lobe_hz / root_hz  # lines nearer than this, in multiples of the root, run together
        self._faintest = 0.0
        self._faintest = _HEARD * max(self.power(number) for number in range(1, 13))

    def power(self, multiple: float) -> float:
        """Return the power around a multiple of the root; 0 beyond the spectrum or where too faint to count."""
        centre_hz = multiple * self._root_hz
        half_hz = max(self._lobe_hz, centre_hz * (2.0 ** (_LINE_CENTS / 1200.0) - 1.0))
        first = max(0, math.floor((centre_hz - half_hz) / self._bin_hz))
        last = math.ceil((centre_hz + half_hz) / self._bin_hz) + 1
        if multiple <= 0.0 or last >= len(self.total):
            return 0.0
        power = float(self.total[last] - self.total[first])
        return power if power > self._faintest else 0.0

    def smooth(self, number: int) -> float:
        """Return the power that the harmonics below and above let expect of one between them."""
        return math.sqrt(self.power(number - 1) * self.power(number + 1))


def _held_spectrum(sound: Sound) -> tuple[Real, float, float]:
    samples = sound.float64()
    return long_spectrum(samples, sound.rate_hz, *held_frames(samples, sound.rate_hz, _HELD_DB))


def _own_lines_db(lines: _Lines, ratio: float) -> float:
    layer, root = 0.0, 0.0
    for number in range(1, _PARTIALS + 1):
        place = number * ratio
        if not _clear_of(place, 1.0, lines.apart):
            continue
        controls = [place + side for side in (-1.0, 1.0) if _clear_of(place + side, ratio, lines.apart)]
        power, beside = lines.power(place), max(map(lines.power, controls), default=0.0)
        layer += power if power > _OVER_CONTROLS * beside else 0.0
        root += lines.power(number)
    return _believable_db(layer, root)


def _clear_of(place: float, step: float, apart: float) -> bool:
    """Say whether a place is far enough from every multiple of `step` to be told from it."""
    nearest = max(1, round(place / step)) * step
    beside: float = nearest * (2.0 ** (_APART_CENTS / 1200.0) - 1.0)
    return abs(place - nearest) > max(apart, beside)


def _raised_harmonics_db(lines: _Lines, ratio: int) -> float:
    if lines.apart > 0.5:
        return -math.inf
    over_db, layer, root = [], 0.0, 0.0
    for number in range(2 * ratio if ratio == 2 else ratio, 4 * ratio + 1, ratio):
        power, smooth = lines.power(number), lines.smooth(number)
        if power == 0.0 or smooth == 0.0:
            break
        over_db.append(power_to_db(power / smooth))
        same = number // ratio  # the layer's partial of this number, beside the root's own of the same
        layer += max(0.0, power - smooth)
        root += lines.smooth(same) if same % ratio == 0 else lines.power(same)
    if len(over_db) < 3 or min(over_db) < _STANDS_OUT_DB or float(np.median(over_db)) < _STANDS_OUT_TYPICALLY_DB:
        return -math.inf
    return _believable_db(layer, root)


def _believable_db(layer: float, root: float) -> float:
    level_db = power_to_db(layer / root) if root > 0 else math.inf
    return level_db if level_db <= _LOUDEST_DB else -math.inf
