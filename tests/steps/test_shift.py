"""Moving pitch, by closed forms: a sine moved by a ratio is the sine made at that pitch."""

import numpy as np
import pytest
import soxr

from kitfold.errors import StepError
from kitfold.sound import Sound
from kitfold.steps.shift import keep_length, varispeed, varispeed_frames

RATE = 48_000
SHORT = [1, 2, 3, 64, 1000]


def sine(hz, seconds=1.0, rate_hz=RATE):
    return Sound(0.5 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz), rate_hz, root_hz=hz)


def cents_off(sound, wanted_hz):
    """How far a sine lies from where it should, by the phase that it gains between two halves of its middle."""
    samples = sound.float64()[:, 0]
    half = len(samples) * 3 // 10
    beat = np.exp(-2j * np.pi * wanted_hz * np.arange(2 * half) / sound.rate_hz)
    turned = samples[half * 2 // 3 :][: 2 * half] * beat
    first, second = (np.sum(part * np.blackman(half)) for part in (turned[:half], turned[half:]))
    return 1200 * np.log2(1 + np.angle(second / first) / (2 * np.pi * half / sound.rate_hz) / wanted_hz)


def level_db(sound, first=0.3, last=0.7):
    samples = sound.float64()[round(first * sound.frames) : round(last * sound.frames)]
    return 10 * np.log10(np.mean(samples**2))


@pytest.mark.parametrize("semitones", [-12, -0.37, 7, 12, 19])
@pytest.mark.parametrize(("hz", "rate_hz"), [(55, 44_100), (110, 48_000), (440, 22_050), (2000, 48_000)])
def test_keep_length_moves_a_sine_within_half_a_cent_and_keeps_its_level(hz, rate_hz, semitones):
    ratio = 2 ** (semitones / 12)
    source = sine(hz, 1.5, rate_hz)
    moved = keep_length(source, ratio)
    assert moved.frames == source.frames
    assert abs(cents_off(moved, hz * ratio)) < 0.5  # the promise; 0.003 is what it is today
    assert abs(level_db(moved) - level_db(source)) < 0.1  # the promise; 0.02 is what it is today
    # 55 Hz an octave down swings by half a dB in the window itself; 1 dB is the promise
    assert abs(level_db(moved, 0.85, 0.95) - level_db(source, 0.85, 0.95)) < 1.0


def test_a_sine_does_not_waver_at_low_rates_either():
    samples = keep_length(sine(440, 1.5, 22_050), 2 ** (-0.13 / 12)).float64()[:, 0]
    powers = [np.mean(samples[first : first + 2205] ** 2) for first in range(4410, 26_000, 2205)]
    # the windows are not whole periods: 0.1 dB; 0.4 dB more where the stretcher itself runs at 22 kHz
    assert 10 * np.log10(max(powers) / min(powers)) < 0.15


@pytest.mark.parametrize("semitones", [-12, -0.37, 7, 12, 19])
@pytest.mark.parametrize(("hz", "rate_hz"), [(55, 44_100), (440, 22_050), (2000, 48_000)])
def test_varispeed_moves_a_sine_within_a_tenth_of_a_cent_and_keeps_its_level(hz, rate_hz, semitones):
    ratio = 2 ** (semitones / 12)
    moved = varispeed(sine(hz, 1.5, rate_hz), ratio)
    assert moved.frames == varispeed_frames(round(1.5 * rate_hz), ratio)
    assert abs(cents_off(moved, hz * ratio)) < 0.1  # the promise; 0.00003 is what it is today
    assert level_db(moved) == pytest.approx(20 * np.log10(0.5) - 3.0103, abs=0.05)  # the window is not whole periods


def test_varispeed_equals_the_sine_made_at_the_new_pitch():
    moved = varispeed(sine(440), 2 ** (7 / 12)).float64()[:, 0]
    made = 0.5 * np.sin(2 * np.pi * 440 * 2 ** (7 / 12) * np.arange(len(moved)) / RATE)
    inside = slice(2000, -2000)  # the resampler's window sees silence beyond both ends
    assert np.max(np.abs(moved - made)[inside]) < 1e-6  # -120 dB: float32 rounding and soxr's VHQ


def test_an_octave_up_folds_nothing_back():
    top = sine(16_000)  # would land at 32 kHz, and alias to 16 kHz
    assert level_db(varispeed(top, 2.0)) < -110  # soxr's VHQ stop band, under a 24-bit sound's noise


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", SHORT)
@pytest.mark.parametrize("semitones", [-48, -5, 7, 48])
def test_the_shortest_sounds_keep_or_change_their_length_to_the_frame(frames, channels, semitones):
    ratio = 2 ** (semitones / 12)
    source = Sound(np.full((frames, channels), 0.25), RATE)
    assert keep_length(source, ratio).samples.shape == (frames, channels)
    wanted = max(1, int(np.floor(frames / ratio + 0.5)))
    assert varispeed(source, ratio).samples.shape == (wanted, channels)


@pytest.mark.parametrize("move", [keep_length, varispeed])
def test_nothing_is_moved_by_ratio_1_or_where_there_are_no_frames(move):
    source = sine(440, 0.1)
    assert np.array_equal(move(source, 1.0).samples, source.samples)
    assert move(Sound(np.zeros((0, 2)), RATE), 1.5).samples.shape == (0, 2)


@pytest.mark.parametrize("move", [keep_length, varispeed])
def test_the_root_moves_along(move):
    assert move(sine(440, 0.1), 1.5).root_hz == 660
    assert move(Sound(np.zeros((10, 1)), RATE), 1.5).root_hz is None


def test_a_start_on_frame_0_is_not_swallowed():
    source = sine(440)
    start = slice(0, 960)
    lost_db = 10 * np.log10(
        np.mean(source.float64()[start] ** 2) / np.mean(keep_length(source, 0.5).float64()[start] ** 2)
    )
    assert lost_db < 3  # 1.5 today; 10.5 without a margin of silence before it, by the stretcher itself


ATTACKS = {"bass": 0.010, "pad": 0.400}
STARTS = ["bass", "pluck", "pad", "abrupt"]


def played(name, take=5):
    """A C2 bass with 10 ms attack, a plucked A3, an A3 pad with 0.4 s attack, or a full A3 from its first frame on."""
    time_s = np.arange(RATE // 2) / RATE
    hz = 65.406 if name == "bass" else 220.0
    phases = np.random.default_rng(take).uniform(0, 2 * np.pi, 24) if name in ATTACKS else np.full(24, np.pi / 2)
    number = np.arange(1, 25)[:, np.newaxis]
    partials = 0.3 / number**2 * np.sin(2 * np.pi * hz * number * time_s + phases[:, np.newaxis])
    fading = np.exp(-time_s * number) if name == "pluck" else 1.0
    attack = np.minimum(time_s / ATTACKS[name], 1.0) if name in ATTACKS else 1.0
    return Sound(np.sum(partials * fading, axis=0) * attack, RATE)


def ramped(sound):
    """The same, falling to zero within its last 10 ms."""
    return sound.with_samples(sound.float64() * np.minimum(np.arange(sound.frames, 0, -1) / 480, 1.0)[:, np.newaxis])


def moved_samples(sound, semitones):
    return keep_length(sound, 2 ** (semitones / 12)).float64()[:, 0]


def risen(samples):
    """The loudest sample so far."""
    return np.maximum.accumulate(np.abs(samples))


def half_risen_ms(samples):
    """When the loudest sample so far is half of the first 50 ms' peak."""
    rise = risen(samples[: RATE // 20])
    return np.argmax(rise >= rise[-1] / 2) * 1000 / RATE


def half_swollen_ms(samples):
    """When the level over 16 ms, a period of C2, is half of what it is from 40 to 100 ms."""
    window = np.hanning(769)
    level = np.sqrt(np.convolve(np.pad(samples[:9600], (2400, 0)) ** 2, window, mode="same"))
    return (np.argmax(level[:6240] >= np.mean(level[4320:7200]) / 2) - 2400) * 1000 / RATE


def above_4_khz_db(samples):
    """The power above 4 kHz of the first 4 ms, and of the 20 ms after them, the start itself being an edge."""
    spectrum = np.fft.rfft(np.pad(samples[:9600], (4800, 0)))
    spectrum[np.fft.rfftfreq(14_400, 1 / RATE) < 4000] = 0
    high = np.fft.irfft(spectrum)[4800:]
    return tuple(10 * np.log10(np.mean(part**2)) for part in (high[:192], high[192:1152]))


@pytest.mark.parametrize("semitones", [-12, -5, 7, 12, 17])
@pytest.mark.parametrize("name", STARTS)
def test_no_start_or_end_is_louder_than_the_source_has_it(name, semitones):
    source = ramped(played(name))
    after = moved_samples(source, semitones)
    assert len(after) == source.frames
    for samples, attack_s in ((after, ATTACKS.get(name)), (after[::-1], 0.010)):
        since_s = np.arange(1, 961) / RATE  # 20 ms
        ramp = np.minimum(since_s / attack_s, 1.0) if attack_s else np.ones(960)
        assert np.all(np.abs(samples[:960]) <= source.peak() * ramp + 1e-6)  # the attack itself, and float32


@pytest.mark.parametrize("semitones", [-12, -5, 7, 12, 17])
@pytest.mark.parametrize("name", ["pluck", "abrupt"])
def test_an_abrupt_start_stays_abrupt(name, semitones):
    # 2 ms is the promise (layers under 5 ms apart are heard as one, common practice); 1.1 is what it is today
    assert half_risen_ms(moved_samples(played(name), semitones)) < 2.0


@pytest.mark.parametrize("semitones", [-12, -5, 7, 17])
def test_a_low_attack_stays_where_it_was(semitones):
    takes = [played("bass", take) for take in range(4)]
    late_ms = [half_swollen_ms(moved_samples(a, semitones)) - half_swollen_ms(a.float64()[:, 0]) for a in takes]
    assert abs(np.mean(late_ms)) < 3.0  # the mean, as the swing of C2 hides where an attack is by half of 15 ms


@pytest.mark.parametrize("semitones", [-5, 7, 17])
@pytest.mark.parametrize("name", ["bass", "pad"])
def test_a_start_or_end_at_zero_does_not_click(name, semitones):
    after = moved_samples(ramped(played(name)), semitones)
    for samples in (after, after[::-1]):
        first_db, rest_db = above_4_khz_db(samples)
        # a cut edge stands 10 to 40 dB above what follows; 3 dB is the chance of one 4 ms window, and -75 dB lies
        # 60 dB under a sound of -15 dB, where it masks what is this near in time (common practice)
        assert first_db < max(rest_db + 3, -75)


def test_silence_before_a_sound_stays_silent_until_it_starts():
    source = played("pluck")
    later = source.with_samples(np.pad(source.samples, ((9600, 0), (0, 0))))
    for semitones in (7, 12, 17):
        after = moved_samples(later, semitones)
        assert np.max(np.abs(after[:9600])) == 0.0  # nothing was there to be moved
        assert half_risen_ms(after[9600:]) < 5.0  # heard as one (common practice); 2.9 is what it is today


def test_a_burst_stays_where_it_was():
    burst = np.zeros(RATE)
    burst[12_000:12_480] = np.hanning(480) * np.sin(2 * np.pi * 2000 * np.arange(480) / RATE)
    for semitones in (-12, -5, 7, 12):
        energy = keep_length(Sound(burst, RATE), 2 ** (semitones / 12)).float64()[:, 0] ** 2
        centre_s = np.sum(energy * np.arange(RATE)) / np.sum(energy) / RATE
        assert abs(centre_s - 12_239.5 / RATE) < 0.004  # layers under 5 ms apart are heard as one (common practice)


def test_noise_keeps_its_level_too():
    noise = np.random.default_rng(3).standard_normal(2 * RATE) * 0.1
    source = Sound(soxr.resample(noise, RATE, RATE / 4)[: RATE // 2].repeat(4), RATE)
    low = Sound(np.convolve(source.samples[:, 0], np.hanning(16), mode="same"), RATE)
    moved = keep_length(low, 1.5)
    # without make-up 0.7 dB is lost; the median over moments leaves 0.2 of it
    assert level_db(moved, 0.1, 0.9) == pytest.approx(level_db(low, 0.1, 0.9), abs=0.4)


def test_channels_keep_their_relation():
    left = np.random.default_rng(4).standard_normal(RATE) * 0.1
    same = keep_length(Sound(np.stack([left, left], axis=1), RATE), 1.5).samples
    assert np.array_equal(same[:, 0], same[:, 1])
    turned = keep_length(Sound(np.stack([left, -left], axis=1), RATE), 1.5).samples
    assert np.array_equal(turned[:, 0], -turned[:, 1])


def test_a_sound_of_more_than_ten_minutes_is_refused_with_a_way_out():
    with pytest.raises(StepError, match=r"would last 800 s; 600 s are allowed(.|\n)*keep-length"):
        varispeed(Sound(np.zeros(400 * 10), 10), 0.5)
