"""Recorded instrument notes with declared roots, from the open soundfont that ships with pretty_midi.

Source: TimGM6mb.sf2 by Tim Brechbill (GPL-2.0, from memory), inside the installed pretty_midi. Nothing of it is copied
into this repository: notes are read where the package put them, by sf2utils.

What a sample's root is follows the SoundFont Technical Specification 2.04, 7.10 and 8.1.3 (from memory): the overriding
root key where its zone has one, else the sample's own; coarse tune, fine tune and pitch correction are what playback
adds, so the sample as it stands is that much lower.
"""

import logging
import warnings
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soxr

RATE_HZ = 44100


class Recorded(NamedTuple):
    """A sample as it stands in the soundfont: float64 mono, its rate, its loop (end exclusive), its declared root."""

    samples: np.ndarray
    rate_hz: int
    loop: tuple[int, int]
    midi: float


class Take(NamedTuple):
    """Which sample, how many semitones lower it is played, by how many cents it is put out of tune on purpose.

    `wanders`: an ensemble or a chorus, whose pitch is a band and not a line. `fall_db_s`: how fast it dies away; the
    loops of struck and plucked notes have a flat level, which no such instrument has.
    """

    preset: int
    sample: str
    lower: int
    off_cents: float
    wanders: bool = False
    fall_db_s: float = 0.0


TAKES = {
    # held: bowed, sung, blown
    "strings": Take(48, "ensstringsc4", 0, -31.0, wanders=True),
    "choir": Take(52, "Choir-A31", 0, 38.0, wanders=True),
    "synth-pad": Take(50, "Synth Strings 2-C3", 12, 17.0, wanders=True),
    "flute": Take(73, "FluteA#5", 0, -14.0),
    "reed-organ": Take(20, "Accordion Gb3", 24, 38.0),
    "sax": Take(64, "SopB", 0, -8.0),
    "trumpet": Take(56, "TrumpD#5", 0, 21.0),
    # struck and plucked, and an organ whose 16-foot rank sounds an octave below the note that is declared
    "pipe-organ": Take(19, "Church Org C2", 10, 38.0),
    "piano": Take(0, "Piano Db3", 31, -27.0, fall_db_s=9.0),
    "vibes": Take(11, "Vibes D4", 23, 33.0, fall_db_s=8.0),
    "nylon": Take(24, "N Guitar C4", 22, -29.0, fall_db_s=12.0),
    "celesta": Take(8, "Celesta C5", 19, 12.0, fall_db_s=15.0),
    "e-piano": Take(5, "DX EP C4", 23, -36.0, fall_db_s=9.0),
}


def recorded(preset: int, sample: str) -> Recorded:
    """Return a sample of a preset in bank 0."""
    return _notes()[preset, sample]


def source(take: Take, seconds: float = 3.6) -> tuple[np.ndarray, float]:
    """Make a bounce of a recorded note: lower, out of tune, looped to its length, silence before it.

    Returns
    -------
    samples : ndarray, (frames,), float64, at `RATE_HZ`
    midi : float, the note that it really plays, from its declared root
    """
    note = recorded(take.preset, take.sample)
    up = take.off_cents / 100 - take.lower
    rate_hz = note.rate_hz * 2.0 ** (up / 12)  # read at another rate, every frequency moves by exactly this
    looped = _sustained(note, int(seconds * rate_hz))
    samples = soxr.resample(looped, rate_hz, RATE_HZ, quality="VHQ")
    time_s = np.arange(len(samples)) / RATE_HZ
    samples = samples * 10 ** (-take.fall_db_s * time_s / 20)
    release = int(0.35 * RATE_HZ)
    samples[-release:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(release) / release)
    samples *= 0.4 / np.abs(samples).max()
    return np.concatenate([np.zeros(int(0.31 * RATE_HZ)), samples, np.zeros(int(0.2 * RATE_HZ))]), note.midi + up


def _sustained(note: Recorded, frames: int) -> np.ndarray:
    """Play a sample up to its loop's end and repeat the loop, plainly, as every player of soundfonts does."""
    start, end = note.loop
    rounds = max(0, -(-(frames - end) // (end - start)))
    return np.concatenate([note.samples[:end], np.tile(note.samples[start:end], rounds)])[:frames]


@cache
def _notes() -> dict[tuple[int, str], Recorded]:
    import pretty_midi

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # it imports audioop, which Python 3.13 no longer has
        from sf2utils.sf2parse import Sf2File

    logging.getLogger().setLevel(logging.ERROR)  # it warns of short drum samples, through the root logger
    with (Path(pretty_midi.__file__).parent / "TimGM6mb.sf2").open("rb") as file:
        font = Sf2File(file)
        return {
            (preset.preset, zone.sample.name.strip()): _recorded(zone)
            for preset in font.presets[:-1]  # the last one marks the end
            if preset.bank == 0
            for bag in preset.bags
            if bag.instrument is not None
            for zone in bag.instrument.bags
            if zone.sample is not None and (preset.preset, zone.sample.name.strip()) in _wanted()
        }


def _wanted() -> set[tuple[int, str]]:
    return {(take.preset, take.sample) for take in TAKES.values()}


def _recorded(zone) -> Recorded:
    sample = zone.sample
    key = sample.original_pitch if zone.base_note is None else zone.base_note
    added_cents = 100 * (zone.tuning or 0) + (zone.fine_tuning or 0) + sample.pitch_correction
    samples = np.frombuffer(sample.raw_sample_data, "<i2").astype(np.float64) / 32768
    return Recorded(samples, sample.sample_rate, (sample.start_loop, sample.end_loop), key - added_cents / 100)
