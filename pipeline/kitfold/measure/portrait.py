"""A portrait of a sound: every figure that a musician, or the starter kit's guess, wants to know about it.

Times count from the sound's attack, not from the file's start, so that lead silence changes nothing but `lead_s`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitfold.measure.held import held_frames
from kitfold.measure.layers import layer_db
from kitfold.measure.level import held_until_s, integrated_lufs, loudest_lufs, momentary_lufs, peak_db, true_peak_db
from kitfold.measure.onset import attack_start, envelope, floor_level, sounding_part, tail_end
from kitfold.measure.pitch import long_spectrum
from kitfold.measure.root import Root, find_root
from kitfold.measure.stereo import correlation, fold_losses_lu
from kitfold.sound import Sound
from kitfold.units import cents_to_ratio, gain_to_db

__all__ = ["Portrait", "brightness_hz", "partial_shares", "portrait"]

Real = NDArray[np.float64]

HOLD_FLOOR_DB = -12.0
"""A held sound lasts until it is this far under its loudest 400 ms: the kit's own default."""
_RISEN_DB = -6.0  # an attack is over when the level first comes this near to its loudest: later crests are beating
_LEVEL_S = 0.020  # a period at 50 Hz
_PIECE_S = 0.046  # 2048 frames at 44.1 kHz: a usual length for spectral centroids (common practice)
_PIECES_AT_ONCE = 256
_HELD_DB = -30.0  # partials are read until the sound has fallen by this
_LINE_CENTS = 35.0  # a chorused partial lies within it
_WIDEST = 0.2  # of the root, either side: so noise, which is everywhere, has 40 % of its power on multiples
_HEARD = 1e-4  # in power, -40 dB: weaker lines do not colour a sound


@dataclass(frozen=True)
class Portrait:
    """What was measured about a sound.

    Levels of silence are -inf; `to_json` makes them null.

    Parameters
    ----------
    seconds : float, s, length of the file
    rate_hz, channels : int
    root : Root, with its alternatives, inharmonicity and drift
    lufs : float, LUFS, of the loudest 400 ms
    integrated_lufs : float, LUFS, gated, of the whole
    peak_db : float, dBFS
    true_peak_db : float, dBTP
    lead_s : float, s, before the attack
    attack_s : float, s, from the attack's start until the level (20 ms) first comes within 6 dB of its loudest
    held_s : float, s, from the attack until it is for good 12 dB under its loudest 400 ms
    tail_s : float, s, from the attack until it is for good 60 dB under its loudest, or sunk in noise
    loudest_at_s : float, s, from the attack to the middle of the loudest 400 ms
    brightness_hz : float, Hz, centroid of the power spectrum of the whole; 0 for silence
    harmonic_share : float, 0 to 1, of the power of its lines, on multiples of the root; 0 without a root
    fundamental_share : float, 0 to 1, of that power, on the root itself
    fifth_db, octave_db : float, dB, of the layer at 3/2 and 2 times its root that it already carries; -inf without
    correlation : float, -1 to 1, of left and right
    fold : str, the way to mono that loses least: mid, left or right
    fold_loss_lu, mid_loss_lu : float, LU, what that way, and the mid, loses; inf where everything cancels
    floor_db : float, dBFS, steady noise before or behind the sound; -inf where there is none
    """

    seconds: float
    rate_hz: int
    channels: int
    root: Root
    lufs: float
    integrated_lufs: float
    peak_db: float
    true_peak_db: float
    lead_s: float
    attack_s: float
    held_s: float
    tail_s: float
    loudest_at_s: float
    brightness_hz: float
    harmonic_share: float
    fundamental_share: float
    fifth_db: float
    octave_db: float
    correlation: float
    fold: str
    fold_loss_lu: float
    mid_loss_lu: float
    floor_db: float

    def to_json(self) -> dict[str, Any]:
        """Return the figures as JSON has them: what is not finite becomes null."""
        return {name: _plain(getattr(self, name)) for name in self.__dataclass_fields__}


def portrait(sound: Sound) -> Portrait:
    """Measure everything about a sound.

    Parameters
    ----------
    sound : Sound, any length and channels; silence and sounds without frames give times of 0 and levels of -inf

    Returns
    -------
    Portrait
    """
    samples = sound.float64()
    attack = attack_start(samples, sound.rate_hz) or 0
    root = find_root(sound)
    shares = partial_shares(sound, root.hz)
    losses = fold_losses_lu(sound)
    fold = min(losses, key=lambda way: losses[way])
    lead_s = attack / sound.rate_hz
    return Portrait(
        seconds=sound.seconds,
        rate_hz=sound.rate_hz,
        channels=sound.channels,
        root=root,
        lufs=loudest_lufs(sound),
        integrated_lufs=integrated_lufs(sound),
        peak_db=peak_db(sound),
        true_peak_db=true_peak_db(sound),
        lead_s=lead_s,
        attack_s=_attack_s(samples, attack, sound.rate_hz),
        held_s=max(0.0, held_until_s(sound, HOLD_FLOOR_DB) - lead_s),
        tail_s=max(0.0, (tail_end(samples, sound.rate_hz) or 0) / sound.rate_hz - lead_s),
        loudest_at_s=_loudest_at_s(sound, lead_s),
        brightness_hz=brightness_hz(sound),
        harmonic_share=shares[0],
        fundamental_share=shares[1],
        fifth_db=layer_db(sound, root.hz, 1.5) if root.hz else -math.inf,
        octave_db=layer_db(sound, root.hz, 2.0) if root.hz else -math.inf,
        correlation=correlation(sound),
        fold=fold,
        fold_loss_lu=losses[fold],
        mid_loss_lu=losses["mid"],
        floor_db=_floor_db(samples, sound.rate_hz),
    )


def brightness_hz(sound: Sound) -> float:
    """Say where the middle of a sound's power lies in frequency: low is dull, high is bright.

    Returns
    -------
    float, Hz: the centroid of the power spectrum, averaged over pieces of 46 ms that overlap by half (Hann window),
    channels added up as power. A sine gives its own frequency, white noise a quarter of the rate. 0 for silence.
    """
    from kitfold.measure.compiled import rfft

    size = max(16, round(_PIECE_S * sound.rate_hz) // 2 * 2)
    hop = size // 2
    samples = np.pad(sound.float64(), ((hop, size), (0, 0)))
    power = np.zeros(size // 2 + 1)
    for first in range(0, len(samples) - size + 1, _PIECES_AT_ONCE * hop):
        part = samples[first : first + (_PIECES_AT_ONCE + 1) * hop]
        pieces = np.lib.stride_tricks.sliding_window_view(part, size, axis=0)[::hop][:_PIECES_AT_ONCE]
        lines = rfft(pieces * np.hanning(size), axis=-1)
        power += np.sum(lines.real**2 + lines.imag**2, axis=(0, 1))
    if not power.any():
        return 0.0
    return float(np.sum(power * np.arange(len(power))) / power.sum() * sound.rate_hz / size)


def partial_shares(sound: Sound, root_hz: float | None) -> tuple[float, float]:
    """Say how harmonic a sound is: how much of its power lies on multiples of its root, and how much on the root.

    Power counts where it stands out, that is within 40 dB of the strongest line; 35 cents either side, and never more
    than a fifth of the root, belong to a multiple. A string has nearly all on multiples, a bell has much between them,
    a mallet has nearly all on the root, noise has two fifths on multiples of anything.

    Returns
    -------
    (on multiples, on the root) : float, 0 to 1; both 0 without a root
    """
    samples = sound.float64()
    power, bin_hz, lobe_hz = long_spectrum(samples, sound.rate_hz, *held_frames(samples, sound.rate_hz, _HELD_DB))
    if root_hz is None or not power.any():
        return 0.0, 0.0
    heard = np.where(power > _HEARD * power.max(), power, 0.0)
    hz = bin_hz * np.arange(len(power))
    number = np.maximum(1.0, np.rint(hz / root_hz))
    reach_hz = np.minimum(number * root_hz * (cents_to_ratio(_LINE_CENTS) - 1.0), _WIDEST * root_hz)
    reach_hz = np.maximum(lobe_hz, reach_hz)
    on_line = np.abs(hz - number * root_hz) <= reach_hz
    total = float(heard.sum())
    return float(heard[on_line].sum()) / total, float(heard[on_line & (number == 1.0)].sum()) / total


def _attack_s(samples: Real, attack: int, rate_hz: int) -> float:
    level = envelope(samples, rate_hz, _LEVEL_S)
    if not level.any():
        return 0.0
    risen = int(np.argmax(level >= level.max() * 10.0 ** (_RISEN_DB / 20.0)))
    return max(0, risen - attack) / rate_hz


def _loudest_at_s(sound: Sound, lead_s: float) -> float:
    """Return the middle of the loudest 400 ms; of sounds shorter than that, of the sound."""
    if sound.seconds <= 0.4:
        return max(0.0, sound.seconds / 2.0 - lead_s)
    curve = momentary_lufs(sound)
    return max(0.0, 0.2 + 0.01 * int(np.argmax(curve)) - lead_s)


def _floor_db(samples: Real, rate_hz: int) -> float:
    start, end = sounding_part(samples)
    part = samples[start:end]
    return gain_to_db(max(floor_level(part, rate_hz), floor_level(part[::-1], rate_hz)))


def _plain(value: Any) -> Any:
    """Turn a figure into JSON's types."""
    if isinstance(value, Root):
        table = {name: _plain(getattr(value, name)) for name in value.__dataclass_fields__ if name != "alternatives"}
        others = [
            {name: _plain(getattr(other, name)) for name in other.__dataclass_fields__} for other in value.alternatives
        ]
        return {**table, "alternatives": others}
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    return value
