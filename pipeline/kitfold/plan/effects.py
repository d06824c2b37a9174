"""The effects of pedalboard that a recipe may use: those that read no file, load no plug-in and repeat to the byte."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

__all__ = ["EFFECTS", "AllowedEffect", "check_effect"]

Ranges = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class AllowedEffect:
    """One effect of the list.

    Parameters
    ----------
    plugin : str, the class of pedalboard that does it
    ranges : mapping, setting to the lowest and highest value allowed; the names are pedalboard's own
    """

    plugin: str
    ranges: Ranges


_MIX = (0.0, 1.0)
_BELL: Ranges = {"cutoff_frequency_hz": (10, 40_000), "gain_db": (-36, 36), "q": (0.05, 20)}

EFFECTS: dict[str, AllowedEffect] = {
    "bitcrush": AllowedEffect("Bitcrush", {"bit_depth": (1, 24)}),
    "chorus": AllowedEffect(
        "Chorus",
        {"rate_hz": (0.01, 20), "depth": _MIX, "centre_delay_ms": (1, 50), "feedback": (-0.95, 0.95), "mix": _MIX},
    ),
    "clipping": AllowedEffect("Clipping", {"threshold_db": (-60, 0)}),
    "compressor": AllowedEffect(
        "Compressor",
        {"threshold_db": (-80, 0), "ratio": (1, 60), "attack_ms": (0, 500), "release_ms": (1, 5000)},
    ),
    "delay": AllowedEffect("Delay", {"delay_seconds": (0.001, 10), "feedback": (0, 0.95), "mix": _MIX}),
    "distortion": AllowedEffect("Distortion", {"drive_db": (0, 60)}),
    "high-shelf": AllowedEffect("HighShelfFilter", _BELL),
    "low-shelf": AllowedEffect("LowShelfFilter", _BELL),
    "peak": AllowedEffect("PeakFilter", _BELL),
    "phaser": AllowedEffect(
        "Phaser",
        {
            "rate_hz": (0.01, 20),
            "depth": _MIX,
            "centre_frequency_hz": (20, 20_000),
            "feedback": (-0.95, 0.95),
            "mix": _MIX,
        },
    ),
    "reverb": AllowedEffect(
        "Reverb", {"room_size": _MIX, "damping": _MIX, "wet_level": _MIX, "dry_level": _MIX, "width": _MIX}
    ),
}
"""Every effect that may be named, and what may be set on it."""


def check_effect(name: str, given: Mapping[str, object]) -> None:
    """Refuse an effect that is not in the list, or a setting that it does not have.

    Raises
    ------
    ValueError : says what was found, what is allowed and the nearest known name
    """
    effect = EFFECTS.get(name)
    if effect is None:
        raise ValueError(f"name must be one of {', '.join(EFFECTS)}, got {name!r}{_nearest(name, EFFECTS)}")
    for key, value in given.items():
        if key not in effect.ranges:
            allowed = ", ".join(effect.ranges)
            raise ValueError(f"{name} has no setting {key!r}{_nearest(key, effect.ranges)}; it has {allowed}")
        lowest, highest = effect.ranges[key]
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not (number and lowest <= value <= highest):  # type: ignore[operator]
            raise ValueError(f"{name}'s {key} must be a number from {lowest:g} to {highest:g}, got {value!r}")


def _nearest(word: str, known: Mapping[str, object]) -> str:
    close = get_close_matches(word, list(known), n=1)
    return f" (did you mean {close[0]!r}?)" if close else ""
