"""Transpose: which mover it takes, how far, and what becomes of the root. The movers are tested in test_shift."""

import numpy as np
import pytest

from kitfold.plan.settings import Transpose
from kitfold.sound import Sound
from kitfold.steps.transpose import transpose

RATE = 44_100


def sine(hz, frames=RATE):
    return Sound(0.5 * np.sin(2 * np.pi * hz * np.arange(frames) / RATE), RATE, root_hz=hz)


def strongest_hz(sound):
    samples = sound.float64()[:, 0]
    return (
        np.argmax(np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 8 * len(samples)))) * RATE / len(samples) / 8
    )


@pytest.mark.parametrize("semitones", [-12, -4.5, 7])
def test_keep_length_keeps_every_frame_and_is_the_default(semitones):
    moved = transpose(sine(330), Transpose(semitones=semitones))
    assert moved.frames == RATE
    assert strongest_hz(moved) == pytest.approx(330 * 2 ** (semitones / 12), abs=0.2)  # the grid is 1/8 Hz


@pytest.mark.parametrize("semitones", [-12, -4.5, 7])
def test_varispeed_shortens_as_a_sampler_does(semitones):
    ratio = 2 ** (semitones / 12)
    moved = transpose(sine(330), Transpose(semitones=semitones, method="varispeed"))
    assert moved.frames == int(np.floor(RATE / ratio + 0.5))
    assert strongest_hz(moved) == pytest.approx(330 * ratio, abs=0.2)


def test_the_root_is_multiplied_by_the_interval():
    assert transpose(sine(220, 4410), Transpose(semitones=12)).root_hz == pytest.approx(440)


def test_no_semitones_change_no_byte():
    source = sine(220, 4410)
    assert transpose(source, Transpose(semitones=0)).samples.tobytes() == source.samples.tobytes()
