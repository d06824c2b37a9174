"""Filter: the Butterworth response in closed form (S. Butterworth 1930), on the bilinear transform's warped axis."""

import numpy as np
import pytest

from kitfold.errors import StepError
from kitfold.plan.settings import Filter
from kitfold.sound import Sound
from kitfold.steps.filter import filter as filtered

RATE = 48_000
SLOPES = [6, 12, 18, 24, 36, 48]


def response_db(settings, at_hz, frames=96_000):
    click = np.zeros(frames)
    click[0] = 1.0
    heard = filtered(Sound(click, RATE), settings).float64()[:, 0]
    turns = np.exp(-2j * np.pi * np.outer(at_hz, np.arange(frames)) / RATE)
    return 20 * np.log10(np.abs((turns * heard).sum(axis=1)))


def butterworth_db(at_hz, corner_hz, order, sign):
    warped = np.tan(np.pi * np.asarray(at_hz) / RATE) / np.tan(np.pi * corner_hz / RATE)
    return -10 * np.log10(1 + warped ** (2 * order * sign))


@pytest.mark.parametrize("slope_db", SLOPES)
def test_the_response_is_butterworths(slope_db):
    at_hz = np.array([250.0, 500.0, 1000.0, 2000.0, 4000.0])
    low = response_db(Filter(lowpass_hz=1000, slope_db=slope_db), at_hz)
    high = response_db(Filter(highpass_hz=1000, slope_db=slope_db), at_hz)
    shown = slice(None) if slope_db < 48 else slice(1, -1)  # float32 samples end at about 100 dB under the click
    assert low[shown] == pytest.approx(butterworth_db(at_hz, 1000, slope_db // 6, 1)[shown], abs=0.01)
    assert high[shown] == pytest.approx(butterworth_db(at_hz, 1000, slope_db // 6, -1)[shown], abs=0.01)
    assert low[2] == pytest.approx(-3.0103, abs=0.001)
    assert high[2] == pytest.approx(-3.0103, abs=0.001)


@pytest.mark.parametrize("slope_db", SLOPES)
def test_an_octave_past_the_corner_it_falls_by_slope_db(slope_db):
    octave = response_db(Filter(lowpass_hz=100, slope_db=slope_db), np.array([200.0, 400.0]))
    # 6.02 dB per octave and order; the corner's own bend still takes some off between one octave and two
    assert octave[0] - octave[1] == pytest.approx(slope_db, rel=0.18)


def test_nothing_sounds_before_the_attack_and_the_attack_is_not_late():
    step = np.zeros(4000)
    step[1000:] = 0.5
    heard = filtered(Sound(step, RATE), Filter(highpass_hz=100, slope_db=24)).samples[:, 0]
    assert not heard[:1000].any()
    assert heard[1000] > 0.45


def test_both_corners_make_a_band():
    at_hz = np.array([100.0, 700.0, 5000.0])
    band = response_db(Filter(highpass_hz=400, lowpass_hz=1200, slope_db=12), at_hz)
    assert band == pytest.approx(butterworth_db(at_hz, 400, 2, -1) + butterworth_db(at_hz, 1200, 2, 1), abs=0.01)


@pytest.mark.parametrize("corner_hz", [24_000, 30_000])
def test_a_low_pass_over_half_the_rate_does_nothing_and_says_so(corner_hz):
    source = Sound(np.random.default_rng(2).uniform(-1, 1, (500, 2)), RATE)
    same = filtered(source, Filter(lowpass_hz=corner_hz))
    assert np.array_equal(same.samples, source.samples)
    assert "does nothing" in same.said[0]
    assert not filtered(source, Filter(lowpass_hz=23_000)).said


def test_a_high_pass_over_half_the_rate_is_an_error_that_says_what_is_allowed():
    with pytest.raises(StepError, match=r"filter\.highpass_hz must lie below 4000 Hz.*got 4000"):
        filtered(Sound(np.ones(10), 8000), Filter(highpass_hz=4000))


@pytest.mark.parametrize("shape", [(0, 1), (1, 2), (300, 2)])
def test_the_length_stays_and_silence_stays_silence(shape):
    quiet = filtered(Sound(np.zeros(shape), RATE, root_hz=60.0), Filter(highpass_hz=40, lowpass_hz=900))
    assert quiet.samples.shape == shape
    assert not quiet.samples.any()
    assert quiet.root_hz == 60.0
