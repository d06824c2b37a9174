"""The cost of a change is what the ear misses: bounded, ordered, the same in closed form as when rendered."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from kitfold.measure import audible, erb
from kitfold.pack.quantise import dequantise, quantise
from kitfold.sound import Sound

RATE_HZ = 48_000


def pad(seconds=3.0, rate_hz=RATE_HZ, phase=0.0):
    """A decaying, beating tone with 24 partials and a little air, peak near 0.9: nothing special anywhere."""
    time = np.arange(int(seconds * rate_hz)) / rate_hz
    tone = sum(
        np.cos(2 * np.pi * 146.83 * n * time + phase + n * n) / n * np.exp(-0.3 * n * time) for n in range(1, 25)
    )
    return 0.9 * tone / np.abs(tone).max() * np.minimum(1, time / 0.01)


def air(seconds=3.0, seed=1):
    return sosfilt(butter(2, [200, 9000], "band", fs=RATE_HZ, output="sos"), noise(seconds, 0.2, seed))


def ended(samples, rate_hz=RATE_HZ):
    """Fade both ends in 20 ms, so that nothing clicks."""
    seconds = np.arange(len(samples)) / rate_hz
    return samples * np.clip(np.minimum(seconds, seconds[::-1]) / 0.02, 0, 1)


def noise(seconds, level, seed=2):
    return level * np.random.default_rng(seed).standard_normal(int(seconds * RATE_HZ))


def sine(hz, level=1.0, seconds=1.0, phase=0.0):
    return level * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ + phase)


def cost_db(one, other, rate_hz=RATE_HZ):
    return audible.audible_error_db(audible.hear(Sound(one, RATE_HZ)), Sound(other, rate_hz))


def cut(samples, kept_s, fade_s):
    """Keep the start, with a raised cosine before its end."""
    kept = samples[: int(kept_s * RATE_HZ)].copy()
    fade = int(fade_s * RATE_HZ)
    kept[len(kept) - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    return Sound(kept, RATE_HZ)


SOUNDS = {"pad": ended(pad()), "air": ended(air()), "both": ended(0.7 * pad() + 0.05 * air())}


@pytest.mark.parametrize("hz", [100, 1000, 4000])
def test_a_full_scale_sine_is_heard_at_its_level_over_the_threshold(hz):
    levels = audible.hear(Sound(sine(hz), RATE_HZ)).levels_db
    wanted = erb.FULL_SCALE_SPL_DB - float(erb.threshold_spl_db(hz))
    # 2 dB: half-ERB bands of the ear's filters share a tone with their neighbours, the window's skirts widen it, and at
    # 100 Hz the threshold falls by 1.4 dB within a band
    assert levels[30:50].max(axis=1) == pytest.approx(np.full(20, wanted), abs=2.0)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [0, 1, 400, 4800])
def test_short_sounds_and_silence_are_ordinary_inputs(frames, channels):
    for samples in (np.zeros((frames, channels)), noise(0.1, 0.1)[:frames, None].repeat(channels, axis=1)):
        heard = audible.hear(Sound(samples, RATE_HZ))
        assert heard.levels_db.shape == (-(-frames // 576), 78)  # 12 ms at 48 kHz are 576 frames
        assert audible.audible_error_db(heard, Sound(samples, RATE_HZ)) == audible.FLOOR_DB
        shares = audible.lost_by_cuts(heard, [0.0, 0.05, 9.0], 0.01)
        shares = [*shares, audible.lost_by_band(heard, 2000), audible.added_noise(heard, 1e-4)]
        assert np.all(np.isfinite(shares))
        assert np.all(np.array(shares) >= 0)


def test_the_same_sound_costs_nothing_and_none_of_it_costs_most():
    for sound in SOUNDS.values():
        heard = audible.hear(Sound(sound, RATE_HZ))
        assert audible.audible_error_db(heard, Sound(sound, RATE_HZ)) == audible.FLOOR_DB
        nothing = audible.audible_error(heard, Sound(np.zeros_like(sound), RATE_HZ))
        assert nothing == pytest.approx(1.0)  # it is all gone: 0 dB, of a narrow sound as of a wide one
        assert audible.lost_by_cuts(heard, [0.0]) == pytest.approx([1.0])
        assert nothing > audible.audible_error(heard, cut(sound, 1.0, 0.15))


@pytest.mark.parametrize("name", SOUNDS)
@pytest.mark.parametrize("kept_s", [0.4, 1.0, 2.0, 2.8])
def test_cuts_cost_in_closed_form_what_they_cost_rendered(name, kept_s):
    fade_s = min(0.15, kept_s / 4)
    heard, rendered = audible.hear(Sound(SOUNDS[name], RATE_HZ)), cut(SOUNDS[name], kept_s, fade_s)
    closed = audible.error_db(*audible.lost_by_cuts(heard, [kept_s], fade_s))
    # 1 dB: the closed form leaves out what the fade does to the rises and falls
    assert closed == pytest.approx(audible.audible_error_db(heard, rendered), abs=1.0)


@pytest.mark.parametrize("name", SOUNDS)
@pytest.mark.parametrize("rate_hz", [6000, 12_000, 16_000])
def test_lost_highs_cost_in_closed_form_what_they_cost_rendered(name, rate_hz):
    import soxr

    heard = audible.hear(Sound(SOUNDS[name], RATE_HZ))
    low = soxr.resample(SOUNDS[name], RATE_HZ, rate_hz, quality="VHQ")
    rendered = audible.audible_error_db(heard, Sound(low, rate_hz))
    if rendered < -60:  # the pad has nothing there
        assert audible.error_db(audible.lost_by_band(heard, rate_hz / 2)) < -50
    else:
        # 1 dB: the closed form cuts square, the resampler falls over the last tenth of the band
        assert audible.error_db(audible.lost_by_band(heard, rate_hz / 2)) == pytest.approx(rendered, abs=1.0)


@pytest.mark.parametrize("name", SOUNDS)
@pytest.mark.parametrize(("bits", "encoding"), [(8, "signed"), (12, "signed"), (8, "mu-law"), (8, "a-law")])
def test_depths_cost_in_closed_form_what_they_cost_rendered(name, bits, encoding):
    heard = audible.hear(Sound(SOUNDS[name], RATE_HZ))
    codes = quantise(SOUNDS[name], bits, encoding, dither=encoding == "signed", seed=3)
    rendered = audible.audible_error_db(heard, Sound(dequantise(codes, bits, encoding), RATE_HZ))
    power = audible.quantised_power(bits, True) if encoding == "signed" else audible.companded_power(heard, encoding)
    # 0.5 dB with dither, whose noise has exactly that power; 2 dB for companded codes, taken for normal and white
    within_db = 0.5 if encoding == "signed" else 2.0
    assert audible.error_db(audible.added_noise(heard, power)) == pytest.approx(rendered, abs=within_db)


@pytest.mark.parametrize("bits", [8, 12])
def test_an_octave_up_costs_in_closed_form_what_it_costs_rendered(bits):
    import soxr

    rate_hz, sound = 32_000, SOUNDS["both"]
    heard = audible.hear(Sound(sound, RATE_HZ))
    low = soxr.resample(sound, RATE_HZ, rate_hz / 2, quality="VHQ")
    played = dequantise(quantise(low, bits, "signed", True, 4), bits, "signed")
    rendered = audible.audible_error_db(heard, Sound(played, rate_hz // 2))
    stored = audible.stored_errors(heard, rate_hz / 4, audible.quantised_power(bits, True))
    closed = audible.error_db(*audible.lost_by_cuts(heard, [9.0], stored=stored))
    assert closed == pytest.approx(rendered, abs=1.0)  # the resampler's last tenth, as above


def test_a_cut_of_a_noisy_store_costs_both():
    heard = audible.hear(Sound(SOUNDS["both"], RATE_HZ))
    stored = audible.stored_errors(heard, 8000.0, 1e-5)
    whole, none = audible.lost_by_cuts(heard, [9.0, 0.0], stored=stored)
    # a share of what is heard: with nothing kept all of it is gone
    assert none == pytest.approx(1.0)
    middle, cut_alone = (audible.lost_by_cuts(heard, [1.5], stored=one)[0] for one in (stored, None))
    assert middle == pytest.approx(cut_alone + whole * stored[:125].sum() / stored.sum(), rel=1e-6)  # 125 frames: 1.5 s


@pytest.mark.parametrize("name", SOUNDS)
def test_more_damage_costs_more(name):
    heard = audible.hear(Sound(SOUNDS[name], RATE_HZ))
    cuts = audible.lost_by_cuts(heard, np.linspace(0.0, 3.0, 31), 0.15)
    bands = [audible.lost_by_band(heard, hz) for hz in (500, 1000, 2000, 4000, 8000)]
    noises = [audible.added_noise(heard, audible.quantised_power(bits, True)) for bits in (6, 7, 8, 10, 12, 14)]
    for shares in (cuts, bands, noises):
        assert np.all(np.diff(shares) < 0)


def test_another_phase_costs_nothing_though_the_wave_differs():
    one, other = sine(440, 0.5), sine(440, 0.5, phase=np.pi)
    assert 10 * np.log10(np.mean((one - other) ** 2) / np.mean(one**2)) == pytest.approx(6.02, abs=0.01)
    assert cost_db(one, other) < -60  # 0.0001 % of the pattern


def test_what_nobody_hears_costs_nothing():
    for unheard in (ended(sine(19_500, 0.1, 3.0)), noise(3.0, 1e-7)):  # above the bands; -140 dBFS
        assert cost_db(SOUNDS["pad"], SOUNDS["pad"] + unheard) < -60


def test_noise_under_a_sound_costs_less_than_noise_beside_it():
    tone = sum(sine(hz, 0.05, 2.0) for hz in range(900, 1101, 10))
    band = [
        sosfilt(butter(4, edges, "band", fs=RATE_HZ, output="sos"), noise(2.0, 1.0))
        for edges in ([950, 1050], [3300, 3650])
    ]
    under, beside = (0.001 * one / np.sqrt(np.mean(one**2)) for one in band)
    assert cost_db(tone, tone + under) < cost_db(tone, tone + beside) - 6  # equal powers; a factor of four at least


def test_silence_at_the_end_dilutes_nothing():
    noisy = SOUNDS["pad"] + noise(3.0, 0.003)
    longer = [np.pad(one, (0, 5 * RATE_HZ)) for one in (SOUNDS["pad"], noisy)]
    assert cost_db(*longer) == pytest.approx(cost_db(SOUNDS["pad"], noisy), abs=0.1)  # the last frames' surroundings


def test_a_shorter_version_is_followed_by_silence():
    short = SOUNDS["both"][: 2 * RATE_HZ]
    padded = np.pad(short, (0, RATE_HZ))
    # 0.1 dB: two windows reach over the short one's end
    assert cost_db(SOUNDS["both"], short) == pytest.approx(cost_db(SOUNDS["both"], padded), abs=0.1)


def test_what_playback_adds_counts():
    loud, soft = Sound(SOUNDS["both"], RATE_HZ), Sound(SOUNDS["both"] * 0.1, RATE_HZ)
    reference, other = audible.hear(loud), audible.hear(soft, gain_db=20.0)
    assert other.levels_db == pytest.approx(reference.levels_db, abs=0.01)  # float32 samples
    assert audible.added_noise(other, 1e-7) == pytest.approx(audible.added_noise(reference, 1e-5), rel=0.01)


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000])
def test_the_rate_of_a_version_hardly_matters(rate_hz):
    # the pad's partials end at 3.5 kHz; resampling it is exact to far less than -50 dB of what is heard
    assert cost_db(ended(pad()), ended(pad(rate_hz=rate_hz), rate_hz), rate_hz) < -50


def test_two_equal_channels_cost_what_one_costs():
    one, other = SOUNDS["both"], SOUNDS["both"] + noise(3.0, 0.002)
    pair = [np.stack([samples, samples], axis=1) for samples in (one, other)]
    # 0.5 dB: two channels add up to 3 dB more, a little further over the threshold
    assert cost_db(*pair) == pytest.approx(cost_db(one, other), abs=0.5)


def test_the_same_input_gives_the_same_figures():
    def figures():
        heard = audible.hear(Sound(SOUNDS["both"], RATE_HZ))
        return audible.lost_by_band(heard, 3000), audible.added_noise(heard, 1e-5), *audible.lost_by_cuts(heard, [1.0])

    assert figures() == figures()


def test_shares_add_up_to_decibels():
    assert audible.error_db(0.005, 0.005) == pytest.approx(-20.0)
    assert audible.error_db(0.0) == audible.error_db() == audible.FLOOR_DB == -120.0


def test_running_out_of_time_costs_nothing_at_its_own_speed_and_more_the_further_off():
    time = np.arange(36_000) / 18_000
    beating = (1 + np.sin(2 * np.pi * 3 * time)) * np.sin(2 * np.pi * 300 * time) / 2
    heard = audible.hear(Sound(beating, 18_000))
    costs = [audible.out_of_time(heard, ratio) for ratio in (1.0, 1.05, 1.5)]
    assert costs[0] == 0.0
    assert costs[0] < costs[1] < costs[2]


def test_a_steady_sound_loses_next_to_nothing_by_running_faster():
    time = np.arange(36_000) / 18_000
    steady = audible.hear(Sound(0.5 * np.sin(2 * np.pi * 300 * time), 18_000))
    # 0.05 is what the start makes of it, which runs faster too, over 1.3 s of one narrow band
    assert audible.out_of_time(steady, 1.5) < 0.06
