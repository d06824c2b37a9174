"""Which stored root plays which note, at what setting, and whether it lasts: the arithmetic of varispeed.

Played `setting` semitones up, a stored sound lasts 2^(-setting / 12) as long. A sampled instrument sounds like itself
for about four or five semitones either side of its root (common practice), hence `natural`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from kitfold.pack.asks import Ask
from kitfold.units import semitones_to_ratio

__all__ = ["Lasting", "Reach", "Served", "copies_for", "lasts_s", "serve"]

Lasting = float | Callable[[int], float]
"""Seconds that each stored root lasts at setting 0: one figure for all, or one for each, where some loop."""


@dataclass(frozen=True)
class Reach:
    """What a device's playback can do.

    Parameters
    ----------
    low, high : int, semitones of the device's transposition
    natural : float, semitones from a stored root within which a sound stays itself
    """

    low: int
    high: int
    natural: float

    def holds(self, setting: int) -> bool:
        """Say whether a setting lies in the device's range."""
        return self.low <= setting <= self.high


@dataclass(frozen=True)
class Served:
    """An ask and what plays it.

    Parameters
    ----------
    ask : Ask
    root : int or None, the stored transposition that plays it (0 is the sound itself); None: nothing can
    setting : int, what the device is set to
    lasts_s : float, how long it lasts there
    """

    ask: Ask
    root: int | None
    setting: int
    lasts_s: float

    @property
    def ok(self) -> bool:
        """Whether something plays it and lasts."""
        return self.root is not None and self.lasts_s >= self.ask.needs_s


def lasts_s(held_s: float, setting: int) -> float:
    """Return how long a sound lasts when it is played `setting` semitones up, in seconds."""
    return held_s / semitones_to_ratio(setting)


def serve(ask: Ask, roots: Sequence[int], held_s: Lasting, reach: Reach) -> Served:
    """Choose the stored root that plays an ask: the nearest that reaches it and lasts.

    Where none lasts, the one that lasts longest of those that reach; where none reaches, nothing. Of two equally near
    the higher root plays it, since moving down only makes it last longer.

    Parameters
    ----------
    ask : Ask
    roots : the transpositions that are stored, 0 among them
    held_s : float, seconds, how long each of them lasts at setting 0 (copies keep their length), or of each
    reach : Reach
    """
    settings = {root: ask.semitones - root for root in roots if reach.holds(ask.semitones - root)}
    if not settings:
        return Served(ask, None, 0, 0.0)
    lasts = {root: lasts_s(_of(held_s, root), setting) for root, setting in settings.items()}
    lasting = [root for root, seconds in lasts.items() if seconds >= ask.needs_s]
    if lasting:
        root = min(lasting, key=lambda root: (abs(settings[root]), settings[root]))
    else:
        root = min(settings, key=lambda root: (-lasts[root], settings[root]))
    return Served(ask, root, settings[root], lasts[root])


def _of(held_s: Lasting, root: int) -> float:
    return held_s(root) if callable(held_s) else held_s


def copies_for(
    asks: Iterable[Ask], wish: str, held_s: Lasting, reach: Reach
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Choose which transpositions to store beside a sound.

    ``auto`` requires exactly those without which an ask is out of the device's reach or not held long enough, from the
    furthest move inwards, so that one serves its neighbours; what then lies further than `reach.natural` from its root
    is optional. ``all`` requires every move that is asked.

    Returns
    -------
    required, optional : tuple of int, semitones, the most useful optional one first
    """
    asks = list(asks)
    moves = sorted({ask.semitones for ask in asks}, key=lambda move: (-abs(move), move))
    if wish == "none":
        return (), ()
    if wish == "all":
        return tuple(sorted(move for move in moves if move != 0)), ()
    roots = [0]
    for move in moves:
        if not all(_plays(ask, roots, held_s, reach) for ask in asks if ask.semitones == move):
            roots.append(move)
    for move in roots[1:]:  # one that came later may do the work of an earlier one too
        rest = [root for root in roots if root != move]
        roots = rest if all(_plays(ask, rest, held_s, reach) for ask in asks) else roots
    required = tuple(sorted(roots[1:]))
    return required, _optional(asks, roots, held_s, reach)


def _plays(ask: Ask, roots: Sequence[int], held_s: Lasting, reach: Reach) -> bool:
    """Say whether an ask needs no copy of its own: it is served, or its own copy would last no better."""
    served = serve(ask, roots, held_s, reach)
    return served.ok or (served.root is not None and _of(held_s, ask.semitones) < ask.needs_s)


def _optional(asks: list[Ask], roots: list[int], held_s: Lasting, reach: Reach) -> tuple[int, ...]:
    """Add roots, each where it brings most asks within the natural range, until all are that can be held at all."""
    chosen: list[int] = []
    while True:
        served = [serve(ask, [*roots, *chosen], held_s, reach) for ask in asks]
        far = [one.ask for one in served if one.ok and abs(one.setting) > reach.natural]
        moves = {ask.semitones for ask in far} - {*roots, *chosen}
        if not moves:
            return tuple(chosen)
        useful = {move: sum(abs(ask.semitones - move) <= reach.natural for ask in far) for move in moves}
        chosen.append(max(useful, key=lambda move: (useful[move], -abs(move), -move)))
