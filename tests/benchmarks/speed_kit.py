"""The kit that the speed benchmarks build: 8 stereo sounds with stacks, 12 copies, 3 risers; or as many as asked for.

    python tests/benchmarks/speed_kit.py FOLDER [SOUNDS]

writes FOLDER/kit.toml, FOLDER/bench.toml (a device) and the takes. Every take differs, so that no cache can serve two.
"""

import sys
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100
SECONDS = (8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0)
"""The demo's own spread: pads of 8 s down to plucks of 2 s; 37.5 s in all."""
NOTES = (50, 57, 62, 45, 53, 65, 69, 48)
KIT = """[kit]
name = "bench"
title = "Bench"
author = "nobody"
licence = "CC0-1.0"
device = "bench"
key = "D minor"
tempo = 90

[song]
beats_per_pattern = 4
[[song.section]]
name = "a"
chords = ["i", "VI", "iv", "v"]
"""
DEVICE = """name = "bench"
rate_hz = 24000
bits = 12
encoding = "signed"
channels = 1
slots = 4096
memory_s = 100000
transpose = [-3, 3]
voices = 8
slot_level = true
loading = "files"
file_name = "{slot:02d}_{name}.wav"
"""


def take(number: int, seconds: float, midi: int) -> np.ndarray:
    """Return a stereo tone of twelve partials that decays a little, with its own detuning, phases and noise."""
    random = np.random.default_rng(number)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    hz = 440.0 * 2 ** ((midi - 69 + random.uniform(-0.3, 0.3)) / 12)
    sides = []
    for _ in range(2):
        tone = sum(np.sin(2 * np.pi * n * hz * t + random.uniform(0, 6.28)) / n**1.2 for n in range(1, 13))
        sides.append(tone * np.exp(-0.5 * t / seconds) * np.minimum(1.0, t / 0.05))
    both = np.stack(sides, axis=1)
    return 0.3 * both / np.abs(both).max() + 1e-5 * random.standard_normal(both.shape)


def sound_entry(number: int, copies: str) -> str:
    return f"""
[[sound]]
name = "s{number}"
source = "s{number}.wav"
recipe = "stacked-pad"
plays = "chords"
copies = "{copies}"
rights = "own work"
"""


def riser_entry(number: int) -> str:
    return f"""
[[sound]]
name = "riser{number}"
from = "s{number}"
recipe = "riser"
riser.beats = 4
"""


def make(folder: Path, sounds: int = 8) -> Path:
    """Write the kit; of every eight sounds four are copied to three chords each (12 copies), three become risers."""
    folder.mkdir(parents=True, exist_ok=True)
    text = KIT
    for number in range(sounds):
        place = number % 8
        soundfile.write(folder / f"s{number}.wav", take(number, SECONDS[place], NOTES[place]), RATE_HZ, "PCM_24")
        text += sound_entry(number, "all" if place < 4 else "none") + (riser_entry(number) if place < 3 else "")
    (folder / "kit.toml").write_text(text)
    (folder / "bench.toml").write_text(DEVICE)
    return folder / "kit.toml"


if __name__ == "__main__":
    print(make(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 8))
