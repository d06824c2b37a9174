"""Loudness, peaks and holds, by closed forms. The standards' own cases are in tests/outside/test_loudness.py."""

import numpy as np
import pytest

from kitfold.measure.level import (
    held_until_s,
    integrated_lufs,
    k_weighted,
    loudest_lufs,
    momentary_lufs,
    peak_db,
    true_peak_db,
)
from kitfold.sound import Sound

RATE = 48_000


def sine(hz, seconds, rate_hz=RATE, peak=1.0):
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def gated(seconds, first_s=0.3, length_s=0.2):
    samples = sine(997, seconds)
    time_s = np.arange(len(samples)) / RATE
    return np.where((time_s >= first_s) & (time_s < first_s + length_s), samples, 0.0)


@pytest.mark.parametrize("frames", [0, 1, 100, RATE])
def test_silence_has_no_level_and_holds_nothing(frames):
    silence = Sound(np.zeros((frames, 2)), RATE)
    assert loudest_lufs(silence) == integrated_lufs(silence) == peak_db(silence) == true_peak_db(silence) == -np.inf
    assert np.all(momentary_lufs(silence) == -np.inf)
    assert held_until_s(silence, -12) == 0


@pytest.mark.parametrize("seconds", [0.04, 0.1, 0.2, 0.4])
def test_a_shorter_sound_counts_as_one_of_400_ms_with_silence(seconds):
    wanted = -3.01 + 10 * np.log10(seconds / 0.4)
    assert loudest_lufs(Sound(sine(997, seconds), RATE)) == pytest.approx(wanted, abs=0.1)  # the filter's settling
    padded = np.pad(sine(997, seconds), (0, RATE))
    assert loudest_lufs(Sound(padded, RATE)) == pytest.approx(loudest_lufs(Sound(sine(997, seconds), RATE)), abs=0.02)


@pytest.mark.parametrize("rate_hz", [8000, 22_050, 44_100, 96_000])
def test_the_rate_changes_nothing(rate_hz):
    assert loudest_lufs(Sound(sine(997, 1, rate_hz), rate_hz)) == pytest.approx(-3.01, abs=0.02)  # the resampler's edge


def test_gain_is_gain_and_a_second_channel_adds_3_lu():
    mono = Sound(sine(440, 1), RATE)
    assert loudest_lufs(Sound(sine(440, 1, peak=0.5), RATE)) == pytest.approx(loudest_lufs(mono) - 6.0206, abs=1e-4)
    both = Sound(np.repeat(mono.samples, 2, axis=1), RATE)
    assert loudest_lufs(both) == pytest.approx(loudest_lufs(mono) + 3.0103, abs=1e-4)  # float32


def test_the_loudest_400_ms_is_found_wherever_it_is():
    wanted = loudest_lufs(Sound(gated(2.0), RATE))
    for first_s in (0.0071, 0.5, 1.7983):  # not on the 10 ms grid
        assert loudest_lufs(Sound(gated(2.0, first_s), RATE)) == pytest.approx(wanted, abs=0.02)


def test_the_momentary_curve_has_one_value_every_10_ms_and_shares_the_maximum():
    sound = Sound(gated(1.0), RATE)
    curve = momentary_lufs(sound)
    assert len(curve) == 61
    assert curve.max() == pytest.approx(loudest_lufs(sound), abs=0.05)  # the grid
    assert curve[0] == pytest.approx(10 * np.log10(0.1 / 0.4) - 3.01, abs=0.1)  # half of the burst lies in it


def test_the_loudness_of_a_steady_sound_is_its_integrated_loudness():
    sound = Sound(sine(440, 5, peak=0.1), RATE)
    assert integrated_lufs(sound) == pytest.approx(loudest_lufs(sound), abs=0.01)
    assert np.isfinite(integrated_lufs(Sound(sine(440, 0.1), RATE)))


def test_k_weighting_runs_at_48_khz_and_keeps_the_channels():
    assert k_weighted(Sound(np.zeros((44_100, 2)), 44_100)).shape == (48_000, 2)


def test_the_true_peak_is_the_height_of_the_wave_by_fourier_interpolation():
    period = np.random.default_rng(3).standard_normal(480)  # band-limited noise, repeated: its wave is known exactly
    lines = np.fft.rfft(period)
    lines[180:] = 0  # under 18 kHz
    period, fine = np.fft.irfft(lines, 480), np.fft.irfft(lines, 480 * 64) * 64
    wave = np.tile(period, 100)
    wave *= np.minimum(1, np.minimum(np.arange(48_000), np.arange(48_000)[::-1]) / 4800)  # no step at either end
    found = true_peak_db(Sound(wave, RATE))
    wanted = 20 * np.log10(np.max(np.abs(fine)))
    # 4x reads a sine of 18 kHz up to 0.4 dB low: 20 log cos(pi f / 4) with f = 18/48 (BS.1770-4, annex 2, from memory)
    assert wanted - 0.4 < found < wanted + 0.01
    assert found > peak_db(Sound(wave, RATE)) + 0.3  # and the samples alone miss it


def test_the_true_peak_is_the_same_in_pieces(monkeypatch):
    sound = Sound(np.random.default_rng(4).standard_normal((5000, 2)) * 0.1, 44_100)
    whole = true_peak_db(sound)
    monkeypatch.setattr("kitfold.measure.level._CHUNK_FRAMES", 700)
    assert true_peak_db(sound) == whole


def test_a_click_has_at_least_its_own_height():
    assert true_peak_db(Sound([0.5], RATE)) >= 20 * np.log10(0.5)


@pytest.mark.parametrize("decay_s", [1.0, 3.0])
@pytest.mark.parametrize("hz", [110, 997])
def test_a_decay_of_60_db_in_rt_holds_for_a_fifth_of_rt_to_12_db_under_its_loudest_400_ms(hz, decay_s):
    samples = sine(hz, 4)
    samples *= 10 ** (-3 * np.arange(len(samples)) / RATE / decay_s)
    rate_of_power = 6 * np.log(10) / decay_s
    loudest = (1 - np.exp(-0.4 * rate_of_power)) / (0.4 * rate_of_power)  # mean power of the first 400 ms
    wanted_s = decay_s / 5 - 10 * np.log10(loudest) * decay_s / 60
    assert held_until_s(Sound(samples, RATE), -12) == pytest.approx(wanted_s, abs=0.025)  # half the 50 ms window


def test_a_sound_that_never_falls_holds_for_its_length_to_the_frame():
    for rate_hz in (44_100, 48_000):
        sound = Sound(sine(220, 1.7, rate_hz), rate_hz)
        assert held_until_s(sound, -12) == pytest.approx(sound.seconds, abs=1 / rate_hz)


def test_a_dip_is_not_the_end():
    samples = sine(440, 3)
    samples[RATE : RATE + RATE // 2] = 0
    samples[5 * RATE // 2 :] = 0
    assert held_until_s(Sound(samples, RATE), -12) == pytest.approx(2.5, abs=0.025)


def test_a_deeper_floor_holds_longer():
    samples = sine(440, 4) * np.exp(-2 * np.arange(4 * RATE) / RATE)
    held = [held_until_s(Sound(samples, RATE), floor_db) for floor_db in (-6, -12, -24)]
    # e^-2t falls by 17.37 dB a second
    assert np.diff(held) == pytest.approx([6 / 17.37, 12 / 17.37], abs=0.01)
