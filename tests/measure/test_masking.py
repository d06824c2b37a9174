"""Masking moves as the formulas say: by overlap on the ERB scale, by level, by distance, by transposition."""

import numpy as np
import pytest
from scipy.optimize import brentq

from kitfold.measure import erb
from kitfold.measure.masking import MASKED_DB, PER_ERB, Spectrum, loudest_spectrum, pattern_of, share_under
from kitfold.sound import Sound
from kitfold.steps.shift import varispeed

BIN_HZ, BINS = 2.0, 8001  # to 16 kHz, and fine enough for the filters at 100 Hz (a fifth of 35.5 Hz)
HZ = BIN_HZ * np.arange(BINS)
GRID = 1 / PER_ERB


def even_band(low, high, level_db=-40.0):
    """Return a spectrum with the same power in every ERB between two places on the scale, nothing elsewhere."""
    inside = (erb.erb_number(HZ) >= low) & (erb.erb_number(HZ) < high)
    density = np.where(inside, BIN_HZ / erb.erb_hz(HZ), 0.0)
    return Spectrum(10 ** (level_db / 10) * density, BIN_HZ)


def tone(number, level_db=-20.0):
    """Return a spectrum with all its power in the middle of one filter."""
    centres = erb.band_centres_hz(PER_ERB)
    middle = centres[np.argmin(np.abs(erb.erb_number(centres) - number))]
    powers = np.zeros(BINS)
    powers[round(middle / BIN_HZ)] = 10 ** (level_db / 10)
    return Spectrum(powers, BIN_HZ)


def edge_erb(share):
    """Say how far beyond a band's edge a filter still gets `share` of what it gets inside: the roex integrated."""
    return brentq(lambda away: np.exp(-4 * away) * (away + 0.5) - share, 0, 3)


@pytest.mark.parametrize("overlap", [0, 2, 4, 6, 8])
def test_the_share_is_the_overlap_on_the_erb_scale_and_the_spread_of_its_edges(overlap):
    # Even bands over ten ERB, one 10 dB over the other. From the edge of the louder on, a filter d ERB outside gets
    # exp(-4 d) (d + 1/2) of it, the integral of (1 + 4 x) exp(-4 x); it masks as long as that is over 2 / 10 (-3 dB,
    # +10 dB). The fainter band is its own up to where half of a filter's power comes from within half an ERB.
    sound, other = pattern_of(even_band(12, 22, -40)), pattern_of(even_band(12 - 10 + overlap, 12 + overlap, -30))
    own = 10 + 2 * brentq(lambda d: np.exp(-4 * d) * (d + 0.5) - 2 * np.exp(-2), 0, 3)
    # at its own lower end the sound is weaker as well, so that all of its edge goes under once there is any overlap
    covered = overlap + edge_erb(10 ** ((-MASKED_DB - 10) / 10)) + (own - 10) / 2
    wanted = covered / own if overlap else share_at_touching(own)
    # half a grid step at either end of what is covered, and at either end of the sound
    assert share_under(sound, other) == pytest.approx(wanted, abs=2 * GRID / own)


def share_at_touching(own):
    """Return the share where the bands only touch: both fall off, the sound inwards from -3 dB at its edge."""

    def margin(away):  # inside the sound, `away` from the edge: what the sound gets there, less what masks it
        return (1 - np.exp(-4 * away) * (away + 0.5)) - 10 ** ((10 + MASKED_DB) / 10) * np.exp(-4 * away) * (away + 0.5)

    return (brentq(margin, 0, 3) + (own - 10) / 2) / own


def test_each_erb_more_of_overlap_adds_a_tenth_to_the_share_of_a_sound_ten_erb_wide():
    sound = pattern_of(even_band(12, 22, -40))
    shares = [share_under(sound, pattern_of(even_band(4 + step, 13 + step, -30))) for step in range(8)]
    own = sound.own.sum() / PER_ERB
    assert np.diff(shares) == pytest.approx(np.full(7, 1 / own), abs=GRID / own + 1e-9)  # to one step of the grid


@pytest.mark.parametrize("away", [0.0, 0.6, 1.0, 1.6, 2.0])
def test_a_tone_goes_under_at_the_level_that_the_filters_skirt_gives(away):
    # the filter on the tone passes (1 + 4 d) exp(-4 d) of a masker d ERB off; the tone is lost 3 dB under that
    skirt_db = 10 * np.log10((1 + 4 * away) * np.exp(-4 * away))
    masker = pattern_of(tone(16 + away, -20))
    centre = np.argmax(pattern_of(tone(16)).excitation)

    def lost(level_db):
        heard = pattern_of(tone(16, level_db))
        assert heard.own[centre]
        return heard.excitation[centre] < masker.excitation[centre] * 10 ** (MASKED_DB / 10)

    edge_db = -20 + skirt_db + MASKED_DB
    # bins are 2 Hz wide, so a tone is not quite in the middle of its filter: a hundredth of an ERB, 0.2 dB on the skirt
    assert lost(edge_db - 0.3)
    assert not lost(edge_db + 0.3)


def test_a_band_of_noise_is_lost_under_the_same_band_3_db_louder_and_heard_under_one_that_is_not():
    sound = pattern_of(even_band(10, 20, -40))
    shares = [share_under(sound, pattern_of(even_band(10, 20, -40 + over_db))) for over_db in (-6, 0, 2.9, 3.1, 6)]
    assert shares == [0, 0, 0, 1, 1]


def test_a_tone_makes_one_erb_of_a_sound_and_two_apart_make_two():
    assert pattern_of(tone(16)).own.sum() == PER_ERB
    both = Spectrum(tone(16).powers + tone(19).powers, BIN_HZ)
    assert pattern_of(both).own.sum() == 2 * PER_ERB


def test_the_skirts_of_a_partial_are_no_part_of_a_sound():
    # one partial 40 dB over the other and 1.4 ERB away: -15.6 dB of the loud one is in the faint one's filter
    both = Spectrum(tone(16, -20).powers + tone(17.4, -60).powers, BIN_HZ)
    assert pattern_of(both).own.sum() == PER_ERB


def test_what_lies_under_the_threshold_in_quiet_is_not_audible():
    # Terhardt 1979: 3.4 dB SPL at 1 kHz; a sine of mean square 1/2 is heard at 90 dB SPL
    quiet_db = 3.4 - 90 - 3.01
    at = float(erb.erb_number(1000))
    assert not pattern_of(tone(at, quiet_db - 1)).own.any()
    assert pattern_of(tone(at, quiet_db + 1)).own.any()  # 1 dB: the filter's centre is not at 1 kHz sharp


def test_bands_of_stored_noise_are_no_part_of_a_sound():
    spectrum = Spectrum(tone(10, -20).powers + 1e-3 / BINS, BIN_HZ)
    assert pattern_of(spectrum).own.sum() > 10 * PER_ERB  # 10 dB under the tone in all, and audible
    assert pattern_of(Spectrum(spectrum.powers, BIN_HZ, noise=1e-3)).own.sum() == PER_ERB


def test_a_sound_that_is_not_heard_even_alone_loses_nothing():
    assert share_under(pattern_of(tone(16, -200)), pattern_of(tone(16))) == 0


def test_several_notes_count_alike():
    sounds = [pattern_of(tone(number)) for number in (10, 16)]
    notes = type(sounds[0])(np.array([s.excitation for s in sounds]), np.array([s.own for s in sounds]))
    assert share_under(notes, pattern_of(tone(16, -10))) == pytest.approx(0.5)
    assert share_under(pattern_of(tone(16, -30)), notes) == pytest.approx(0.5)


# From sounds.


def harmonics(hz=220.0, rate_hz=44_100, seconds=1.0, count=8):
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    return Sound(sum(0.2 / n * np.sin(2 * np.pi * hz * n * times + n) for n in range(1, count + 1)), rate_hz)


@pytest.mark.parametrize("level", [1.0, 0.1])
def test_a_spectrum_adds_up_to_the_mean_square(level):
    times = np.arange(44_100) / 44_100
    # 5 %, 0.2 dB: the loudest 400 ms may begin up to a hop after the sound, whose first frames are then seen too
    sine = Sound(level * np.sin(2 * np.pi * 997 * times), 44_100)
    assert loudest_spectrum(sine).power == pytest.approx(level**2 / 2, rel=0.05)
    stereo = Sound(np.repeat(sine.samples, 2, axis=1), 44_100)
    assert loudest_spectrum(stereo).power == pytest.approx(level**2, rel=0.05)


@pytest.mark.parametrize(("seconds", "share"), [(0.05, 0.25), (0.1, 0.5), (0.2, 1.0), (0.3, 1.0)])
def test_a_short_sound_counts_whole_and_for_as_much_less_as_it_is_shorter_than_200_ms(seconds, share):
    noise = Sound(np.random.default_rng(1).standard_normal(round(seconds * 44_100)) / 10, 44_100)
    power = float(np.mean(noise.float64() ** 2))
    assert loudest_spectrum(noise).power == pytest.approx(share * power, rel=0.03)  # window by window noise differs


def test_the_loudest_part_counts():
    quiet = harmonics().samples
    sound = Sound(np.concatenate([0.01 * quiet, quiet, 0.01 * quiet]), 44_100)
    assert loudest_spectrum(sound).power == pytest.approx(loudest_spectrum(harmonics()).power, rel=0.05)


@pytest.mark.parametrize("semitones", [-12, -5, 7, 12])
def test_a_transposed_spectrum_excites_what_the_rendered_transposition_does(semitones):
    # nothing is rendered to try an octave: the bins of varispeed lie further apart, and that is all
    sound = harmonics()
    moved = pattern_of(loudest_spectrum(sound), semitones)
    rendered = pattern_of(loudest_spectrum(varispeed(sound, 2 ** (semitones / 12))))
    heard = rendered.own & moved.own
    assert heard.sum() >= 0.9 * max(rendered.own.sum(), moved.own.sum())
    off_db = 10 * np.log10(moved.excitation[heard] / rendered.excitation[heard])
    # windows of 200 ms on both: an octave away their lobes are twice or half as wide, against filters of 60 Hz or more
    assert np.abs(off_db).max() < 1.0


def test_playback_gain_moves_the_excitation_by_as_much():
    spectrum = loudest_spectrum(harmonics())
    ratio = pattern_of(spectrum, 0, -6.0).excitation / pattern_of(spectrum).excitation
    assert 10 * np.log10(ratio) == pytest.approx(np.full(len(ratio), -6.0), abs=1e-9)


@pytest.mark.parametrize("frames", [0, 1, 2, 50])
@pytest.mark.parametrize("channels", [1, 2])
def test_silence_and_very_short_sounds_are_measured_too(frames, channels):
    silence = pattern_of(loudest_spectrum(Sound(np.zeros((frames, channels)), 44_100)))
    assert not silence.own.any()
    assert not silence.excitation.any()
    blip = pattern_of(loudest_spectrum(Sound(np.full((frames, channels), 0.5), 44_100)))
    assert np.isfinite(blip.excitation).all()


def test_the_centroid_of_a_sine_is_its_frequency():
    times = np.arange(44_100) / 44_100
    spectrum = loudest_spectrum(Sound(0.5 * np.sin(2 * np.pi * 1000 * times), 44_100))
    assert spectrum.centroid_hz == pytest.approx(1000, rel=1e-3)
    assert Spectrum(np.zeros(5), 1.0).centroid_hz == 0
