"""The root finder on sounds of known root, and what must not change its answer."""

import numpy as np
import pytest

from kitfold.measure.root import PITCHED_FROM, Root, find_root
from kitfold.measure.root_drift import held_run
from kitfold.sound import Sound
from kitfold.units import cents_between, midi_to_hz, note_name

RATE_HZ = 44100
GROSS_CENTS = 50.0  # nearer than that, the note is the right one
FINE_CENTS = 1.0  # a steady additive sound is known exactly; a tuner's display shows whole cents


def tone(hz, seconds=1.0, rate_hz=RATE_HZ, partials=8, cents=0.0, decay=0.0):
    """A harmonic tone at a quarter of full scale; `cents` may bend it frame by frame."""
    time = np.arange(int(seconds * rate_hz)) / rate_hz
    phase = 2 * np.pi * np.cumsum(np.broadcast_to(hz * 2 ** (np.asarray(cents) / 1200), len(time))) / rate_hz
    numbers = [n for n in range(1, partials + 1) if n * hz < 0.45 * rate_hz]
    total = sum(np.cos(n * phase + n * n) * np.exp(-decay * n * time) / n for n in numbers)
    ramp = np.minimum(1, np.minimum(time, time[::-1]) / 0.005)
    return 0.25 * total * ramp


def noise(seconds=1.0, seed=1):
    return np.random.default_rng(seed).standard_normal(int(seconds * RATE_HZ)) * 0.1


def off_cents(sound, hz):
    return cents_between(hz, find_root(sound).hz)


@pytest.mark.parametrize("midi", range(24, 106, 9))
def test_a_steady_tone_is_found_within_a_cent_from_c1_to_a7(midi):
    hz = midi_to_hz(midi + 0.31)
    root = find_root(Sound(tone(hz), RATE_HZ))
    assert root.pitched
    assert (root.midi, root.note) == (midi, note_name(midi))
    assert root.cents == pytest.approx(31.0, abs=FINE_CENTS)


def test_note_and_cents_say_the_same_as_hz():
    root = find_root(Sound(tone(233.7), RATE_HZ))
    assert cents_between(midi_to_hz(root.midi), root.hz) == pytest.approx(root.cents, abs=1e-9)  # the same sum twice
    assert all(abs(cents_between(root.hz, other.hz)) > GROSS_CENTS for other in root.alternatives)
    assert [a.confidence for a in root.alternatives] == sorted((a.confidence for a in root.alternatives), reverse=True)
    assert root.confidence + sum(a.confidence for a in root.alternatives) <= 1.0 + 1e-9  # shares of one whole


@pytest.mark.parametrize(
    "intervals", [(0, 7), (0, 7, 12), (0, 12, 19), (0, 12, 24), (-12, 0, 7, 12), (0, 7, 12, 19, 24)]
)
@pytest.mark.parametrize("midi", [45, 57])
def test_the_root_of_a_stack_is_its_lowest_layer(intervals, midi):
    layers = [
        tone(midi_to_hz(midi + step), partials=10) * (1.0 if step == min(intervals) else 0.6) for step in intervals
    ]
    assert abs(off_cents(Sound(sum(layers), RATE_HZ), midi_to_hz(midi + min(intervals)))) < GROSS_CENTS


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(44100),
        np.full(44100, 0.3),
        np.zeros(0),
        np.array([0.5]),
        np.full(1000, -1.0),
        np.eye(1, 44100, 20000)[0],
        noise(),
        noise() * np.exp(-np.arange(44100) / 3000),
        noise(0.03),
    ],
    ids=[
        "silence",
        "DC",
        "no frames",
        "one frame",
        "DC at full scale",
        "click",
        "noise",
        "noise burst",
        "30 ms of noise",
    ],
)
def test_what_has_no_pitch_is_not_called_pitched(samples):
    for channels in (samples, np.stack([samples, -samples], axis=1)):
        assert not find_root(Sound(channels, RATE_HZ)).pitched


def test_silence_has_no_reading_at_all():
    assert find_root(Sound(np.zeros((44100, 2)), RATE_HZ)) == Root()


def test_what_is_not_finite_never_gets_as_far_as_the_root_finder():
    with pytest.raises(ValueError, match="finite"):
        Sound(np.array([0.1, np.nan]), RATE_HZ)


def similar(one, other):
    """The same note within a thousandth of a cent: spectra are taken in 32 bits."""
    assert one.midi == other.midi
    assert one.pitched == other.pitched
    assert cents_between(one.hz, other.hz) == pytest.approx(0.0, abs=1e-3)
    assert one.confidence == pytest.approx(other.confidence, abs=1e-3)


@pytest.fixture(scope="module")
def stereo():
    left, right = tone(155.2, partials=12), tone(155.2 * 2 ** (4 / 1200), partials=12)
    return np.stack([left + noise(seed=2) * 0.01, 0.7 * right + noise(seed=3) * 0.01], axis=1)


def test_polarity_does_not_matter(stereo):
    similar(find_root(Sound(stereo, RATE_HZ)), find_root(Sound(-stereo, RATE_HZ)))


@pytest.mark.parametrize("gain_db", [-90, -40, 3, 11])
def test_gain_does_not_matter(stereo, gain_db):
    similar(find_root(Sound(stereo, RATE_HZ)), find_root(Sound(stereo * 10 ** (gain_db / 20), RATE_HZ)))


def test_the_order_of_the_channels_does_not_matter(stereo):
    assert find_root(Sound(stereo, RATE_HZ)) == find_root(Sound(stereo[:, ::-1], RATE_HZ))


def test_the_same_sound_gives_the_same_answer_twice(stereo):
    assert find_root(Sound(stereo, RATE_HZ)) == find_root(Sound(stereo, RATE_HZ))


def test_a_sound_out_of_phase_with_itself_does_not_cancel():
    samples = tone(196.0)
    root = find_root(Sound(np.stack([samples, -samples], axis=1), RATE_HZ))
    assert root.pitched
    assert cents_between(196.0, root.hz) == pytest.approx(0.0, abs=FINE_CENTS)


def test_dc_does_not_matter():
    similar(find_root(Sound(tone(98.0) + 0.4, RATE_HZ)), find_root(Sound(tone(98.0), RATE_HZ)))


@pytest.mark.parametrize("rate_hz", [4000, 8000, 11025, 18000, 22050, 32000, 48000, 96000, 192000])
def test_any_rate_from_4_khz_will_do(rate_hz):
    root = find_root(Sound(tone(207.3, rate_hz=rate_hz), rate_hz))
    assert root.pitched
    assert cents_between(207.3, root.hz) == pytest.approx(0.0, abs=FINE_CENTS)


def test_thirty_milliseconds_are_enough_for_a_high_note():
    root = find_root(Sound(tone(880.0, 0.03), RATE_HZ))
    assert root.pitched
    assert abs(cents_between(880.0, root.hz)) < 5.0  # a 30 ms window's line is 100 Hz wide; a fortieth of that


@pytest.mark.parametrize("seconds", [0.08, 0.12])
@pytest.mark.parametrize("partials", [5, 16])
def test_a_tenth_of_a_second_of_a_low_note_is_enough(seconds, partials):
    root = find_root(Sound(tone(123.5, seconds, partials=partials), RATE_HZ))  # ten to fifteen periods
    assert abs(cents_between(123.5, root.hz)) < 10.0  # an 80 ms window's line is 75 Hz wide; a hundredth of that


@pytest.mark.parametrize("root_db", [-6, -12, -18])
def test_a_layer_at_minus_12_is_the_root_however_faint(root_db):
    gains = {-12: 10 ** (root_db / 20), 0: 1.0, 7: 1.0, 12: 1.0}
    layers = [gain * tone(220.0 * 2 ** (step / 12), partials=10) for step, gain in gains.items()]
    root = find_root(Sound(sum(layers), RATE_HZ))
    assert root.pitched
    assert abs(cents_between(110.0, root.hz)) < GROSS_CENTS


def test_two_minutes_cost_no_more_than_their_steadiest_stretch():
    frames = 120 * 8000
    wander = 40 * np.sin(2 * np.pi * np.arange(frames) / 8000 / 40)
    wander[60 * 8000 : 75 * 8000] = 20.0
    root = find_root(Sound(tone(330.0, 120.0, 8000, cents=wander), 8000))
    # within the stretch that stands still, or where the slow wandering turns
    assert min(abs(cents_between(330.0, root.hz) - held) for held in (20.0, 40.0, -40.0)) < 2.0


@pytest.mark.parametrize("cents", [-300, 250])
def test_a_glide_into_the_note_leaves_the_held_notes_pitch(cents):
    time = np.arange(2 * RATE_HZ) / RATE_HZ
    glide = cents * np.clip(1 - time / 0.4, 0, 1)
    root = find_root(Sound(tone(261.6, 2.0, cents=glide), RATE_HZ))
    assert root.pitched
    assert abs(cents_between(261.6, root.hz)) < 2.0  # the slide's end still lies in the first span


@pytest.mark.parametrize("drift", [-60.0, 15.0, 40.0])
def test_drift_is_reported_and_the_middle_pitch_found(drift):
    time = np.arange(3 * RATE_HZ) / RATE_HZ
    root = find_root(Sound(tone(220.0, 3.0, cents=drift * (time / 3.0 - 0.5)), RATE_HZ))
    assert root.drift_cents == pytest.approx(drift, rel=0.2)  # seen from the first to the last span, not to the ends
    assert abs(cents_between(220.0, root.hz)) < 0.15 * abs(drift)


def test_a_steady_sound_and_a_vibrato_have_no_drift():
    time = np.arange(2 * RATE_HZ) / RATE_HZ
    assert find_root(Sound(tone(220.0, 2.0), RATE_HZ)).drift_cents == pytest.approx(0.0, abs=0.5)
    vibrato = 20 * np.sin(2 * np.pi * 5.3 * time)
    assert abs(find_root(Sound(tone(220.0, 2.0, cents=vibrato), RATE_HZ)).drift_cents) < 5.0  # a quarter of its depth


def test_a_sound_of_doubtful_pitch_still_offers_its_best_reading():
    root = find_root(Sound(noise(0.5, seed=9), RATE_HZ))
    assert not root.pitched
    assert 0.0 <= root.confidence < PITCHED_FROM
    assert root.hz is None or root.note is not None


def test_a_note_before_that_still_rings_is_not_taken_for_the_root():
    time = np.arange(2 * RATE_HZ) / RATE_HZ
    held = tone(311.1, 2.0) * np.minimum(1, time / 0.3)
    before = tone(220.0, 2.0) * np.exp(-time / 0.25) * 0.5
    root = find_root(Sound(held + before, RATE_HZ))
    assert root.pitched
    assert abs(cents_between(311.1, root.hz)) < 2.0  # the ringing partials pull at none of the note's own


def test_a_pitch_that_is_in_two_minds_is_held_all_along():
    starts = np.arange(6) * 4000
    assert held_run(np.array([-70.0, 70.0, -70.0, 70.0, -70.0, 70.0]), starts, 0.0) == (0, 5)
    assert held_run(np.array([-300.0, 1.0, 20.0, -2.0, 0.0, 90.0]), starts, 0.0) == (1, 4)
    assert held_run(np.full(6, np.nan), starts, 0.0) == (0, 5)
