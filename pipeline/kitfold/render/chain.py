"""A sound and its steps as a chain of keys, so that only what changed, and what follows it, is made again."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from kitfold.files import Store
from kitfold.plan.recipe import PlannedStep
from kitfold.render.crew import Crew
from kitfold.render.keys import key_of
from kitfold.render.memo import kept, known
from kitfold.sound import Sound

__all__ = ["WORTH_S", "Link", "after", "step_key"]

WORTH_S = 0.1
"""Between two steps a sound is kept where so much work has gone into it since the last one that was: keeping one of
2.8 MB (8 s in stereo) takes 6 ms, reading it 3 (tests/benchmarks/cache.py), and the cheap steps, 1 to 50 ms, are sooner
done again. The last sound of a chain is always kept."""


@dataclass(frozen=True)
class Link:
    """One piece of work on a sound.

    Parameters
    ----------
    key : str, the key of its result
    work : pure function of Sound
    """

    key: str
    work: Callable[[Sound], Sound]


def step_key(before: str, step: PlannedStep) -> str:
    """Return the key of a sound after a step, from the key of the sound before it."""
    return key_of("step", before, step.step, step.settings.model_dump(mode="json"))


def after(first: Callable[[], Sound], links: Sequence[Link], store: Store | None, crew: Crew | None = None) -> Sound:
    """Return what a chain of work makes, beginning after the last result that is kept.

    Parameters
    ----------
    first : gives the sound at the beginning, if it is needed
    links : sequence of Link, in order, at least one
    store : Store or None
    crew : Crew or None, who does the work; those who are far away get all that is left of the chain at once
    """
    place, sound = _last_kept(links, store)
    if crew is not None and crew.far and place < len(links):
        sound = crew.do(_whole, first() if sound is None else sound, [link.work for link in links[place:]])
        return kept(store, links[-1].key, sound)
    sound = first() if sound is None else sound
    spent_s = 0.0
    for link in links[place:]:
        started = time.perf_counter()
        sound = link.work(sound)
        spent_s += time.perf_counter() - started
        worth = spent_s > WORTH_S or link is links[-1]
        sound = kept(store if worth else None, link.key, sound)
        spent_s = 0.0 if worth else spent_s
    return sound


def _whole(sound: Sound, works: Sequence[Callable[[Sound], Sound]]) -> Sound:
    """Do all of a chain."""
    for work in works:
        sound = work(sound)
    return sound


def _last_kept(links: Sequence[Link], store: Store | None) -> tuple[int, Sound | None]:
    for place in range(len(links), 0, -1):
        sound = known(store, links[place - 1].key)
        if isinstance(sound, Sound):
            return place, sound
    return 0, None
