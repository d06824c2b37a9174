"""How loops go round: ours beside a plain zero-crossing loop, on recorded instruments and the demo's pads.

    python tests/benchmarks/loops.py [--each] [--only strings] [--seconds 8]

Recorded instruments are played with fluidsynth (LGPL; `apt-get install fluidsynth fluid-soundfont-gm`) from Frank Wen's
Fluid R3 sound font (MIT licence), held for 8 s in stereo, with that synth's own chorus and reverb. A loop passes where
nothing stands out at its seam by more than 0.5 dB over the 95th percentile elsewhere in it, where its second difference
there is no larger than elsewhere, where its 50 ms level ripples by no more than 2 dB over the source's along the same
stretch, and where its pitch lies within 3 cents of the source's. `mel dB` is a second opinion on the seam, which
nothing here was made to please: librosa's onset strength (ISC licence), the rise of 128 mel bands in dB.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from kitfold.measure.pitch import held_pitch_hz
from kitfold.measure.root import find_root
from kitfold.measure.seam import level_ripple_db, measure_seam, round_pitch_hz
from kitfold.plan.settings import Loop, Stack, Trim, Tune
from kitfold.sound import Sound
from kitfold.steps import step_named
from kitfold.units import cents_between, midi_to_hz

Real = NDArray[np.float64]

RATE_HZ = 44_100
FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
TAKES = Path(__file__).resolve().parents[2] / "input_demo" / "takes"
# General MIDI programs, from 0, and keys at which they sound natural. Ranks of 16 feet sound an octave lower.
FAMILIES = {
    "strings": ((40, 67), (41, 60), (42, 48), (44, 60), (48, 48), (48, 62), (49, 55), (50, 50), (51, 57)),
    "choir": ((52, 50), (52, 62), (53, 57), (54, 60)),
    "organ": ((16, 57), (17, 60), (18, 55), (19, 50), (19, 62), (20, 57), (21, 60), (22, 64)),
    "reeds": ((64, 67), (65, 62), (66, 55), (67, 48), (68, 67), (69, 60), (70, 48), (71, 58), (109, 60)),
    "pipes": ((73, 69), (74, 72), (75, 67), (79, 72)),
    "pads": ((88, 50), (89, 50), (89, 62), (90, 45), (91, 52), (92, 57), (93, 50), (94, 50), (95, 50), (95, 62)),
}
RANKS = {16: -24, 17: -12, 18: -12}
GAP_S, RELEASE_S = 3.0, 1.0


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--each", action="store_true", help="print every sound")
    parser.add_argument("--only", default="", help="one family")
    parser.add_argument("--seconds", type=float, default=8.0, help="how long notes are held")
    asked = parser.parse_args()
    rows: dict[str, list[dict[str, float]]] = {}
    for family, name, sound in sounds(asked.only, asked.seconds):
        for way in ("zero-crossing", "find", "freeze", "auto"):
            row = judged(sound, way)
            rows.setdefault(f"{family:8s} {way}", []).append(row)
            rows.setdefault(f"{'all':8s} {way}", []).append(row)
            if asked.each:
                print(
                    f"{family:8s} {name:14s} {way:13s} " + " ".join(f"{key} {value:6.2f}" for key, value in row.items())
                )
    print(f"{'':22s} pass seam bend ripple pitch   worst: seam dB  mel dB  ripple dB  cents   longest s  CPU s")
    for name, group in rows.items():
        print(f"{name:22s} " + summed(group))


def sounds(only: str, seconds: float) -> Iterator[tuple[str, str, Sound]]:
    """Yield family, name and sound, its root known."""
    if only in ("", "demo"):
        yield from demo()
    if FONT.exists():
        wanted = {family: notes for family, notes in FAMILIES.items() if only in ("", family)}
        yield from played(wanted, seconds)


def demo() -> Iterator[tuple[str, str, Sound]]:
    """Yield the demo's pads, tuned, then stacked too."""
    for take in ("reed-pad", "glasswort", "groundswell"):
        samples, rate_hz = soundfile.read(TAKES / f"{take}.flac")
        tuned = step_named("tune")(step_named("trim")(Sound(samples, rate_hz), Trim()), Tune(to=("D",)))
        yield "demo", take, tuned
        for temperament in ("equal", "just"):
            stack = Stack(gains_db=(0.0, -8.0, -10.0), temperament=temperament)
            yield "demo", f"{take}-{temperament}", step_named("stack")(tuned, stack)


def played(families: dict[str, tuple[tuple[int, int], ...]], seconds: float) -> Iterator[tuple[str, str, Sound]]:
    """Play all notes in one go, one after the other, and cut them apart."""
    notes = [(family, *note) for family, some in families.items() for note in some]
    if not notes:
        return
    whole = rendered([(program, key) for _, program, key in notes], seconds)
    each = round((seconds + GAP_S) * RATE_HZ)
    for place, (family, program, key) in enumerate(notes):
        part = whole[place * each : place * each + round((seconds + RELEASE_S) * RATE_HZ)]
        sound = Sound(part, RATE_HZ, root_hz=midi_to_hz(key + RANKS.get(program, 0)))
        yield family, f"{program}/{key}", step_named("trim")(sound, Trim())


def rendered(notes: list[tuple[int, int]], seconds: float) -> Real:
    """Let fluidsynth play a MIDI file (Standard MIDI File 1.0, format 0; 1000 ticks a second)."""
    events = b"\x00\xff\x51\x03\x0f\x42\x40"  # one quarter note a second
    for program, key in notes:
        events += b"\x00" + bytes([0xC0, program]) + b"\x00" + bytes([0x90, key, 96])
        events += delta(round(1000 * seconds)) + bytes([0x80, key, 0])
        events += delta(round(1000 * GAP_S)) + bytes([0xB0, 120, 0])
    events += b"\x00\xff\x2f\x00"
    head = b"MThd" + (6).to_bytes(4) + (0).to_bytes(2) + (1).to_bytes(2) + (1000).to_bytes(2)
    with tempfile.TemporaryDirectory() as folder:
        song, take = Path(folder, "notes.mid"), Path(folder, "notes.wav")
        song.write_bytes(head + b"MTrk" + len(events).to_bytes(4) + events)
        subprocess.run(
            ["fluidsynth", "-niq", "-g", "0.5", "-r", str(RATE_HZ), "-F", str(take), str(FONT), str(song)], check=True
        )
        samples, _ = soundfile.read(take)
    return np.asarray(samples)


def delta(ticks: int) -> bytes:
    """Write a number of ticks as MIDI files do, seven bits a byte."""
    parts = [ticks & 0x7F]
    while ticks := ticks >> 7:
        parts.append(0x80 | (ticks & 0x7F))
    return bytes(reversed(parts))


def judged(sound: Sound, way: str) -> dict[str, float]:
    """Loop a sound one way and measure it."""
    began = time.process_time()
    looped = plain(sound) if way == "zero-crossing" else step_named("loop")(sound, Loop(method=way))
    cpu_s = time.process_time() - began
    if looped.loop is None:
        return dict.fromkeys(("seam", "mel", "bend", "ripple", "cents", "lasts"), float("nan")) | {"cpu": cpu_s}
    seam = measure_seam(looped)
    span = sound.float64()[slice(*looped.loop)]
    return {
        "seam": seam.excess_db,
        "mel": mel_excess_db(looped),
        "bend": seam.bend / max(seam.bend_inside, 1e-12),
        "ripple": seam.ripple_db - level_ripple_db(span, sound.rate_hz),
        "cents": moved_cents(sound, looped),
        "lasts": looped.seconds,
        "cpu": cpu_s,
    }


def moved_cents(sound: Sound, looped: Sound) -> float:
    """Say by how much the loop's pitch differs from the source's; 0 for what has none."""
    root_hz = sound.root_hz or find_root(sound).hz
    before = held_pitch_hz(sound, root_hz) if root_hz else None
    after = round_pitch_hz(looped, root_hz) if root_hz else None
    return abs(cents_between(before, after)) if before and after else 0.0


def plain(sound: Sound) -> Sound:
    """Loop as by hand: from one rising zero crossing to another, about 1.5 s later, nothing crossfaded."""
    middle = sound.float64().mean(axis=1)
    rising = np.flatnonzero((middle[:-1] < 0) & (middle[1:] >= 0)) + 1
    start = int(rising[np.searchsorted(rising, min(1.5 * sound.rate_hz, 0.3 * sound.frames))])
    end = int(rising[np.searchsorted(rising, min(start + 1.5 * sound.rate_hz, 0.8 * sound.frames))])
    return sound.with_samples(sound.samples[:end], loop=(start, end))


def mel_excess_db(looped: Sound) -> float:
    """Judge the seam by librosa: the greatest rise within 150 ms against the 95th percentile of the greatest."""
    from librosa.onset import onset_strength

    start, end = looped.loop or (0, 0)
    hop, turn = 256, looped.float64()[start:end].mean(axis=1)
    frames = len(turn) // hop
    rises = onset_strength(y=np.tile(turn, 3)[len(turn) - frames // 2 * hop :], sr=looped.rate_hz, hop_length=hop)[
        :frames
    ]
    rises = np.roll(rises, -(frames // 2))  # the seam first
    near = round(0.15 * looped.rate_hz / hop)
    greatest = np.array([np.roll(rises, near - place)[: 2 * near + 1].max() for place in range(frames)])
    inside = greatest[2 * near + 1 : frames - 2 * near]
    return float(greatest[0] - np.percentile(inside, 95)) if len(inside) else float("nan")


def summed(group: list[dict[str, float]]) -> str:
    """Count what passes each goal, and give the worst of each."""
    table = {key: np.array([row[key] for row in group]) for key in group[0]}
    passes = [table["seam"] <= 0.5, table["bend"] <= 1.0, table["ripple"] <= 2.0, table["cents"] <= 3.0]
    counts = [int(np.sum(np.all(passes, axis=0))), *(int(np.sum(one)) for one in passes)]
    worst = [float(np.nanmax(table[key])) for key in ("seam", "mel", "ripple", "cents", "lasts", "cpu")]
    return (
        f"{counts[0]:2d}/{len(group):2d} {counts[1]:3d} {counts[2]:4d} {counts[3]:5d} {counts[4]:6d}   "
        f"{worst[0]:12.2f} {worst[1]:8.2f} {worst[2]:9.2f} {worst[3]:8.2f} {worst[4]:9.2f} {worst[5]:7.2f}"
    )


if __name__ == "__main__":
    main()
