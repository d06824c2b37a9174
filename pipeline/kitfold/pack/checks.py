"""The claims of a build, each measured against its limit, with advice in one sentence: the list of all checks."""

from __future__ import annotations

from kitfold.files import Store
from kitfold.pack import check_fit, check_gap, check_pairs, check_song, check_sound
from kitfold.pack.check_fit import HOLD_SLACK_S
from kitfold.pack.crowding import crowding
from kitfold.pack.kit import Packed
from kitfold.pack.manifest import Check
from kitfold.pack.played import Played, play_kit
from kitfold.plan.plan import Plan
from kitfold.threads import at_once

__all__ = ["HOLD_SLACK_S", "checks_of"]

_AT_ONCE = 16  # slots measured before we look again who is free to help


def checks_of(plan: Plan, packed: Packed, store: Store | None = None) -> list[Check]:
    """Return every check of a build, failures and warnings included.

    Parameters
    ----------
    plan : Plan
    packed : Packed
    store : Store or None, where figures are kept from build to build
    """
    kit = play_kit(plan, packed, store)
    for start in range(0, len(kit.slots), _AT_ONCE):
        at_once(Played.measure, kit.slots[start : start + _AT_ONCE])
    return [
        check_fit.memory(packed),
        check_fit.slots(packed),
        *check_fit.changes(packed),
        *check_fit.holds(plan, packed),
        *check_fit.reach(packed),
        *check_sound.tuning(kit),
        *check_pairs.tuning_between(kit),
        *check_pairs.beats(kit),
        check_pairs.balance(kit),
        check_sound.peak(kit),
        *check_sound.noise(kit),
        *check_sound.clicks(kit),
        *check_sound.mono(kit),
        *check_sound.slow(kit),
        *check_gap.gaps(kit),
        *check_sound.band(kit),
        *check_pairs.brightness(kit),
        *crowding(kit),
        *check_song.scale(kit),
        *check_song.borrowed(plan),
        *check_song.fifths(plan),
        *check_song.voices(kit),
        *check_sound.rootless(kit),
    ]
