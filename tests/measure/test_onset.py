"""Where a sound begins and ends, against signals whose beginning and end are known because we made them."""

import numpy as np
import pytest

from kitfold.measure.onset import attack_start, envelope, floor_level, sounding_part, tail_end

RATE = 44_100
LEAD = 13_230  # 0.3 s


def ramp(kind, attack_s, frames, rate):
    place = np.minimum(np.arange(frames) / max(1.0, attack_s * rate), 1.0)
    return {"straight": place, "raised cosine": np.sin(0.5 * np.pi * place) ** 2}[kind]


def note(attack_s=0.0, kind="straight", decay_s=None, hz=110.0, seconds=2.0, rate=RATE, noise_db=None, seed=0):
    """Four partials behind 0.3 s of silence, peak 1, half a second of silence after it, noise everywhere."""
    frames = round(seconds * rate)
    time_s = np.arange(frames) / rate
    tone = sum(np.sin(2 * np.pi * hz * k * time_s + k) / k for k in range(1, 5))
    tone = tone * (ramp(kind, attack_s, frames, rate) if attack_s else 1.0)
    tone = tone * (10 ** (-3 * time_s / decay_s) if decay_s else 1.0)
    whole = np.pad(tone / np.max(np.abs(tone)), (round(0.3 * rate), rate // 2))
    if noise_db is not None:
        whole = whole + np.random.default_rng(seed).standard_normal(len(whole)) * 10 ** (noise_db / 20)
    return whole[:, None]


def test_the_envelope_of_a_steady_sine_is_its_rms():
    sine = np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE)[:, None]
    # 2 ms hold two periods of 1 kHz, less a fraction of a frame: within half a per cent
    assert envelope(sine, RATE)[1000:-1000] == pytest.approx(np.sqrt(0.5), rel=0.005)


def test_steady_noise_in_the_lead_is_measured_and_silence_is_none():
    assert 20 * np.log10(floor_level(note(noise_db=-50), RATE)) == pytest.approx(-50, abs=0.3)  # 0.3 s: 13,230 draws
    assert floor_level(note()[LEAD:], RATE) == 0.0


@pytest.mark.parametrize("decay_s", [0.3, 1.0, 5.0, 40.0])
def test_an_exponential_tail_is_never_taken_for_noise(decay_s):
    tail = note(decay_s=decay_s, seconds=0.6 * decay_s)[LEAD : -RATE // 2]  # falls by 36 dB, then is cut off
    assert floor_level(tail[::-1], RATE) == 0.0


@pytest.mark.parametrize("noise_db", [None, -60, -50])
@pytest.mark.parametrize("attack_s", [0.0, 0.001, 0.005])
@pytest.mark.parametrize("rate", [18_000, RATE])
def test_a_plucked_attack_is_found_within_2_ms(rate, attack_s, noise_db):
    for hz in (60.0, 440.0):
        sound = note(attack_s, decay_s=1.0, hz=hz, rate=rate, noise_db=noise_db)
        assert attack_start(sound, rate) == pytest.approx(round(0.3 * rate), abs=0.002 * rate)


@pytest.mark.parametrize("noise_db", [-60, -50])
@pytest.mark.parametrize(("kind", "attack_s"), [("straight", 0.5), ("raised cosine", 0.2), ("raised cosine", 0.5)])
@pytest.mark.parametrize("rate", [18_000, RATE])
def test_a_slow_attack_is_found_under_noise_never_2_ms_late_nor_8_ms_early(rate, kind, attack_s, noise_db):
    # What lies under the noise is not seen but followed back: 25 ms of the raised cosine over 0.5 s lie 6 dB or less
    # above noise at -50 dB. Early costs lead noise only, so that side may be wider.
    for hz in (60.0, 110.0, 440.0):
        found = attack_start(note(attack_s, kind, hz=hz, rate=rate, noise_db=noise_db), rate)
        assert -0.008 <= found / rate - 0.3 <= 0.002


def test_a_slow_attack_after_digital_silence_is_found_within_2_ms():
    for attack_s in (0.05, 0.2, 0.5, 1.0):
        found = attack_start(note(attack_s, "raised cosine"), RATE)
        assert found == pytest.approx(LEAD, abs=0.002 * RATE)


def test_a_sudden_start_is_found_to_the_frame():
    sound = np.zeros((2000, 1))
    sound[777:] = 0.5
    assert attack_start(sound, RATE) == 777


def test_a_tail_ends_where_its_level_says():
    # 60 dB in 1 s, 40 dB in 0.667 s; at 2 kHz both windows, 2 and 20 ms, read whole periods. They read 2 and 10 ms late
    # or early by at most half their length of decay each: 0.6 dB, 11 ms
    found = tail_end(note(decay_s=1.0, hz=2000.0), RATE, -40)
    assert found / RATE - 0.3 == pytest.approx(0.667, abs=0.011)


def test_noise_after_the_tail_is_no_tail_and_a_quiet_held_drone_is():
    noisy = note(decay_s=0.5, seconds=3.0, noise_db=-50)
    assert tail_end(noisy, RATE) / RATE - 0.3 == pytest.approx(
        0.42, abs=0.1
    )  # -50 dB at 0.42 s; chance decides the rest
    drone = note(decay_s=0.5, seconds=3.0)[: -RATE // 2]
    drone += 0.003 * np.sin(2 * np.pi * 220 * np.arange(len(drone)) / RATE)[:, None]
    assert tail_end(drone, RATE) > len(drone) - 0.01 * RATE


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [0, 1, 100])
def test_silence_has_no_attack_and_no_tail(frames, channels):
    silence = np.zeros((frames, channels))
    assert attack_start(silence, RATE) is None
    assert tail_end(silence, RATE) is None
    assert sounding_part(silence) == (0, 0)


def test_one_frame_is_its_own_attack_and_tail():
    assert attack_start(np.ones((1, 2)), RATE) == 0
    assert tail_end(np.ones((1, 2)), RATE) == 1
