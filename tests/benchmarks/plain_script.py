"""The afternoon script: the same kit made the obvious way, with librosa, soundfile and pyloudnorm.

    python tests/benchmarks/plain_script.py KIT_FOLDER OUT

It makes the slots of `speed_kit.py` (8 sounds tuned and stacked, 12 copies, 3 risers) as a musician who programs a
little would: folded to mono at once, roots by pyin, pitches by librosa's pitch_shift, levels by pyloudnorm, 12 bits.
It writes no masters, no preview, no page and no manifest, fits nothing and proves nothing.
"""

import sys
import tomllib
from pathlib import Path

import librosa
import numpy as np
import pyloudnorm
import soundfile

RATE_HZ = 24_000
TONIC = 50  # D3
COPIES = (-5, -4, 5)  # what the song's other chords ask for
LUFS = -20.0
RISER_S = 4 * 60 / 90


def tuned(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    f0, _, _ = librosa.pyin(samples, fmin=50, fmax=1000, sr=rate_hz)
    midi = librosa.hz_to_midi(np.nanmedian(f0))
    goal = TONIC + 12 * round((midi - TONIC) / 12)
    return librosa.effects.pitch_shift(samples, sr=rate_hz, n_steps=goal - midi)


def stacked(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    fifth = librosa.effects.pitch_shift(samples, sr=rate_hz, n_steps=7)
    octave = librosa.effects.pitch_shift(samples, sr=rate_hz, n_steps=12)
    return samples + 10 ** (-8 / 20) * fifth + 10 ** (-10 / 20) * octave


def levelled(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    loudness = pyloudnorm.Meter(rate_hz).integrated_loudness(samples)
    moved = samples * 10 ** ((LUFS - loudness) / 20)
    return moved / max(1.0, np.abs(moved).max() / 0.89)


def riser(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    frames = int(RISER_S * rate_hz)
    tail = samples[-frames:][::-1]
    swell = tail * np.linspace(0, 1, len(tail)) ** 2
    return np.concatenate([np.zeros(frames - len(swell)), swell])


def written(path: Path, samples: np.ndarray, rate_hz: int) -> None:
    low = librosa.resample(samples, orig_sr=rate_hz, target_sr=RATE_HZ)
    low = low / max(np.abs(low).max(), 1e-9) * 0.89
    codes = np.round(low * 2047).astype(np.int16) * 16
    soundfile.write(path, codes, RATE_HZ, "PCM_16")


def main(folder: Path, out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)
    made: dict[str, tuple[np.ndarray, int]] = {}
    for entry in tomllib.loads((folder / "kit.toml").read_text())["sound"]:
        name = entry["name"]
        if "source" in entry:
            samples, rate_hz = librosa.load(folder / entry["source"], sr=None, mono=True)
            samples, _ = librosa.effects.trim(samples, top_db=60)
            samples = levelled(stacked(tuned(samples, rate_hz), rate_hz), rate_hz)
        else:
            parent, rate_hz = made[entry["from"]]
            samples = levelled(riser(parent, rate_hz), rate_hz)
        made[name] = samples, rate_hz
        written(out / f"{name}.wav", samples, rate_hz)
        if entry.get("copies") == "all":
            for semitones in COPIES:
                copy = librosa.effects.pitch_shift(samples, sr=rate_hz, n_steps=semitones)
                written(out / f"{name}_{semitones:+d}.wav", copy, rate_hz)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
