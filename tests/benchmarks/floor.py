"""The floor: only the library calls that the outputs of `speed_kit.py` cannot be had without.

    python tests/benchmarks/floor.py KIT_FOLDER BUILD OUT

Decode every take; two stereo stretches a stack at high quality and one in mono for each copy; resample every slot; each
varispeed of the preview once for the masters and once for the device; encode slots, masters, preview, and the page's
MP3s. Lengths and counts are read from the manifest of a finished build, so that both do the same amount of work. No
measuring, no fitting, no page, no start-up of kitfold; numpy, soxr, pedalboard and soundfile load, as they must.
"""

import io
import json
import sys
from pathlib import Path

import numpy as np
import soundfile
import soxr
from pedalboard import time_stretch
from pedalboard.io import AudioFile

LISTEN_HZ = 48_000


def stretched(samples: np.ndarray, rate_hz: int, semitones: float) -> np.ndarray:
    """Change the length only and resample, which costs less than leaving both to the stretcher (`stretches.py`)."""
    ratio = 2 ** (semitones / 12)
    how = {"high_quality": True, "preserve_formants": False}
    longer = time_stretch(np.ascontiguousarray(samples.T), rate_hz, 1 / ratio, 0.0, **how).T
    moved = soxr.resample(np.ascontiguousarray(longer), ratio, 1.0, quality="VHQ")[: len(samples)]
    return np.pad(moved, ((0, len(samples) - len(moved)), (0, 0)))


def main(folder: Path, build: Path, out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)
    slots = json.loads((build / "manifest.json").read_text())["slots"]
    masters: dict[str, tuple[np.ndarray, int]] = {}
    for slot in slots:
        name = slot["sound"]
        if name not in masters:
            masters[name] = master(slot, folder, masters)
            soundfile.write(out / f"{name}-master.wav", *masters[name], "PCM_24")
            mp3(*masters[name])
        samples, rate_hz = masters[name]
        mono = samples.mean(axis=1, keepdims=True)
        moved = stretched(mono, rate_hz, slot["copy"]) if slot["copy"] else mono
        low = soxr.resample(moved, rate_hz, slot["rate_hz"], quality="VHQ")
        soundfile.write(out / f"{slot['slot']}.wav", low, slot["rate_hz"], "PCM_16")
        for hold in slot["holds"]:
            ratio = 2 ** (hold["setting"] / 12)
            soxr.resample(samples, rate_hz * ratio, LISTEN_HZ, quality="VHQ")
            soxr.resample(low, slot["rate_hz"] * ratio, LISTEN_HZ, quality="VHQ")
    for kind in ("master", "device"):
        song, rate_hz = soundfile.read(build / "listen" / f"song-{kind}.wav", dtype="float32", always_2d=True)
        soundfile.write(out / f"song-{kind}.wav", song, rate_hz, "PCM_24")
        mp3(song, rate_hz)


def master(slot: dict, folder: Path, masters: dict[str, tuple[np.ndarray, int]]) -> tuple[np.ndarray, int]:
    parent = slot["made"]["from"]
    if parent:
        samples, rate_hz = masters[parent]
        return np.ascontiguousarray(samples[: int(slot["seconds"] * rate_hz)][::-1]), rate_hz
    samples, rate_hz = soundfile.read(folder / slot["made"]["source"], dtype="float32", always_2d=True)
    tuned = soxr.resample(samples, 1.01, 1.0, quality="VHQ")
    return tuned + stretched(tuned, rate_hz, 7) + stretched(tuned, rate_hz, 12), rate_hz


def mp3(samples: np.ndarray, rate_hz: int) -> None:
    with AudioFile(io.BytesIO(), "w", rate_hz, samples.shape[1], format="mp3", quality="V5") as file:
        file.write(np.ascontiguousarray(samples.T, dtype=np.float32))


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:4]))
