"""The filter design against scipy's."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfreqz

from kitfold.steps.butterworth import butterworth


@pytest.mark.parametrize("kind", ["highpass", "lowpass"])
@pytest.mark.parametrize("order", [1, 2, 3, 4, 6, 8])
@pytest.mark.parametrize("corner_hz", [20, 900, 21_000])
def test_the_filter_is_scipys(order, corner_hz, kind):
    """scipy.signal.butter, another implementation: the same response, whatever the order of the sections."""
    click = np.zeros(4000)
    click[10] = 1.0
    theirs = sosfilt(butter(order, corner_hz, kind, fs=44_100, output="sos"), click)
    ours = sosfilt(butterworth(order, corner_hz, kind, 44_100), click)
    assert ours == pytest.approx(theirs, abs=1e-9)  # float64, over eight poles near 1 at 20 Hz


@pytest.mark.parametrize("order", [1, 2, 5, 8])
def test_the_corner_lies_three_decibels_down(order):
    """Butterworth 1930: half the power at the corner, whatever the order."""
    _, response = sosfreqz(butterworth(order, 1000, "lowpass", 48_000), worN=[1000], fs=48_000)
    assert 20 * np.log10(abs(response[0])) == pytest.approx(-3.0103, abs=1e-4)
