"""The gain of every slot: hot in memory, balanced when played.

Quantisation noise is fixed, so a sound is stored as loud as it may be and brought down by the device's own level
(common practice). What the recipes set is the loudness of the master; folding changes that by 3 to 6 LU, so the gain is
worked out from the sound as it will be stored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Gain", "Levels", "balance"]

STORE_CEILING_DBTP = -1.0


@dataclass(frozen=True)
class Levels:
    """What decides a slot's gain.

    Parameters
    ----------
    wanted_lufs : float, loudness of the master
    lufs : float, loudness of the sound before the store gain, folded, resampled and cut
    true_peak_db : float, dBTP, of the same
    """

    wanted_lufs: float
    lufs: float
    true_peak_db: float


@dataclass(frozen=True)
class Gain:
    """A slot's gain.

    Parameters
    ----------
    store_db : float, applied before quantising
    play_db : float, dB, 0 or less, set on the device
    """

    store_db: float
    play_db: float


def balance(levels: Sequence[Levels], slot_level: bool) -> tuple[Gain, ...]:
    """Return every slot's gain.

    With a level per slot each is stored with its true peak at -1 dBTP and played lower; without, the balance is made
    in memory and one gain for the whole kit puts its loudest slot there.

    Parameters
    ----------
    levels : sequence of Levels, one a slot
    slot_level : bool, whether the device has a level per slot
    """
    if not levels:
        return ()
    if slot_level:
        store = [STORE_CEILING_DBTP - one.true_peak_db for one in levels]
        play = [one.wanted_lufs - (one.lufs + gain) for one, gain in zip(levels, store, strict=True)]
        loudest = max(play)
        # a tenth of a dB is what can be set by hand, and half of it cannot be heard
        return tuple(Gain(gain, round(down - loudest, 1) + 0.0) for gain, down in zip(store, play, strict=True))
    even = [one.wanted_lufs - one.lufs for one in levels]
    headroom = min(STORE_CEILING_DBTP - one.true_peak_db - gain for one, gain in zip(levels, even, strict=True))
    return tuple(Gain(gain + headroom, 0.0) for gain in even)
