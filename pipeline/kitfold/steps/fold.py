"""The step `fold`: stereo to mono, by the way that cancels least."""

from __future__ import annotations

import math

from kitfold.channels import sum_of_channels
from kitfold.measure.stereo import fold_losses_lu
from kitfold.plan.settings import Fold
from kitfold.sound import Sound

__all__ = ["fold"]

_MID_MAY_LOSE_LU = 1.0
"""The middle of both channels is taken unless it loses this much more than one alone: about what the ear notices."""


def fold(sound: Sound, settings: Fold) -> Sound:
    """Mix a sound to mono, choosing the way that cancels least.

    Parameters
    ----------
    sound : Sound, (frames, channels)
    settings : Fold

    Returns
    -------
    Sound, (frames, min(channels, settings.channels)): `mid` is half of both channels together, so that what is the same
    on both keeps its level. A sound that has no more channels than wanted is returned as it is: nothing is added.
    """
    if sound.channels <= settings.channels:
        return sound
    losses_lu = fold_losses_lu(sound)
    way = _best_way(losses_lu) if settings.method == "auto" else settings.method
    samples = sound.float64()[:, :2]
    folded = {"mid": 0.5 * sum_of_channels(samples), "left": samples[:, 0], "right": samples[:, 1]}[way]
    found = {"way": way} if math.isinf(losses_lu[way]) else {"way": way, "lost_lu": round(losses_lu[way], 2)}
    said = _why_not_mid(way, losses_lu) if settings.method == "auto" and way != "mid" else ()
    return sound.with_samples(folded).telling(*said, **found)


def _best_way(losses_lu: dict[str, float]) -> str:
    side = min(("left", "right"), key=lambda way: losses_lu[way])
    return "mid" if losses_lu["mid"] <= losses_lu[side] + _MID_MAY_LOSE_LU else side


def _why_not_mid(way: str, losses_lu: dict[str, float]) -> tuple[str]:
    mid_lu = losses_lu["mid"]
    lost = f"lose {mid_lu:.1f} LU" if mid_lu < 60 else "cancel it"
    return (f"mono is the {way} channel alone: both together would {lost}, this loses {losses_lu[way]:.1f} LU",)
