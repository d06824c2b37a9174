"""Every sound of a kit after its steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from kitfold.errors import KitfoldError, Mistake, StepError
from kitfold.files import read_sound, sha256_of
from kitfold.measure.level import true_peak_db
from kitfold.plan.plan import Plan, PlannedSound
from kitfold.plan.toml import shown_path
from kitfold.render.jobs import in_order
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
    """

    planned: PlannedSound
    sound: Sound
    source_text: str
    source_sha256: str
    rights: str


def render_masters(plan: Plan, jobs: int, tell: Callable[[str], None]) -> dict[str, Master]:
    """Read and process every sound; the result does not depend on the number of jobs.

    Parameters
    ----------
    plan : Plan
    jobs : int, threads
    tell : called with a sound's name when it is done

    Returns
    -------
    dict of Master, by name, in the kit's order

    Raises
    ------
    KitfoldError : with every sound that failed
    """
    failures: list[tuple[int, KitfoldError]] = []

    def work(name: str, parent: Master | None) -> Master:
        master = _rendered(plan, plan.sound(name), parent)
        tell(name)
        return master

    def failed(name: str, error: Exception) -> None:
        if not isinstance(error, KitfoldError):
            raise error
        sound = plan.sound(name)
        failures.append((sound.place, error.about(f"{shown_path(plan.path)}: sound[{sound.place}] ({name})")))

    order = plan.in_order_of_work()
    needs = {sound.name: sound.from_sound for sound in order}
    masters = in_order([sound.name for sound in order], needs, work, jobs, failed)
    if failures:
        raise _all(failures)
    return {sound.name: masters[sound.name] for sound in plan.sounds}


def _all(failures: list[tuple[int, KitfoldError]]) -> KitfoldError:
    """Join what failed, in the kit's order whatever thread came first."""
    failures.sort(key=lambda failure: failure[0])
    mistakes: list[Mistake] = [mistake for _, error in failures for mistake in error.mistakes]
    return type(failures[0][1])(mistakes)


def _rendered(plan: Plan, planned: PlannedSound, parent: Master | None) -> Master:
    if parent is not None:
        sound = _finished(run_steps(parent.sound, planned.steps), plan.publish.rate_hz)
        return Master(planned, sound, parent.source_text, parent.source_sha256, planned.rights or parent.rights)
    assert planned.source is not None  # noqa: S101  (the plan made sure of it)
    sound = _known(read_sound(planned.source, planned.start_s, planned.end_s), planned)
    sound = _finished(run_steps(sound, planned.steps), plan.publish.rate_hz)
    return Master(planned, sound, planned.source_text, sha256_of(planned.source), planned.rights)


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
