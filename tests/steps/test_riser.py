"""Riser: length, rise, peak on the beat, decay and pitch, each from its definition.

Reverberation time is the time that a level takes to fall by 60 dB; it is read from the backward-integrated decay
between -5 and -35 dB, T30 (ISO 3382-1:2009, 3.1 and 5.3.3; from memory; integration: M. R. Schroeder, JASA 37, 1965).
"""

import numpy as np
import pytest

from kitfold.plan.key import parse_key
from kitfold.plan.settings import Riser
from kitfold.plan.step_base import Context
from kitfold.sound import Sound
from kitfold.steps.riser import riser

RATE = 22_050


def pad(notes_hz=(146.83, 220.0, 293.66), seconds=3.0, rate=RATE, channels=2, seed=1, spread_cents=5.0):
    """A slow chord of three detuned voices a note, each channel with phases of its own."""
    chance = np.random.default_rng(seed)
    time_s = np.arange(round(seconds * rate)) / rate
    voices = np.zeros((len(time_s), channels))
    for hz in notes_hz:
        for cents in (-spread_cents, 0.0, spread_cents):
            for partial in range(1, 8):
                turns = hz * partial * 2 ** (cents / 1200) * time_s[:, None] + chance.random(channels)
                voices += np.sin(2 * np.pi * turns) / partial**1.5
    voices *= np.minimum(time_s / 0.2, 1.0)[:, None]
    return Sound(0.5 * voices / np.abs(voices).max(), rate, root_hz=notes_hz[0])


def sine(hz, rate, seconds=3.0):
    return Sound(0.5 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate), rate, root_hz=hz)


def pluck():
    """A pluck of 50 ms."""
    return Sound(pad(seconds=0.6).samples[RATE // 2 : RATE // 2 + 1102] * np.exp(-np.arange(1102) / 250)[:, None], RATE)


SOURCES = {
    "stereo pad": pad(),
    "mono pad": pad(channels=1),
    "60 Hz sine at 18 kHz": sine(60.0, 18_000),
    "60 Hz stereo pad at 18 kHz": pad((60.0,), rate=18_000, seed=4),
    "pluck of 50 ms": pluck(),
    "pad out of phase": Sound(pad(channels=1).samples * [1, -1], RATE),
    "pad on the left": Sound(pad(channels=1).samples * [1, 0], RATE),
    "one frame": Sound([[0.5, 0.4]], RATE),
}


@pytest.fixture(params=SOURCES.values(), ids=SOURCES)
def source(request):
    return request.param


def up_to_peak(sound):
    return sound.float64()[: sound.found["peak_frame"]]


def levels_db(samples, windows):
    """The level of each of so many equal windows; what lies 120 dB under the loudest is silence and left out."""
    size = len(samples) // windows
    power = np.mean(samples[: size * windows].reshape(windows, -1) ** 2, axis=1)
    return 10 * np.log10(power[power > 1e-12 * power.max()])


@pytest.mark.parametrize(("beats", "tempo", "rate"), [(8, 76.0, 44_100), (4, 123.4, 48_000), (0.5, 61.0, 18_000)])
def test_the_length_is_exact_to_the_frame_for_beats_at_a_tempo(beats, tempo, rate):
    settings = Riser(beats=beats, release_ms=50).resolved(Context(parse_key("D minor"), tempo))
    made = riser(pad(rate=rate, seconds=1.0), settings)
    assert made.found["peak_frame"] == int(beats * 60 * rate / tempo + 0.5)
    assert made.frames == made.found["peak_frame"] + int(0.05 * rate + 0.5)
    assert made.whole
    assert made.root_hz == 146.83


@pytest.mark.parametrize("settings", [{}, {"open_hz": 200.0}, {"decay_s": 15.0}, {"rise_db": 3.0}], ids=str)
def test_the_level_never_falls_by_1_db_and_rises_by_rise_db(source, settings):
    made = riser(source, Riser(length_s=3.0, **settings))
    for windows in (4, 8, 16):  # of one beat where it lasts 4, 8 and 16
        level_db = levels_db(up_to_peak(made), windows)
        assert np.diff(level_db).min() > -1.0  # our own limit
        assert level_db[-1] - level_db[0] >= settings.get("rise_db", 30.0)


@pytest.mark.parametrize("open_hz", [None, 20.0])
def test_the_mono_fold_of_the_riser_rises_as_steadily_and_cancels_no_more_than_decorrelation_does(source, open_hz):
    made = up_to_peak(riser(source, Riser(length_s=6.0, open_hz=open_hz)))
    fold = made.mean(axis=1)
    for windows in (8, 32):
        level_db = levels_db(fold, windows)
        assert np.diff(level_db).min() > -1.0
        assert level_db[-1] - level_db[0] >= 30.0
    # two channels that have nothing in common fold 3.01 dB under their mean power; half a decibel for chance
    assert 10 * np.log10(np.mean(fold**2) / np.mean(made**2)) > -3.5


@pytest.mark.parametrize("release_ms", [10.0, 50.0, 2000.0])
def test_the_highest_peak_lies_within_2_ms_of_the_beat_in_stereo_and_folded(source, release_ms):
    made = riser(source, Riser(length_s=2.0, release_ms=release_ms))
    for view in (np.abs(made.float64()).max(axis=1), np.abs(made.float64().mean(axis=1))):
        beside = np.abs(np.arange(len(view)) - made.found["peak_frame"]) > 0.002 * made.rate_hz
        assert view.max() > view[beside].max()
    assert made.peak() == pytest.approx(source.peak(), rel=1e-6)  # float32


def test_it_starts_from_silence_and_ends_in_exact_zero(source):
    made = riser(source, Riser(length_s=2.0)).float64()
    assert not made[0].any()
    assert not made[-1].any()
    assert np.abs(made[: len(made) // 100]).max() < 0.002 * np.abs(made).max()


@pytest.mark.parametrize("decay_s", [1.0, 2.0, 4.0])
def test_turned_round_it_decays_by_60_db_in_decay_s(decay_s):
    made = riser(pad(), Riser(length_s=4.0, decay_s=decay_s, rise_db=10.0))
    energy = np.cumsum(np.sum(up_to_peak(made) ** 2, axis=1))[::-1]
    decay_db = 10 * np.log10(energy[energy > 0] / energy[0])
    used = np.flatnonzero((decay_db < -5) & (decay_db > -35))
    slope_db = np.polyfit(used / RATE, decay_db[used], 1)[0]
    assert -60 / slope_db == pytest.approx(decay_s, rel=0.05)  # 5 %: the just noticeable difference (ISO 3382-1, A.1)
    assert made.found["decay_s"] == decay_s


def test_the_figures_told_are_the_ones_measured():
    made = riser(pad(), Riser(length_s=4.0))
    eighths_db = levels_db(up_to_peak(made), 8)
    assert made.found["rise_db"] == pytest.approx(eighths_db[-1] - eighths_db[0], abs=0.02)  # rounded to 0.01
    assert made.found["length_s"] == 4.0
    assert 60 * 4.0 / made.found["decay_s"] > 30.0


def test_it_keeps_the_chord_and_adds_no_noise():
    made = riser(pad(), Riser(length_s=4.0)).float64()
    power = np.sum(np.abs(np.fft.rfft(made * np.hanning(len(made))[:, None], axis=0)) ** 2, axis=1)
    hz = np.fft.rfftfreq(len(made), 1 / RATE)
    near = np.zeros(len(hz), dtype=bool)
    for note_hz in (146.83, 220.0, 293.66):
        for partial in range(1, 8):
            near |= np.abs(1200 * np.log2(np.maximum(hz, 1.0) / (note_hz * partial))) < 20
            near |= np.abs(hz - note_hz * partial) < 6.0
    # 20 cents hold the voices' own 5 and the lines' width; 6 Hz what holding the level steady adds beside them
    assert 10 * np.log10(power[~near].sum() / power.sum()) < -40


@pytest.mark.parametrize("seconds", [0.25, 1.0, 4.0])
@pytest.mark.parametrize(("hz", "rate"), [(60.0, 18_000), (146.83, RATE), (440.0, RATE)])
def test_the_pitch_of_a_sine_stays_within_3_cents(hz, rate, seconds):
    made = riser(sine(hz, rate, seconds), Riser(length_s=4.0)).float64()[:, 0]
    power = np.abs(np.fft.rfft(made * np.hanning(len(made)))) ** 2
    centroid_hz = (np.fft.rfftfreq(len(made), 1 / rate) * power).sum() / power.sum()
    assert abs(1200 * np.log2(centroid_hz / hz)) < 3.0  # what a tuned slot may be off; chance weighs within a line


def test_open_hz_takes_the_highs_first_and_gives_them_all_back():
    source, length = pad((440.0,), channels=1), 4 * RATE
    closed, plain = (riser(source, Riser(length_s=4.0, open_hz=open_hz)).float64() for open_hz in (300.0, None))

    def highs_db(samples, start, end):
        part = samples[int(start * length) : int(end * length), 0]
        power = np.abs(np.fft.rfft(part * np.hanning(len(part)))) ** 2
        split = int(1500 * len(part) / RATE)
        return 10 * np.log10(power[split:].sum() / power[:split].sum())

    early, middle, late = (
        highs_db(closed, *span) - highs_db(plain, *span) for span in ((0, 0.25), (0.4, 0.6), (0.97, 1))
    )
    assert early < -15
    assert early < middle < -1
    assert late == pytest.approx(0.0, abs=0.3)  # the levelling before and after the filter differs by a little


def test_a_low_pass_over_half_the_rate_changes_nothing():
    made = [riser(sine(60.0, 18_000), Riser(length_s=1.0, open_hz=open_hz)).samples for open_hz in (None, 9000.0)]
    assert np.array_equal(*made)


@pytest.mark.parametrize("lead", [0, 1234])
def test_with_hit_the_sources_attack_starts_on_the_beats_very_frame(lead):
    struck = np.pad(0.5 * np.cos(2 * np.pi * 220 * np.arange(20_000) / RATE), (lead, 0))
    source = Sound(struck, RATE)
    made = riser(source, Riser(length_s=1.0, hit=True, release_ms=20))
    plain = riser(source, Riser(length_s=1.0, release_ms=20))
    rest = made.float64()[:, 0]
    rest[: plain.frames] -= plain.float64()[:, 0]
    assert made.frames == RATE + 20_000
    assert not rest[:RATE].any()
    assert rest[RATE:] == pytest.approx(struck[lead:], abs=1e-7)  # at its own level; float32's step


def test_with_hit_a_slow_attack_starts_there_within_2_ms():
    source = Sound(np.pad(pad(channels=1).samples[:, 0], (5000, 0)), RATE)
    made, plain = (riser(source, Riser(length_s=1.0, hit=hit)).float64()[:, 0] for hit in (True, False))
    made[: len(plain)] -= plain
    shifts = [np.abs(made[RATE + shift : 2 * RATE + shift] - source.samples[5000 : 5000 + RATE, 0]).max()
              for shift in range(-88, 89)]  # fmt: skip
    assert min(shifts) < 1e-6


def test_identical_channels_stay_identical_and_a_wide_pad_stays_wide():
    mono = pad(channels=1)
    twin = riser(Sound(np.repeat(mono.samples, 2, axis=1), RATE), Riser(length_s=1.0)).samples
    assert np.array_equal(twin[:, 0], twin[:, 1])
    wide = pad(seed=2)
    for sound in (wide, riser(wide, Riser(length_s=4.0))):
        left, right = sound.float64().T
        coherence = np.sum(left * right) / np.sqrt(np.sum(left**2) * np.sum(right**2))
        assert abs(coherence) < 0.6  # random phases a line; few lines, so chance weighs much


def test_a_level_change_of_the_source_is_a_level_change_of_the_riser():
    made = riser(Sound(pad().samples * 0.25, RATE), Riser(length_s=1.0))
    assert made.peak() == pytest.approx(0.125, rel=1e-6)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [0, 1, 1000])
def test_silence_gives_silence_of_the_right_length_and_says_so(frames, channels):
    made = riser(Sound(np.zeros((frames, channels)), RATE), Riser(length_s=0.5, release_ms=100, hit=True))
    assert made.samples.shape == (11_025 + 2205, channels)
    assert not made.samples.any()
    assert made.whole
    assert "silent" in made.said[0]


@pytest.mark.parametrize("length_s", [1e-6, 1e-4, 0.001, 0.02])
@pytest.mark.parametrize("release_ms", [0.0, 5.0])
def test_a_length_of_next_to_nothing_is_still_exact(length_s, release_ms):
    made = riser(pluck(), Riser(length_s=length_s, release_ms=release_ms, open_hz=500.0, decay_s=1.0))
    assert made.frames == int(length_s * RATE + 0.5) + int(release_ms / 1000 * RATE + 0.5)


def test_it_repeats_to_the_byte_and_another_source_gets_other_chance():
    first, second = (riser(pad(), Riser(length_s=1.0)).samples.tobytes() for _ in range(2))
    assert first == second
    assert riser(pad(seed=9), Riser(length_s=1.0)).samples.tobytes() != first
