"""The chords of a preview, heard by librosa's chroma (CENS: Müller and Ewert, "Chroma Toolbox", ISMIR 2011).

A chord's root is taken as the pitch class that is strongest together with half the fifth above it, since the pads are
stacked with fifths; over the chord's patterns the median counts, so that what is held does and what is plucked doesn't.
Which chord belongs on which beats is written down by hand.
"""

import io
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from kitfold.pack.kit import pack_kit
from kitfold.pack.listen import listen_files
from kitfold.plan.load import load_plan
from kitfold.render.masters import render_masters

DEMO = Path(__file__).parents[2] / "input_demo" / "kit.toml"
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
# first beat, last beat, root: input_demo/kit.toml, four beats a pattern, i, v and VI in D minor
DEMO_CHORDS = (
    (0, 8, "D"), (8, 12, "A"), (12, 16, "A#"),
    (16, 24, "A#"), (24, 28, "F"), (28, 32, "C"), (32, 36, "G"), (36, 40, "D"), (40, 48, "A"),
)  # fmt: skip
SMALL_CHORDS = ((0, 6, "E"), (6, 9, "C"), (9, 12, "B"), (12, 15, "A"), (15, 18, "E"), (18, 21, "F#"), (21, 24, "G"))
SMALL = {
    "song": {
        "beats_per_pattern": 3,
        "section": [
            {"name": "one", "chords": ["i", "-", "VI", "v"]},
            {"name": "two", "chords": ["iv", "Em", "ii", "G"]},
        ],
    },
}
DEVICE = {
    "rate_hz": 12_000, "bits": 8, "encoding": "unsigned", "slots": 6, "memory_s": 20, "transpose": [-12, 12],
    "voices": 4, "slot_level": True,
}  # fmt: skip


def roots_heard(data, chords, tempo):
    """Return the root of each stretch of beats, a quarter of a second left out at its start and a tenth at its end."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, of its dependencies
        import librosa

        samples, rate_hz = sf.read(io.BytesIO(data), always_2d=True)
        mono = librosa.resample(samples.mean(axis=1), orig_sr=rate_hz, target_sr=22_050)
        chroma = librosa.feature.chroma_cens(y=mono, sr=22_050, hop_length=512)
    times = np.arange(chroma.shape[1]) * 512 / 22_050
    heard = []
    for first, last, _ in chords:
        now = (times > first * 60 / tempo + 0.25) & (times < last * 60 / tempo - 0.1)
        classes = np.median(chroma[:, now], axis=1)
        heard.append(NAMES[int(np.argmax(classes + 0.5 * np.roll(classes, -7)))])
    return heard


@pytest.fixture(scope="module")
def small(shared_folder, samples):
    """A pad in E and a pluck in a kit of their own, packed without copies."""
    shared_folder.device("device", **DEVICE)
    hz = 164.814  # E3 in equal temperament (ISO 16)
    shared_folder.sound("pad.wav", samples.pad(4.0, hz=hz) + 0.7 * samples.pad(4.0, hz=hz * 2 ** (7 / 12)))
    shared_folder.sound("pluck.wav", samples.pad(0.4, hz=2 * hz))
    level = {"step": "level", "lufs": -20}
    sounds = [
        {"name": "pad", "source": "pad.wav", "plays": "chords", "steps": [{"step": "tune", "heard": "E3"}, level]},
        {"name": "pluck", "source": "pluck.wav", "plays": "tones", "steps": [{"step": "tune", "heard": "E4"}, level]},
    ]
    kit = shared_folder.kit(sounds, {"device": "device", "key": "E minor", "tempo": 90}, **SMALL)
    return previewed(kit)


def previewed(kit):
    plan = load_plan(kit, None)
    masters = render_masters(plan, 2, lambda name: None)
    return listen_files(plan, pack_kit(plan, plan.devices[0], masters, 2, lambda name: None), masters)


@pytest.mark.parametrize("version", ["master", "device"])
def test_the_chord_roots_of_the_preview_are_heard_at_their_patterns(small, version):
    heard = roots_heard(small[f"listen/song-{version}.wav"], SMALL_CHORDS, 90)
    assert heard == [root for *_, root in SMALL_CHORDS]


def test_the_measure_can_fail(small):
    # the same sound held against the chords of the wrong beats
    moved = tuple((first + 3, last + 3, root) for first, last, root in SMALL_CHORDS[:-1])
    heard = roots_heard(small["listen/song-master.wav"], moved, 90)
    assert sum(one == root for one, (*_, root) in zip(heard, moved, strict=True)) <= 1


@pytest.mark.slow
def test_the_chord_roots_of_the_demos_preview_are_heard_at_their_patterns():
    files = previewed(DEMO)
    for version in ("master", "device"):
        assert roots_heard(files[f"listen/song-{version}.wav"], DEMO_CHORDS, 76) == [root for *_, root in DEMO_CHORDS]
