"""Loops of recorded instruments that sustain, beside plain zero-crossing loops.

Source of the recordings: see tests/outside/soundfont.py. Each sound is an ensemble of three recorded voices, a few
cents apart and spread over two channels, as pads are: no length of it repeats exactly. tests/benchmarks/loops.py judges
44 more.
"""

import importlib.util
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soxr

from kitfold.measure.pitch import held_pitch_hz
from kitfold.measure.seam import level_ripple_db, measure_seam, round_pitch_hz
from kitfold.plan.settings import Loop
from kitfold.sound import Sound
from kitfold.steps.loop import loop
from kitfold.units import cents_between, midi_to_hz

_SPEC = importlib.util.spec_from_file_location("soundfont", Path(__file__).with_name("soundfont.py"))
soundfont = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(soundfont)
RATE_HZ = soundfont.RATE_HZ

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("audioop") is None, reason="sf2utils needs audioop: Python 3.12 or older, or audioop-lts"
)

HELD = ("strings", "choir", "synth-pad", "reed-organ", "pipe-organ", "sax")
VOICES = ((-4.0, (1.0, 0.4)), (0.0, (0.7, 0.7)), (5.0, (0.4, 1.0)))  # cents, and how loud left and right
SECONDS = 5.0


def sustained(note, frames):
    """As a player of soundfonts does it: up to the sample's own loop, then that again and again."""
    start, end = note.loop
    return np.concatenate([note.samples[:end], np.tile(note.samples[start:end], frames // (end - start) + 1)])[:frames]


@cache
def ensemble(name):
    take = soundfont.TAKES[name]
    note = soundfont.recorded(take.preset, take.sample)
    frames = round(SECONDS * RATE_HZ)
    total = np.zeros((frames, 2))
    for cents, gains in VOICES:
        rate_hz = note.rate_hz * 2.0 ** ((cents / 100 - take.lower) / 12)
        voice = soxr.resample(sustained(note, round((SECONDS + 0.1) * rate_hz)), rate_hz, RATE_HZ, quality="VHQ")
        total += voice[:frames, None] * np.array(gains)
    return Sound(0.4 * total / np.abs(total).max(), RATE_HZ, root_hz=midi_to_hz(note.midi - take.lower))


def by_hand(sound):
    """From one rising zero crossing to another, 1.5 s later: nothing searched, nothing crossfaded."""
    middle = sound.float64().mean(axis=1)
    rising = np.flatnonzero((middle[:-1] < 0) & (middle[1:] >= 0)) + 1
    start, end = (int(rising[np.searchsorted(rising, seconds * RATE_HZ)]) for seconds in (1.5, 3.0))
    return sound.with_samples(sound.samples[:end], loop=(start, end))


@pytest.mark.parametrize("method", ["auto", "freeze"])
@pytest.mark.parametrize("name", HELD)
def test_nothing_stands_out_at_the_seam_and_the_sustain_stays_steady_and_in_tune(name, method):
    source = ensemble(name)
    looped = loop(source, Loop(method=method))
    seam = measure_seam(looped)
    assert seam.excess_db <= 0.5  # half a dB: under what the ear tells (common practice)
    assert seam.bend <= seam.bend_inside
    assert seam.ripple_db <= level_ripple_db(source.float64()[slice(*looped.loop)], RATE_HZ) + 2.0
    # a chorused sound's own centroid differs by up to 3 cents from one second to the next
    source_hz = held_pitch_hz(source, source.root_hz)
    assert abs(cents_between(source_hz, round_pitch_hz(looped, source.root_hz))) <= 3.0
    assert looped.seconds < 4.0


def test_plain_loops_stand_out():
    excesses = [measure_seam(by_hand(ensemble(name))).excess_db for name in HELD]
    assert np.median(excesses) > 3.0
    assert sum(excess > 0.5 for excess in excesses) >= 4  # an ensemble's own beating hides some
