"""Checks of sounds against each other: balance, tuning of what is held together, places in brightness."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import combinations, product
from math import isfinite, log2
from statistics import median

from kitfold.measure import erb
from kitfold.pack.check_sound import BAND_LIMIT_ERB, TUNING_LIMIT_CENTS
from kitfold.pack.claim import Result, Row, claim, worst_of
from kitfold.pack.manifest import Check
from kitfold.pack.played import Note, PlayedKit
from kitfold.units import cents_to_ratio, semitones_to_ratio

__all__ = ["balance", "beats", "brightness", "coinciding_hz", "tuning_between"]

BALANCE_LIMIT_LU = 0.2
BEAT_LIMIT_HZ = 1.0
"""Slower than one a second beating is heard as a swell, faster as roughening; the ear minds 4 a second most (common
practice; Fastl and Zwicker, "Psychoacoustics", 2007, chapter 10, from memory)."""
_COINCIDE_CENTS = 20.0  # the equal-tempered thirds lie 13.7 and 15.6 cents from just, the other consonances nearer
_PARTIALS = 8
_MOST_NAMED = 32
"""Of more sounds a sentence lists only those that it is about."""


@dataclass(frozen=True)
class _Held:
    """A note that is held, of a slot whose pitch was measured."""

    label: str
    hz: float
    error_cents: float


def balance(kit: PlayedKit) -> Check:
    """Compare the loudness that slots are played at with the loudness that the recipes set, up to one common gain."""
    packed = kit.packed
    played = {
        one.label: one.slot.lufs + one.slot.gain.play_db - packed.wanted_lufs[one.slot.part.name]
        for one in kit.slots
        if isfinite(one.slot.lufs)
    }
    middle = (max(played.values()) + min(played.values())) / 2 if played else 0.0
    off = {label: abs(level - middle) for label, level in played.items()}
    worst = max(off, key=lambda label: off[label], default="")
    figure = off.get(worst, 0.0)
    advice = f"{worst} changed most in the device's bits and rate; set its level by ear"
    result: Result = "pass" if figure <= BALANCE_LIMIT_LU else "warn"
    about = [worst] if figure > BALANCE_LIMIT_LU else []
    return claim("balance", result, figure, BALANCE_LIMIT_LU, "LU", about, advice)


def tuning_between(kit: PlayedKit) -> list[Check]:
    """Compare the errors of sounds that are held together: two that err alike are in tune with each other.

    The limit is that of one sound: what cannot be told in a steady tone.
    """
    apart: dict[tuple[str, str], float] = {}
    for one, other in _held_together(kit):
        apart[one.label, other.label] = abs(one.error_cents - other.error_cents)
    advice = "they lie {:.1f} cents apart: give both a step `tune`, or set tune.heard of the one that is off by ear"
    rows = [Row(cents, pair, partial(advice.format, cents)) for pair, cents in apart.items()]
    return worst_of("tuning between", rows, TUNING_LIMIT_CENTS, "cents")


def beats(kit: PlayedKit) -> list[Check]:
    """Say how fast sounds that are held together beat where their lowest common partials should meet.

    What equal temperament itself makes beat (a fifth on D3 at 0.5 Hz) is in every instrument and is not counted.
    """
    fastest: dict[tuple[str, str], tuple[float, float]] = {}
    for one, other in _held_together(kit):
        hz = coinciding_hz(one.hz, other.hz)
        if hz is not None:
            pair = (one.label, other.label)
            rate_hz = hz * abs(cents_to_ratio(one.error_cents - other.error_cents) - 1.0)
            fastest[pair] = max(fastest.get(pair, (0.0, hz)), (rate_hz, hz))
    advice = "they beat {:.1f} times a second at {:.0f} Hz: tune the one that is off by ear (tune.heard)"
    rows = [Row(rate, pair, partial(advice.format, rate, hz)) for pair, (rate, hz) in fastest.items()]
    return worst_of("beats", rows, BEAT_LIMIT_HZ, "Hz")


@lru_cache(maxsize=1 << 14)
def coinciding_hz(one_hz: float, other_hz: float) -> float | None:
    """Return where the lowest partials that two notes share lie.

    Parameters
    ----------
    one_hz, other_hz : float, Hz, the notes' fundamentals

    Returns
    -------
    float, Hz, of `one_hz`'s partial: the lowest of the first eight within 20 cents of one of the other's first eight
    (D3 and A3: the third of D3, 440.5 Hz); None where none are so near
    """
    if min(one_hz, other_hz) <= 0.0:
        return None
    for number in range(1, _PARTIALS + 1):
        nearest = min(max(1, round(number * one_hz / other_hz)), _PARTIALS)
        if abs(1200.0 * log2(number * one_hz / (nearest * other_hz))) <= _COINCIDE_CENTS:
            return number * one_hz
    return None


def brightness(kit: PlayedKit) -> list[Check]:
    """Rank the sounds from dull to bright; warn where two that are held together have the same place.

    The limit is one auditory filter; a check that passes names all sounds in their order.
    """
    order = sorted(kit.first, key=lambda name: kit.first[name].centroid_hz)
    rows: dict[tuple[str, str], Row] = {}
    for section in kit.plan.song.sections:
        places = {name: _place_erb(kit.notes(section, name)) for name in kit.sounding(section) if kit.holds(name)}
        advice = _as_bright(section.name, order, set(places))
        for pair in combinations([name for name in order if places.get(name) is not None], 2):
            apart = abs((places[pair[0]] or 0.0) - (places[pair[1]] or 0.0))
            if pair not in rows or apart < rows[pair].figure:
                rows[pair] = Row(apart, pair, advice)
    checks = worst_of("brightness", list(rows.values()), BAND_LIMIT_ERB, "ERB", at_least=True)
    if checks and checks[0].result == "pass":
        return [checks[0].model_copy(update={"about": order})]
    return checks


def _as_bright(section: str, order: Sequence[str], there: Container[str]) -> str:
    """Say that two sounds are as bright, and where the others lie."""
    who, listed = "the kit is", order
    if len(order) > _MOST_NAMED:
        who, listed = "what is held there is", [name for name in order if name in there][:_MOST_NAMED]
    return (
        f"both are as bright in {section}: filter one, or shift it an octave there; from dull to bright {who} "
        f"{', '.join(listed)}"
    )


def _place_erb(chords: list[list[Note]]) -> float | None:
    """Return where the middle of a sound's power lies in a section, in auditory filters; None where it rests."""
    settings = [note.setting for notes in chords for note in notes]
    if not settings:
        return None
    first = next(notes[0] for notes in chords if notes)
    return float(erb.erb_number(first.played.stored_centroid_hz * semitones_to_ratio(median(settings))))


def _held_together(kit: PlayedKit) -> Iterator[tuple[_Held, _Held]]:
    """Give every two notes of different sounds that are held at once and whose pitch was measured."""
    for section in kit.plan.song.sections:
        held = [_held(kit.notes(section, name)) for name in kit.sounding(section) if kit.holds(name)]
        for one, other in combinations(held, 2):
            for pair in zip(one, other, strict=True):
                yield from product(*pair)


def _held(chords: list[list[Note]]) -> list[list[_Held]]:
    return [
        [
            _Held(note.played.label, hz, cents)
            for note in notes
            if (hz := note.pitch_hz) is not None and (cents := note.played.slot.error_cents) is not None
        ]
        for notes in chords
    ]
