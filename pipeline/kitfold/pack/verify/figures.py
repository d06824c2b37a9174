"""Roots, levels and holds, measured again on what the file holds, by the functions that measured them for the manifest.

The same functions on the same samples give the same figures, to the rounding of the manifest. Another machine's
arithmetic may move the last digits, so the limits lie well over those and well under what can be heard.
"""

from __future__ import annotations

from collections.abc import Sequence

from kitfold.measure.level import held_until_s, loudest_lufs, peak_db, true_peak_db
from kitfold.measure.pitch import cents_off
from kitfold.pack.manifest import Hold
from kitfold.pack.verify.claims import Claim
from kitfold.pack.verify.difference import Difference
from kitfold.sound import Sound
from kitfold.steps.shift import varispeed
from kitfold.units import semitones_to_ratio

__all__ = ["figure_differences", "held_differences"]

CENTS, LEVEL_DB, HOLD_S = 1.0, 0.05, 0.01
"""How far a figure may lie from the manifest's: a third of what is heard of pitch (3 cents), a twentieth of what is
heard of level (1 dB, common practice), and a fifth of the 50 ms over which a hold is measured."""
_QUIETEST_DB = -120.0  # what a manifest writes for silence


def figure_differences(sound: Sound, claim: Claim) -> list[Difference]:
    """Measure pitch and level of a file and compare them with what is claimed.

    Parameters
    ----------
    sound : Sound, as the file holds it
    claim : Claim
    """
    played = _played(sound, claim)
    figures = (
        ("level.lufs", claim.level.lufs, loudest_lufs(played), "LUFS"),
        ("level.peak_db", claim.level.peak_db, peak_db(sound), "dBFS"),
        ("level.true_peak_db", claim.level.true_peak_db, true_peak_db(sound), "dBTP"),
    )
    found = [
        Difference(claim.listed, what, f"{told:.2f} {unit}", f"{max(has, _QUIETEST_DB):.2f} {unit}")
        for what, told, has, unit in figures
        if not abs(max(has, _QUIETEST_DB) - told) <= LEVEL_DB
    ]
    return found + _of_root(sound, claim)


def _of_root(sound: Sound, claim: Claim) -> list[Difference]:
    told, stored_hz = claim.root.error_cents, claim.stored_hz()
    if stored_hz is None:
        return (
            [] if told is None else [Difference(claim.listed, "root.error_cents", "none without a root", f"{told:g}")]
        )
    has = cents_off(sound, stored_hz)
    if (has is None and told is None) or (has is not None and told is not None and abs(has - told) <= CENTS):
        return []
    return [Difference(claim.listed, "root.error_cents", _cents(told), _cents(has))]


def _cents(value: float | None) -> str:
    return "nothing at that pitch" if value is None else f"{value:+.2f} cents"


def held_differences(sound: Sound, claim: Claim) -> list[Difference]:
    """Measure how long a file lasts and compare every hold with it.

    Parameters
    ----------
    sound : Sound, as the file holds it
    claim : Claim
    """
    if claim.loop is not None:
        return [_hold(claim, one, None) for one in claim.holds if one.lasts_s is not None]
    if not claim.holds:
        return []
    held_s = held_until_s(_played(sound, claim), claim.floor_db) * semitones_to_ratio(claim.play_semitones)
    return list(_wrong_holds(claim, claim.holds, held_s))


def _wrong_holds(claim: Claim, holds: Sequence[Hold], held_s: float) -> list[Difference]:
    lasting = [(one, held_s / semitones_to_ratio(one.setting)) for one in holds]
    return [
        _hold(claim, one, lasts)
        for one, lasts in lasting
        if one.lasts_s is None or not abs(one.lasts_s - lasts) <= HOLD_S * max(1.0, lasts / max(held_s, 1e-9))
    ]


def _hold(claim: Claim, hold: Hold, lasts_s: float | None) -> Difference:
    def words(seconds: float | None) -> str:
        return "for ever" if seconds is None else f"{seconds:.3f} s"

    return Difference(claim.listed, f"hold of {hold.chord} in {hold.section}", words(hold.lasts_s), words(lasts_s))


def _played(sound: Sound, claim: Claim) -> Sound:
    """Return a sound as it comes out at its root: what was stored higher is played as much lower."""
    return varispeed(sound, semitones_to_ratio(claim.play_semitones)) if claim.play_semitones else sound
