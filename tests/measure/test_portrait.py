"""The portrait's figures against closed forms and librosa's spectral centroid."""

import json
import math

import librosa
import numpy as np
import pytest

from kitfold.measure.portrait import brightness_hz, partial_shares, portrait
from kitfold.sound import Sound

RATE_HZ = 44100


def sine(hz, seconds, amplitude=0.5, rate_hz=RATE_HZ):
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def struck(hz, t60_s, seconds=3.0):
    """A sine that falls by 60 dB in t60_s (ISO 3382-1's definition of reverberation time)."""
    return sine(hz, seconds) * 10.0 ** (-3.0 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ / t60_s)


@pytest.mark.parametrize("hz", [110.0, 1000.0, 9000.0])
def test_the_brightness_of_a_sine_is_its_frequency(hz):
    # half a bin of 46 ms pieces is 11 Hz; the window is symmetric, so the centroid errs by less than a tenth of that,
    # and by the short pieces at both ends
    assert brightness_hz(Sound(sine(hz, 2.0), RATE_HZ)) == pytest.approx(hz, rel=0.01)


def test_the_brightness_of_white_noise_is_a_quarter_of_the_rate():
    noise = np.random.default_rng(1).standard_normal(4 * RATE_HZ) * 0.1
    # 4 s hold 88,000 independent lines: the centroid of their power scatters by about 0.1 %
    assert brightness_hz(Sound(noise, RATE_HZ)) == pytest.approx(RATE_HZ / 4, rel=0.005)


def test_brightness_agrees_with_librosas_centroid_of_the_same_power():
    sound = Sound(struck(440.0, 2.0) + 0.3 * struck(2200.0, 0.5), RATE_HZ)
    spectrogram = np.abs(librosa.stft(sound.samples[:, 0], n_fft=2048, hop_length=1024, window="hann")) ** 2
    whole = librosa.feature.spectral_centroid(S=spectrogram.sum(axis=1, keepdims=True), sr=RATE_HZ)
    # another length of pieces (2048 and 2028 frames) and another window (periodic) move the leakage a little
    assert brightness_hz(sound) == pytest.approx(float(whole[0, 0]), rel=0.01)


def test_brightness_does_not_cancel_in_stereo():
    left = sine(300.0, 1.0)
    assert brightness_hz(Sound(np.stack([left, -left], axis=1), RATE_HZ)) == pytest.approx(300.0, rel=0.01)


def test_times_count_from_the_attack_and_follow_the_decay():
    lead = np.zeros(round(0.5 * RATE_HZ))
    figures = portrait(Sound(np.concatenate([lead, struck(440.0, 2.0)]), RATE_HZ))
    assert figures.lead_s == pytest.approx(0.5, abs=0.002)  # one window of the onset's envelope
    assert figures.attack_s == pytest.approx(0.0, abs=0.01)  # half a window of 20 ms
    # -60 dB after T60; the loudest 2 ms lie at the top, the last 20 ms window ends up to 10 ms later
    assert figures.tail_s == pytest.approx(2.0, abs=0.02)
    # the loudest 400 ms are 5.13 dB under the top (mean of 10^(-6t/2) over 0 to 0.4 s): 12 dB below is at 17.13 dB
    mean = (1 - 10 ** (-6 * 0.4 / 2.0)) / (6 * math.log(10) * 0.4 / 2.0)
    expected_s = (12 - 10 * math.log10(mean)) * 2.0 / 60.0
    assert figures.held_s == pytest.approx(expected_s, abs=0.03)  # half a window of 50 ms


def test_the_attack_of_a_straight_ramp_ends_where_it_reaches_half():
    ramp = np.minimum(np.arange(3 * RATE_HZ) / RATE_HZ, 1.0)
    figures = portrait(Sound(sine(300.0, 3.0) * ramp, RATE_HZ))
    # -6 dB is half of the height (0.501); the onset of a ramp is known within 25 ms
    assert figures.attack_s == pytest.approx(0.5, abs=0.03)


def test_a_sound_that_never_falls_holds_for_its_length():
    figures = portrait(Sound(sine(300.0, 2.0), RATE_HZ))
    assert figures.held_s == pytest.approx(2.0, abs=0.01)


def test_levels_are_those_of_the_standard_signal():
    # ITU-R BS.1770-4: a 997 Hz sine at 0 dBFS in one channel reads -3.01 LKFS
    figures = portrait(Sound(sine(997.0, 5.0, 1.0, 48000), 48000))
    assert figures.lufs == pytest.approx(-3.01, abs=0.03)  # the ends of the sine lie outside the loudest 400 ms
    assert figures.integrated_lufs == pytest.approx(-3.01, abs=0.05)
    assert figures.peak_db == pytest.approx(0.0, abs=0.01)


def test_shares_tell_a_string_a_mallet_and_a_bell_apart():
    string = sum(sine(220.0 * n, 2.0, 0.3 / n) for n in range(1, 9))
    mallet = sine(220.0, 2.0)
    # hum, prime, tierce, quint, nominal of a bell: 0.5, 1, 1.2, 1.5, 2 (Fletcher and Rossing, The Physics of Musical
    # Instruments, ch. 21), equally strong: of the five, prime and nominal are multiples of the prime
    bell = sum(sine(440.0 * ratio, 2.0, 0.1) for ratio in (0.5, 1.0, 1.2, 1.5, 2.0))
    assert partial_shares(Sound(string, RATE_HZ), 220.0)[0] == pytest.approx(1.0, abs=0.001)
    assert partial_shares(Sound(string, RATE_HZ), 220.0)[1] == pytest.approx(
        1 / sum(n**-2 for n in range(1, 9)), abs=0.01
    )
    assert partial_shares(Sound(mallet, RATE_HZ), 220.0) == pytest.approx((1.0, 1.0), abs=0.001)
    assert partial_shares(Sound(bell, RATE_HZ), 440.0)[0] == pytest.approx(0.4, abs=0.01)


def test_a_fifth_layer_and_stereo_figures_are_found():
    chord = sum(sine(220.0 * n, 3.0, 0.1 / n) for n in range(1, 7)) + sum(
        sine(330.0 * n, 3.0, 0.05 / n) for n in range(1, 5)
    )
    figures = portrait(Sound(np.stack([chord, -chord], axis=1), RATE_HZ))
    assert figures.fifth_db == pytest.approx(-6.0, abs=2.0)  # asked at half the root's amplitude, over shared partials
    assert figures.correlation == pytest.approx(-1.0)
    assert figures.mid_loss_lu == math.inf
    assert figures.fold in ("left", "right")
    assert figures.fold_loss_lu == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("frames", [0, 1, 5, 4410])
@pytest.mark.parametrize("channels", [1, 2])
def test_silence_of_any_length_has_no_figures_and_its_json_no_nan(frames, channels):
    figures = portrait(Sound(np.zeros((frames, channels)), RATE_HZ))
    assert figures.lufs == -math.inf
    assert figures.root.hz is None
    assert (figures.attack_s, figures.held_s, figures.tail_s, figures.brightness_hz) == (0.0, 0.0, 0.0, 0.0)
    table = json.loads(json.dumps(figures.to_json(), allow_nan=False))
    assert table["lufs"] is None
    assert table["root"]["hz"] is None


@pytest.mark.parametrize("frames", [1, 2, 63, 400])
def test_the_shortest_sounds_have_figures_that_json_takes(frames):
    json.dumps(portrait(Sound(np.full((frames, 2), 0.5), RATE_HZ)).to_json(), allow_nan=False)


def test_noise_under_a_sound_is_told_in_dbfs():
    rng = np.random.default_rng(2)
    noise = rng.standard_normal(2 * RATE_HZ) * 10 ** (-55 / 20)
    noise[RATE_HZ // 2 : RATE_HZ] += sine(440.0, 0.5)
    assert portrait(Sound(noise, RATE_HZ)).floor_db == pytest.approx(-55.0, abs=1.0)  # 10 ms blocks scatter by 0.3 dB
