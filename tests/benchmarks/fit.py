"""How fast a kit is fitted, and how much better than shortening everything by one factor.

    python tests/benchmarks/fit.py [--no-referee] [--only speed|gain]

Speed: 64 sounds, their options, choosing among 40 each, and a whole fit with two rates, octaves and copies.

Gain: the demo kit and two kits of recorded notes (tests/outside/soundfont.py; what no chord holds is never moved, or is
moved to each chord), for every device that ships, at 100, 60 and 35 % of the memory that the untouched kit needs: every
sound and required copy whole, at the highest rate. The baseline shortens all of them by one factor, the largest that
fits, never under a hold, never what may not be cut: our own kindness, since one factor for everything cuts into both,
and `one factor breaks` says how many parts that would ruin. Where even the kind baseline leaves too much it breaks them
too, and the table says so: such a kit is none.
Both are rendered by the same conversion and priced by the same model, counted from the plain conversion; `whole`: the
baseline is the untouched kit, and nothing can be better. `more`: by how many dB more a kit gains that may be stored up
by other intervals than the octave too, `[fit] repitch_semitones = [3, 5, 7, 9, 12]`. Referee: the mean of zimtohrli's
distances over all parts, each from the sound before conversion and over that of silence, asked in pieces of half a
second (see referee_sounds.py); it does not hear what playing far from a root costs, where an optional copy is left out.
All of it takes a few minutes.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil
from pathlib import Path

import numpy as np
import soundfile
import soxr

from kitfold.errors import FitError
from kitfold.pack.asks import Ask
from kitfold.pack.balance import balance
from kitfold.pack.choose import choose
from kitfold.pack.fit import fit
from kitfold.pack.holds import Reach
from kitfold.pack.memory import Memory, memory_of
from kitfold.pack.options import choices_of
from kitfold.pack.problem import Candidate, Part, Problem, Variant
from kitfold.pack.quantise import dequantise
from kitfold.pack.ready import Ready, made_ready, whole_levels
from kitfold.pack.slot import made_part, played_back, stored_slot
from kitfold.pack.ways import OCTAVE
from kitfold.plan.device import Device
from kitfold.plan.load import load_plan
from kitfold.plan.plan import Plan
from kitfold.render.masters import Master, render_masters
from kitfold.sound import Sound
from kitfold.units import semitones_to_ratio

ROOT = Path(__file__).resolve().parents[2]
DEVICES = ("mono8-22s", "mulaw8-13s", "mono12-41s", "stereo16-18mb")
SHARES = (1.0, 0.6, 0.35)
ALL = frozenset({"shorten", "loop", "repitch", "drop-copy", "lower-rate"})
INTERVALS = (3, 5, 7, 9, 12)
HELD = ("strings", "choir", "synth-pad", "reed-organ", "sax")
RATE_HZ = 48_000


@dataclass(frozen=True)
class Prepared:
    """A kit ready for one device: its problem with memory without end, and what renders its parts."""

    plan: Plan
    device: Device
    problem: Problem
    ready: Mapping[str, Ready]


def prepared(plan: Plan, device: Device, masters: Mapping[str, Master]) -> Prepared:
    """Do what `pack_kit` does before it fits."""
    reach = Reach(*device.transpose, plan.fit.natural_range_semitones)
    whole = {name: whole_levels(plan, device, master) for name, master in masters.items()}
    gains = dict(zip(whole, balance([one.levels for one in whole.values()], device.slot_level), strict=True))
    ready = {name: made_ready(plan, device, masters[name], reach, whole[name], gains[name]) for name in masters}
    memory = replace(memory_of(device), limit=10**12, slots=10**6)
    candidates = tuple(one.candidate for one in ready.values())
    tempo = plan.song.tempo_slowest
    problem = Problem(candidates, memory, device.top_rate_hz, reach, tempo, frozenset(plan.fit.allow), device.name)
    return Prepared(plan, device, problem, ready)


def storing_up_by(intervals: Sequence[int], problem: Problem) -> Problem:
    """Return a problem without the ways of storing that go up by any other interval."""
    kept = {0, *intervals}

    def of(variants: Sequence[Variant]) -> tuple[Variant, ...]:
        return tuple(one for one in variants if one.up_semitones in kept)

    candidates = tuple(
        replace(one, variants=of(one.variants), loops={root: of(ways) for root, ways in one.loops.items()})
        for one in problem.candidates
    )
    return replace(problem, candidates=candidates)


def untouched(problem: Problem) -> tuple[list[Part], float]:
    """Return every sound and required copy whole, at the highest rate; and what playing without others costs."""
    rules = replace(problem, allow=frozenset({"shorten", "drop-copy"}))
    parts: list[Part] = []
    missing = 0.0
    for one in problem.candidates:
        choices = choices_of(replace(one, variants=one.variants[:1], loops={}), rules)
        fewest = min(option.slots for option in choices.options)
        place = max(n for n, option in enumerate(choices.options) if option.slots == fewest)
        parts += [replace(part, frames=part.variant.frames) for part in choices.parts(place)]
        missing += one.spare * sum(share for _, share in choices.dropped(place))
    return parts, missing


def shortened(parts: Sequence[Part], memory: Memory, whole: Mapping[str, bool]) -> tuple[list[Part], bool]:
    """Shorten everything by one factor, the largest that fits; say whether it keeps the holds.

    Where even the shortest that the holds allow are too much, everything is shortened all the same.
    """

    def by(factor: float, kept: bool) -> list[Part]:
        frames = [int(part.variant.frames * factor) for part in parts]
        if kept:
            least = [part.variant.frames if whole[part.name] else part.least_frames for part in parts]
            frames = [max(own, need) for own, need in zip(frames, least, strict=True)]
        return [replace(part, frames=own) for part, own in zip(parts, frames, strict=True)]

    def fits(factor: float, kept: bool) -> bool:
        return sum(memory.cost(part.frames) for part in by(factor, kept)) <= memory.limit

    kept = fits(0.0, True)
    if fits(1.0, kept):
        return by(1.0, kept), kept
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle, kept) else (low, middle)
    return by(low, kept), kept


def ruined(parts: Sequence[Part], memory: Memory, whole: Mapping[str, bool]) -> int:
    """Count the parts that one factor for everything would cut under a hold, or that may not be cut."""
    factor = min(1.0, memory.limit / sum(memory.cost(part.frames) for part in parts))
    return sum(
        int(part.variant.frames * factor) < (part.variant.frames if whole[part.name] else part.least_frames)
        for part in parts
        if whole[part.name] or any(one.ask.needs_s > 0 for one in part.serves)
    )


def cost_of(parts: Sequence[Part], kit: Prepared) -> float:
    spare = {one.name: one.spare for one in kit.problem.candidates}
    return sum(spare[part.name] * part.share for part in parts)


def db(share: float) -> float:
    return 10 * float(np.log10(max(share, 1e-12)))


def heard_at_48k(sound: Sound) -> np.ndarray:
    samples = sound.float64().mean(axis=1)
    return samples if sound.rate_hz == RATE_HZ else soxr.resample(samples, sound.rate_hz, RATE_HZ, quality="VHQ")


def distance(parts: Sequence[Part], kit: Prepared) -> float:
    """Return the referee's mean distance, over that of silence, of what the device plays from what was converted."""
    from referee_sounds import in_step, of_all

    made = [made_part(part, kit.ready[part.name]) for part in parts]
    gains = balance([levels for _, levels in made], kit.device.slot_level)
    total = 0.0
    for number, (part, (sound, _), gain) in enumerate(zip(parts, made, gains, strict=True), start=1):
        ready = kit.ready[part.name]
        slot = stored_slot(number, part, ready, sound, gain, kit.device, kit.plan)
        original = ready.whole.copy(part.root)
        stored = slot.stored
        device = sound.with_samples(dequantise(stored.codes, stored.bits, stored.encoding))
        speed = semitones_to_ratio(part.variant.up_semitones)
        whole = device.sustained(ceil(original.frames * device.rate_hz / original.rate_hz / speed))
        heard, wanted = heard_at_48k(played_back(whole, part)), heard_at_48k(original)
        heard = np.pad(heard, (0, max(0, len(wanted) - len(heard))))[: len(wanted)] / 10 ** (gain.store_db / 20)
        loud = 0.9 / max(np.abs(wanted).max(), 1e-9)
        total += in_step(wanted * loud, heard * loud) / of_all(wanted * loud)
    return total / len(parts)


def rows(name: str, kit: Prepared, referee: bool) -> None:
    """Print a kit's three rows for one device."""
    plain, missing = untouched(kit.problem)
    whole = {one.name: one.whole for one in kit.problem.candidates}
    needed = sum(kit.problem.memory.cost(part.frames) for part in plain)
    for share in SHARES:
        memory = replace(kit.problem.memory, limit=int(needed * share), slots=max(kit.device.slots, len(plain)))
        label = f"{name:15} {kit.device.name:14} {100 * share:4.0f} %"
        even, kept = shortened(plain, memory, whole)
        try:
            fitted = fit(replace(storing_up_by((OCTAVE,), kit.problem), memory=memory))
        except FitError:
            print(f"{label}  refused: its holds need more")
            continue
        used = sum(memory.cost(part.frames) for part in fitted.stored)
        assert used <= memory.limit
        ways = "".join(
            f" {sum(what(part) for part in fitted.stored)} {said}"
            for said, what in (
                ("looped", lambda part: part.variant.loop),
                ("octave up", lambda part: part.variant.up_semitones > 0),
                ("lower rate", lambda part: part.variant.rate_hz < kit.problem.rate_hz),
            )
            if any(what(part) for part in fitted.stored)
        )
        ours = db(fitted.cost)
        more = ours - db(fit(replace(kit.problem, memory=memory)).cost)
        even_cost = cost_of(even, kit) + missing
        theirs = db(even_cost)
        judged = ""
        if referee:
            mine, other = distance(fitted.stored, kit), distance(even, kit)
            judged = f"{mine:9.5f} {other:9.5f} {'agrees' if mine <= other else 'NOT':>7}"
        broken = "" if kept else "; even breaks holds: no kit"
        if spoilt := ruined(plain, memory, whole):
            broken = f"; one factor breaks {spoilt}{broken}"
        verdict = "yes" if theirs - ours >= 3.0 else "whole" if theirs <= -120.0 else "no"
        print(
            f"{label} {ours:8.2f} {theirs:8.2f} {theirs - ours:7.2f} {verdict:>5} {more:6.2f} {judged}{ways}{broken}",
            flush=True,
        )


def recorded_kit(folder: Path, others: str) -> Path:
    """Write a kit of recorded notes: five are held under chords, the others play as `others` says."""
    sys.path.insert(0, str(ROOT / "tests" / "outside"))
    from soundfont import RATE_HZ as TAKE_HZ
    from soundfont import TAKES, source

    lines = ["[kit]", 'name = "recorded"', f'device = "{DEVICES[0]}"', 'key = "D minor"', "tempo = 90", ""]
    lines += [
        "[song]",
        "beats_per_pattern = 2",
        "[[song.section]]",
        'name = "a"',
        'chords = ["i", "v", "VI", "iv"]',
        "",
    ]
    for name, take in TAKES.items():
        samples, _ = source(take)
        soundfile.write(folder / f"{name}.wav", samples, TAKE_HZ, subtype="FLOAT")
        plays = '"chords"' if name in HELD else others
        steps = '[{step = "trim"}, {step = "tune", to = "nearest"}, {step = "level", lufs = -20}]'
        lines += ["[[sound]]", f'name = "{name}"', f'source = "{name}.wav"', f"plays = {plays}", f"steps = {steps}", ""]
    path = folder / f"kit-{len(others)}.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def gains(referee: bool) -> None:
    """Print the table."""
    print(f"\n{'kit':15} {'device':14} memory  ours dB  even dB  better   3dB   more   referee, ours and even")
    with tempfile.TemporaryDirectory() as folder:
        kits = {
            "demo": ROOT / "input_demo" / "kit.toml",
            "recorded, fixed": recorded_kit(Path(folder), '"fixed"'),
            "recorded, moved": recorded_kit(Path(folder), "[0]"),
        }
        for name, path in kits.items():
            masters = None
            for device in DEVICES:
                plan = load_plan(path, [device])
                plan = replace(plan, fit=plan.fit.model_copy(update={"repitch_semitones": INTERVALS}))
                masters = masters or render_masters(plan, 1, lambda _: None)
                rows(name, prepared(plan, plan.devices[0], masters), referee)


# Speed.


def likely_kit(count: int = 64, seed: int = 1) -> tuple[Candidate, ...]:
    """Make sounds of 0.5 to 8 s whose costs fall with length as decaying tails' do; every fourth with two copies."""
    random = np.random.default_rng(seed)
    sounds = []
    for n in range(count):
        seconds, steep, store = random.uniform(0.5, 8), random.uniform(2, 9), 10 ** random.uniform(-5, -2)
        losses = (1.0, *random.uniform(1, 30, 2), random.uniform(30, 100))
        places = ((29_000, 0), (14_500, 0), (29_000, 12), (14_500, 12))
        variants = tuple(
            _variant(random, seconds, rate_hz, up, store * loss, steep)
            for (rate_hz, up), loss in zip(places, losses, strict=True)
        )
        asks = tuple(Ask("s", "i", move, seconds / 8) for move in (0, 7, -7)) if n % 4 == 0 else ()
        optional = (7, -7) if asks else ()
        spare = float(random.choice([0.5, 1.0, 2.0]))
        sounds.append(
            Candidate(
                f"s{n}", variants, seconds, 0.15, asks, (), optional, "auto", False, spare, strain={7: 0.01, -7: 0.02}
            )
        )
    return tuple(sounds)


def _variant(random: np.random.Generator, seconds: float, rate_hz: int, up: int, store: float, steep: float) -> Variant:
    ratio = semitones_to_ratio(up)
    frames, block = int(seconds * rate_hz / ratio), int(0.02 * rate_hz / ratio)
    kept = np.arange(ceil(frames / block) + 1) / ceil(frames / block)
    tail = (np.exp(-steep * kept) - np.exp(-steep)) / (1 - np.exp(-steep))
    uneven = 1 - np.abs(random.normal(0, 0.1, len(kept))) * kept
    return Variant(rate_hz, up, False, frames, block, np.minimum.accumulate(store + (1 - store) * tail * uneven))


def speed() -> None:
    """Print the times; of five runs the fastest counts, since other work on the machine only ever adds."""
    kit = likely_kit()
    whole = sum(one.variants[0].frames * (1 + len(one.optional)) for one in kit)
    print(f"{len(kit)} sounds; memory as a share of all sounds and copies whole, at the highest rate")
    print(f"{'memory':>7} {'slots':>6} {'40 options s':>13} {'all options s':>14} {'options':>8} {'whole fit s':>12}")
    for slots in (128, 80, 64):
        for share in SHARES:
            memory = Memory("frames", int(whole * share), 1, 1, 0, None, slots)
            problem = Problem(kit, memory, 29_000, Reach(-24, 12, 5), 120.0, ALL, "likely")
            options = [choices_of(one, problem).options for one in kit]
            forty = [[own[n] for n in np.unique(np.linspace(0, len(own) - 1, 40).astype(int))] for own in options]
            few = _fastest(partial(choose, forty, memory.limit, memory.slots))
            many = _fastest(partial(choose, options, memory.limit, memory.slots))
            count, spent = sum(map(len, options)), _fastest(partial(fit, problem))
            print(f"{100 * share:5.0f} % {slots:6} {few:13.3f} {many:14.3f} {count:8} {spent:12.3f}", flush=True)


def _fastest(work: partial) -> float:
    spent = []
    for _ in range(5):
        started = time.perf_counter()
        work()
        spent.append(time.perf_counter() - started)
    return min(spent)


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--no-referee", action="store_true")
    parser.add_argument("--only", choices=("speed", "gain"))
    options = parser.parse_args()
    if options.only != "gain":
        speed()
    if options.only != "speed":
        gains(not options.no_referee)


if __name__ == "__main__":
    main()
