"""Sounds and what a small sampler does to them, for judging the audible-error model against an outside referee.

Referee: zimtohrli (Apache-2.0), a general psychoacoustic measure, which shares no code with kitfold. It may stretch
time to align two sounds, and so sees nothing wrong where a steady tone just stops: the rest is matched with the part
that was kept. `in_step` therefore asks it about pieces of half a second, within which it may align as it likes. It too
compares levels by a kin of the Neurogram Similarity Index Measure, so what both overlook shows in no figure here.

Sounds: recorded notes of the open soundfont in pretty_midi (tests/outside/soundfont.py), the demo's takes after
trimming, and, where fluidsynth and a General MIDI soundfont are installed, notes rendered from that. All are mono at
48 kHz, peak at -1 dBFS: stored hot, as is common practice. The halves alternate within each source, so that both hold
pads, plucks and hits.
"""

from __future__ import annotations

import importlib.util
import itertools
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from kitfold.pack.quantise import Encoding, dequantise, quantise
from kitfold.plan.settings import Fold, Trim
from kitfold.sound import Sound
from kitfold.steps.fold import fold
from kitfold.steps.shift import keep_length
from kitfold.steps.trim import trim

Real = NDArray[np.float64]
RATE_HZ = 48_000
ROOT = Path(__file__).resolve().parents[2]
KINDS = ("cut", "rate", "depth", "repitch", "loop", "stretch", "mixed")

# General MIDI program (from 0; channel 10's note for drums), MIDI note, seconds held
RENDERED = {
    "gm-grand": (0, 50, 3.0),
    "gm-e-piano": (4, 62, 3.0),
    "gm-glockenspiel": (9, 84, 1.5),
    "gm-marimba": (12, 55, 1.0),
    "gm-dulcimer": (15, 57, 2.0),
    "gm-church-organ": (19, 45, 3.0),
    "gm-accordion": (21, 64, 2.5),
    "gm-steel-guitar": (25, 52, 2.5),
    "gm-clean-guitar": (27, 64, 2.0),
    "gm-fretless-bass": (35, 33, 2.0),
    "gm-synth-bass": (38, 36, 1.0),
    "gm-violin": (40, 74, 2.5),
    "gm-cello": (42, 43, 3.0),
    "gm-harp": (46, 67, 2.0),
    "gm-slow-strings": (49, 52, 4.0),
    "gm-voice": (53, 60, 3.0),
    "gm-brass": (61, 58, 2.0),
    "gm-oboe": (68, 69, 2.5),
    "gm-clarinet": (71, 55, 2.5),
    "gm-pan-flute": (75, 72, 2.0),
    "gm-square-lead": (80, 60, 1.5),
    "gm-warm-pad": (89, 48, 4.0),
    "gm-bowed-pad": (92, 55, 4.0),
    "gm-sweep-pad": (95, 50, 4.0),
    "gm-kalimba": (108, 65, 1.0),
    "gm-kick": (-1, 36, 0.6),
    "gm-snare": (-1, 38, 0.6),
    "gm-hat": (-1, 46, 0.8),
    "gm-crash": (-1, 49, 2.0),
    "gm-conga": (-1, 63, 0.6),
}


class Version(NamedTuple):
    """A changed sound: what was done, in words; which kind; the samples at `RATE_HZ`, as long as the original."""

    kind: str
    what: str
    samples: Real


def whole(original: Real, changed: Real) -> float:
    """Ask the referee about two sounds as they are: 0 is no difference."""
    from zimtohrli import Pyohrli

    return float(Pyohrli().distance(original, changed))


def in_step(original: Real, changed: Real, piece_s: float = 0.5) -> float:
    """Ask the referee about pieces of two sounds, and average: 0 is no difference.

    A full-scale tone of 40 ms goes before each piece of both, because the referee scales one spectrogram to the maximum
    of the other, which would make a silent piece loud. It is no part of what differs.
    """
    time_s = np.arange(int(0.04 * RATE_HZ)) / RATE_HZ
    tone = np.sin(2 * np.pi * 6600 * time_s) * np.minimum(1, np.minimum(time_s, time_s[::-1]) / 0.005)
    ends = np.linspace(0, len(original), max(1, int(len(original) / (piece_s * RATE_HZ))) + 1).astype(int)
    total = 0.0
    for start, end in itertools.pairwise(ends):
        one, other = original[start:end], changed[start:end]
        if not np.array_equal(one, other):
            total += whole(np.concatenate([tone, one]), np.concatenate([tone, other])) * (end - start)
    return total / len(original)


def of_all(original: Real, piece_s: float = 0.5) -> float:
    """Ask the referee how far a sound is from silence: a difference over this is a share of what is heard of the sound.

    Its own distances hang on how wide a sound is: silence instead of a low pad differs less than instead of a noise.
    """
    return in_step(original, np.zeros_like(original), piece_s)


def sounds(
    soundfont: Path | None = None, sources: tuple[str, ...] = ("recorded", "demo", "rendered")
) -> dict[str, Real]:
    """Return every sound by name, (frames,) each; even places are for training, odd ones for testing."""
    makers = {"recorded": _recorded, "demo": _demo, "rendered": lambda: _rendered(soundfont)}
    return {name: _hot(samples) for source in sources for name, samples in makers[source]()}


def halves(names: list[str]) -> tuple[list[str], list[str]]:
    """Split names into a training and a testing half, alternating."""
    return names[0::2], names[1::2]


def _hot(samples: Real) -> Real:
    return np.asarray(samples * (10 ** (-1 / 20) / np.abs(samples).max()))


def _recorded() -> Iterator[tuple[str, Real]]:
    spec = importlib.util.spec_from_file_location("soundfont", ROOT / "tests/outside/soundfont.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault("soundfont", module)
    spec.loader.exec_module(module)
    for name, take in module.TAKES.items():
        samples, _ = module.source(take, seconds=3.0)
        yield name, _trimmed(samples, module.RATE_HZ)


def _demo() -> Iterator[tuple[str, Real]]:
    for path in sorted((ROOT / "input_demo/takes").glob("*.flac")):
        samples, rate_hz = soundfile.read(path, always_2d=True)
        yield path.stem, _trimmed(samples, rate_hz)


def _trimmed(samples: Real, rate_hz: int, most_s: float = 5.0) -> Real:
    sound = trim(Sound(samples, rate_hz), Trim())
    sound = fold(sound, Fold(channels=1)) if sound.channels > 1 else sound
    mono = soxr.resample(sound.float64()[:, 0], rate_hz, RATE_HZ, quality="VHQ")[: int(most_s * RATE_HZ)]
    return faded(mono)


def faded(samples: Real, seconds: float = 0.1) -> Real:
    """Fade the end, in a tenth of a second or a quarter of the sound."""
    fade = min(len(samples) // 4, int(seconds * RATE_HZ))
    out = samples.copy()
    out[len(out) - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    return out


def _rendered(soundfont: Path | None) -> Iterator[tuple[str, Real]]:
    program = shutil.which("fluidsynth")
    if program is None or soundfont is None or not soundfont.is_file():
        return
    with tempfile.TemporaryDirectory() as folder:
        for name, (number, note, held_s) in RENDERED.items():
            midi, wav = Path(folder, "note.mid"), Path(folder, "note.wav")
            _write_midi(midi, number, note, held_s)
            options = ["-ni", "-q", "-R0", "-C0", "-g", "0.5", "-r", str(RATE_HZ), "-O", "float", "-F", str(wav)]
            subprocess.run([program, *options, str(soundfont), str(midi)], check=True, capture_output=True)
            samples, rate_hz = soundfile.read(wav, always_2d=True)
            yield name, _trimmed(samples, rate_hz)


def _write_midi(path: Path, number: int, note: int, held_s: float) -> None:
    import mido

    channel = 9 if number < 0 else 0
    ticks = int(held_s * 960)  # 480 to the beat at the default 120 beats a minute
    messages = [] if number < 0 else [mido.Message("program_change", program=number, channel=0)]
    messages += [
        mido.Message("note_on", note=note, velocity=96, channel=channel),
        mido.Message("note_off", note=note, channel=channel, time=ticks),
        mido.Message("note_on", note=0, velocity=0, channel=channel, time=960),
    ]
    mido.MidiFile(tracks=[mido.MidiTrack(messages)], ticks_per_beat=480).save(path)


def versions(samples: Real, seed: int = 1) -> list[Version]:
    """Return everything that is done to a sound: about 35 versions, of all kinds that suit it."""
    made = [Version("cut", f"{share:.0%} kept", cut_to(samples, share)) for share in (0.15, 0.3, 0.45, 0.6, 0.75, 0.9)]
    made += [Version("rate", f"{rate} Hz", band(samples, rate)) for rate in (6000, 8000, 11025, 16000, 22050, 32000)]
    for bits, encoding, dither, level_db in DEPTHS:
        what = f"{bits} bits {encoding}{' dithered' * dither} at {level_db} dB"
        made.append(Version("depth", what, depth(samples, bits, encoding, dither, level_db, seed)))
    for rate, bits in ((44100, 16), (32000, 8), (22050, 12), (22050, 8), (16000, 8), (12000, 12)):
        made.append(Version("repitch", f"octave up at {rate} Hz, {bits} bits", repitched(samples, rate, bits, seed)))
    if _sustains(samples):
        made += [Version("loop", f"loop of {s} s", looped(samples, s)) for s in (0.06, 0.2, 0.6)]
        made += [Version("loop", f"freeze of {s} s", frozen(samples, s, seed)) for s in (0.5, 1.0)]
    for semitones in (2, 7):
        made.append(Version("stretch", f"up {semitones} and back", stretched(samples, semitones)))
    made.append(Version("mixed", "60% kept, 16000 Hz, 8 bits", _mixed(samples, 0.6, 16000, 8, seed)))
    made.append(Version("mixed", "30% kept, 22050 Hz, 12 bits", _mixed(samples, 0.3, 22050, 12, seed)))
    return made


DEPTHS: tuple[tuple[int, Encoding, bool, float], ...] = (
    (8, "signed", True, 0.0),
    (8, "signed", False, 0.0),
    (8, "signed", True, -12.0),
    (8, "signed", False, -24.0),
    (12, "signed", True, 0.0),
    (12, "signed", False, -12.0),
    (8, "mu-law", False, 0.0),
    (8, "a-law", False, -12.0),
)


def cut_to(samples: Real, share: float) -> Real:
    """Keep so much of a sound, faded as a build fades it: 150 ms or a quarter of what is kept; silence after it."""
    kept = faded(samples[: int(share * len(samples))], 0.15)
    return np.pad(kept, (0, len(samples) - len(kept)))


def band(samples: Real, rate_hz: int) -> Real:
    """Store at a lower rate and play back."""
    low = soxr.resample(samples, RATE_HZ, rate_hz, quality="VHQ")
    return _fitting(soxr.resample(low, rate_hz, RATE_HZ, quality="VHQ"), len(samples))


def depth(samples: Real, bits: int, encoding: Encoding, dither: bool, level_db: float, seed: int = 1) -> Real:
    """Store in so many bits, so far under the hot level, and play back at the original level."""
    gain = 10 ** (level_db / 20)
    stored = dequantise(quantise(samples[:, None] * gain, bits, encoding, dither, seed), bits, encoding)
    return np.asarray(stored[:, 0] / gain)


def repitched(samples: Real, rate_hz: int, bits: int, seed: int = 1) -> Real:
    """Store an octave up at a device's rate, dithered, and play an octave down: half the rate, half the band."""
    low = soxr.resample(samples, RATE_HZ, rate_hz / 2, quality="VHQ")
    stored = depth(low, bits, "signed", bits < 16, 0.0, seed)
    return _fitting(soxr.resample(stored, rate_hz / 2, RATE_HZ, quality="VHQ"), len(samples))


def looped(samples: Real, seconds: float, until: float = 0.85) -> Real:
    """Repeat a stretch of the sustain, crossfaded at equal power, then go back to the original for its end."""
    start, frames = int(0.35 * len(samples)), int(seconds * RATE_HZ)
    fade = min(frames // 2, int(0.08 * RATE_HZ))
    piece = samples[start : start + frames].copy()
    angle = 0.5 * np.pi * np.arange(fade) / fade
    piece[-fade:] = piece[-fade:] * np.cos(angle) + samples[start - fade : start] * np.sin(angle)
    return _sustained(samples, piece, start, until)


def frozen(samples: Real, seconds: float, seed: int, until: float = 0.85) -> Real:
    """Replace the sustain by a circular noise with its spectrum: magnitudes kept, phases random."""
    start, frames = int(0.35 * len(samples)), int(seconds * RATE_HZ)
    spectrum = np.abs(np.fft.rfft(samples[start : start + frames] * np.hanning(frames)))
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, len(spectrum))
    piece = np.fft.irfft(spectrum * np.exp(1j * phases), frames)
    piece *= np.sqrt(np.mean(samples[start : start + frames] ** 2) / np.mean(piece**2))
    return _sustained(samples, piece, start, until)


def _sustained(samples: Real, piece: Real, start: int, until: float) -> Real:
    end, fade = int(until * len(samples)), int(0.05 * RATE_HZ)
    sustain = np.tile(piece, 2 + len(samples) // len(piece))[: len(samples) - start]
    held = np.concatenate([samples[:start], sustain])
    weight = np.interp(np.arange(len(samples)), [start, start + fade, end - fade, end], [0, 1, 1, 0])
    return np.asarray(samples * np.cos(0.5 * np.pi * weight) + held * np.sin(0.5 * np.pi * weight))


def _sustains(samples: Real) -> bool:
    spans = ((0.3, 0.5), (0.65, 0.85))
    middle, late = (np.mean(samples[int(a * len(samples)) : int(b * len(samples))] ** 2) for a, b in spans)
    return len(samples) > 1.4 * RATE_HZ and bool(late > 0.15 * middle)


def stretched(samples: Real, semitones: int) -> Real:
    """Move up and back down, keeping the length: twice what a copy suffers."""
    up = keep_length(Sound(samples, RATE_HZ), 2 ** (semitones / 12))
    return _fitting(keep_length(up, 2 ** (-semitones / 12)).float64()[:, 0], len(samples))


def _mixed(samples: Real, share: float, rate_hz: int, bits: int, seed: int) -> Real:
    return cut_to(repitched(samples, 2 * rate_hz, bits, seed), share)


def _fitting(samples: Real, frames: int) -> Real:
    return np.pad(samples[:frames], (0, max(0, frames - len(samples))))
