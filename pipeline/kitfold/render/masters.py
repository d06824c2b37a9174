"""Every sound of a kit after its steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from kitfold.errors import KitfoldError, Mistake, SoundFileError, StepError
from kitfold.files import Store, read_sound, sha256_of
from kitfold.measure.level import true_peak_db
from kitfold.plan.plan import Plan, PlannedSound
from kitfold.plan.recipe import PlannedStep
from kitfold.plan.toml import shown_path
from kitfold.render.chain import Link, after, step_key
from kitfold.render.crew import Crew
from kitfold.render.jobs import in_order
from kitfold.render.keys import key_of, sound_code
from kitfold.render.run import run_steps
from kitfold.sound import Sound
from kitfold.steps.rate import resample
from kitfold.units import db_to_gain

__all__ = ["CEILING_DBTP", "SILENT", "Master", "render_masters"]

CEILING_DBTP = -1.0
"""A master's highest true peak: the headroom for lossy coding that EBU R 128 recommends."""

_SLACK_DB = 0.001
"""What passes the ceiling by less is left alone: rounding to 24 bits moves a peak by less than a thousandth of that."""

SILENT = 2.0**-15
"""A peak of one step of 16 bits, -90 dBFS: below it there is nothing to store, only rounding to be made loud."""


_TRIES = 3  # a source that changes while it is read is read again


@dataclass(frozen=True)
class Master:
    """A sound after its steps, and where it came from.

    Parameters
    ----------
    planned : PlannedSound
    sound : Sound
    source_text : str, the file at the beginning of its chain, as the kit names it
    source_sha256 : str
    rights : str, its own, or those of the sound it is made from
    key : str, 64 hex digits: everything that can change the sound, as one name; empty for one that was made elsewhere
    """

    planned: PlannedSound
    sound: Sound
    source_text: str
    source_sha256: str
    rights: str
    key: str = ""


def render_masters(
    plan: Plan,
    jobs: int,
    tell: Callable[[str], None],
    store: Store | None = None,
    crew: Crew | None = None,
) -> dict[str, Master]:
    """Read and process every sound; the result does not depend on who does it, or on how many.

    Parameters
    ----------
    plan : Plan
    jobs : int, threads
    tell : called with a sound's name when it is done
    store : Store or None, where results are kept from build to build; what comes out is the same with and without
    crew : Crew or None, who does the work; by default this process

    Returns
    -------
    dict of Master, by name, in the kit's order

    Raises
    ------
    KitfoldError : with every sound that failed
    """
    failures: list[tuple[int, KitfoldError]] = []

    def work(name: str, parent: Master | None) -> Master:
        master = _rendered(plan, plan.sound(name), parent, store, crew)
        tell(name)
        return master

    def failed(name: str, error: Exception) -> None:
        if not isinstance(error, KitfoldError):
            raise error
        sound = plan.sound(name)
        failures.append((sound.place, error.about(f"{shown_path(plan.path)}: sound[{sound.place}] ({name})")))

    order = plan.in_order_of_work()
    needs = {sound.name: sound.from_sound for sound in order}
    masters = in_order([sound.name for sound in order], needs, work, jobs, failed, loads=False)
    if failures:
        raise _all(failures)
    return {sound.name: masters[sound.name] for sound in plan.sounds}


def _all(failures: list[tuple[int, KitfoldError]]) -> KitfoldError:
    """Join what failed, in the kit's order whatever thread came first."""
    failures.sort(key=lambda failure: failure[0])
    mistakes: list[Mistake] = [mistake for _, error in failures for mistake in error.mistakes]
    return type(failures[0][1])(mistakes)


def _rendered(
    plan: Plan, planned: PlannedSound, parent: Master | None, store: Store | None, crew: Crew | None
) -> Master:
    rate_hz = plan.publish.rate_hz
    if parent is None:
        assert planned.source is not None  # noqa: S101  (the plan made sure of it)
        return _from_file(planned, planned.source, rate_hz, store, crew)
    links = _links(parent.key, planned, rate_hz)
    sound = after(lambda: parent.sound, links, store, crew)
    rights = planned.rights or parent.rights
    return Master(planned, sound, parent.source_text, parent.source_sha256, rights, links[-1].key)


def _from_file(
    planned: PlannedSound, source: Path, rate_hz: int | None, store: Store | None, crew: Crew | None
) -> Master:
    for _ in range(_TRIES):
        sha256 = sha256_of(source)
        links = _links(_source_key(planned, source, sha256), planned, rate_hz)
        try:
            sound = after(partial(_read, planned, source, sha256), links, store, crew)
        except _ChangedError:
            continue
        return Master(planned, sound, planned.source_text, sha256, planned.rights, links[-1].key)
    what = "is being written while it is read"
    raise SoundFileError(what, where=str(source), hint="wait until it is finished, and build again")


def _source_key(planned: PlannedSound, source: Path, sha256: str) -> str:
    given = None if planned.given is None else planned.given.model_dump(mode="json", exclude_none=True)
    kind = source.suffix.lower()  # libsndfile takes headerless sound for what its name says
    return key_of("source", sha256, kind, planned.start_s, planned.end_s, given, sound_code())


def _links(before: str, planned: PlannedSound, rate_hz: int | None) -> list[Link]:
    """Return the work on a sound, each piece under the key of what it makes; the last makes it a master."""
    links = []
    for step in planned.steps:
        before = step_key(before, step)
        links.append(Link(before, partial(_one_step, step)))
    return [*links, Link(key_of("master", before, rate_hz), partial(_finished, rate_hz=rate_hz))]


def _one_step(step: PlannedStep, sound: Sound) -> Sound:
    return run_steps(sound, (step,))


class _ChangedError(Exception):
    """A source is no longer what its hash says."""


def _read(planned: PlannedSound, source: Path, sha256: str) -> Sound:
    sound = _known(read_sound(source, planned.start_s, planned.end_s), planned)
    if sha256_of(source) != sha256:
        raise _ChangedError
    return sound


def _known(sound: Sound, planned: PlannedSound) -> Sound:
    """Return a source with what the kit says is known of it."""
    given = planned.given
    if given is None:
        return sound
    if given.loop is not None and given.loop[1] > sound.frames:
        what = f"must end within the {sound.frames} frames of the source (got {list(given.loop)})"
        raise StepError(what, where="given.loop", hint="say it for the file as it is, end exclusive")
    known = sound.with_samples(sound.samples, root_hz=given.root_hz, loop=given.loop, whole=given.whole)
    return known.logged("given", given.model_dump(mode="json", exclude_none=True))


def _finished(sound: Sound, rate_hz: int | None) -> Sound:
    """Return a master as its file holds it: at the common rate, under the ceiling, on the steps of 24 bits.

    What a device stores is made from exactly what the file holds, so that the file is enough to make it again.

    Raises
    ------
    StepError : for one that its steps have silenced
    """
    if rate_hz is not None and rate_hz != sound.rate_hz:
        sound = resample(sound, rate_hz).logged("resample", {"rate_hz": rate_hz})
    peak_db = true_peak_db(sound)
    if sound.peak() < SILENT:
        what = "is silent after its steps: nothing louder than -90 dBFS is left"
        raise StepError(what, hint="look at its filter, trim and level settings")
    if peak_db > CEILING_DBTP + _SLACK_DB:
        lower_db = CEILING_DBTP - peak_db
        sound = sound.with_samples(sound.samples * db_to_gain(lower_db)).telling(
            f"lowered by {-lower_db:.1f} dB: its true peak was {peak_db:+.1f} dBTP, the ceiling is {CEILING_DBTP:g}",
            gain_db=round(lower_db, 2),
        )
        sound = sound.logged("ceiling", {"true_peak_db": CEILING_DBTP})
    return sound.at_24_bits()
