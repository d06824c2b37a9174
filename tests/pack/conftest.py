"""A small kit with a song, packed in this process for a device that a test describes."""

from types import SimpleNamespace

import numpy as np
import pytest

from kitfold.pack.kit import pack_kit
from kitfold.plan.load import load_plan
from kitfold.render.masters import render_masters

SONG = {
    "beats_per_pattern": 4,
    "section": [
        {"name": "one", "chords": ["i", "VI", "-", "v"]},
        {"name": "two", "chords": ["iv", "i"], "silent": ["pluck"], "shift": {"pad": -12}},
    ],
}
LEVEL = {"step": "level", "lufs": -20}
PAD = {"name": "pad", "source": "pad.wav", "plays": "chords", "steps": [{"step": "tune"}, LEVEL]}
SWELL = {"name": "swell", "from": "pad", "plays": "fixed", "steps": [{"step": "riser", "beats": 4}, LEVEL]}
PLUCK = {"name": "pluck", "source": "pluck.wav", "plays": "tones", "copies": "none", "steps": [{"step": "tune"}, LEVEL]}
HIT = {"name": "hit", "source": "hit.wav", "plays": "fixed", "steps": [LEVEL]}
SOUNDS = (PAD, SWELL, PLUCK, HIT)
LINE_IN = {
    "rate_hz": 9000, "bits": 8, "encoding": "unsigned", "slots": 8, "memory_s": 14, "transpose": [-12, 12], "voices": 3,
    "slot_level": True, "loading": "line-in",
}  # fmt: skip
FILES = {
    "rate_hz": [16000, 8000], "bits": 16, "slots": 9, "memory_s": 30, "transpose": [-24, 24], "voices": 4, "loop": True,
    "note_off": "stops", "slot_level": True,
}  # fmt: skip


class Packer:
    """Packs kits of these sounds; `pack()` gives plan, packed and masters, as a build has them."""

    sounds, song, line_in, files = SOUNDS, SONG, LINE_IN, FILES
    pad, swell, pluck, hit = SOUNDS

    def __init__(self, folder, samples):
        self.folder = folder
        pad = samples.pad(2.4) * np.minimum(1, 4 - np.arange(round(2.4 * 22050)) / 22050 / 0.6)
        folder.sound("pad.wav", np.stack([pad, np.roll(pad, 40)], axis=1))
        folder.sound("pluck.wav", samples.pad(0.5, hz=2 * samples.pad_hz))
        folder.sound("hit.wav", samples.hit())

    def pack(self, device=LINE_IN, sounds=SOUNDS, song=SONG, head=None, jobs=1, **tables):
        self.folder.device("device", **device)
        tables = {**tables, **({"song": song} if song else {})}
        kit = self.folder.kit(sounds, {"device": "device", **(head or {})}, **tables)
        plan = load_plan(kit, None)
        masters = render_masters(plan, jobs, lambda name: None)
        return SimpleNamespace(
            plan=plan, packed=pack_kit(plan, plan.devices[0], masters, jobs, lambda name: None), masters=masters
        )


@pytest.fixture(scope="module")
def packer(shared_folder, samples):
    return Packer(shared_folder, samples)
