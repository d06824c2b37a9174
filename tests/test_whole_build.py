"""The claims of a whole build, each measured again from outside on what the demo kit gives.

What is measured here uses soundfile to decode, pyloudnorm's K-weighting (ITU-R BS.1770-4) and numpy; nothing of kitfold
but its command line. What the song asks is written down by hand from input_demo/kit.toml.
"""

import hashlib
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile as sf
from scipy.signal import resample_poly

DEMO = Path(__file__).parents[1] / "input_demo"
SLOT_LEVELS, STEREO, NO_LEVELS = "mono8-22s", "stereo16-18mb", "plain12"
DEVICES = (SLOT_LEVELS, STEREO, NO_LEVELS)
PLAIN = """
name = "plain12"
rate_hz = 24000
bits = 12
slots = 12
memory_s = 30
transpose = [-12, 12]
slot_level = false
"""
# the roots that the takes were played at (input_demo/make_takes.py), moved where kit.toml says so (tune.to)
NOTES = {
    "reed-pad": 50,
    "glasswort": 74,
    "halyard": 62,
    "buoy": 69,
    "driftwood": 62,
    "groundswell": 38,
}
PATTERN_S = 4 * 60 / 76
# section, chord, the shortest way there from D (a tie goes down), patterns that it is held at most
PAD_ASKS = {
    ("ebb", "i", 0, 2),
    ("ebb", "v", -5, 1),
    ("ebb", "VI", -4, 1),
    ("dusk", "Bb", -4, 2),
    ("dusk", "F", 3, 1),
    ("dusk", "C", -2, 1),
    ("dusk", "Gm", 5, 1),
    ("dusk", "Dm", 0, 1),
    ("dusk", "Am", -5, 2),
}


def kitfold(*arguments, cwd, cache):
    environment = {**os.environ, "KITFOLD_CACHE": str(cache)}
    return subprocess.run(
        [sys.executable, "-m", "kitfold", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env=environment,
        check=False,
    )


def sha256(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


class Build:
    """A build's folder and manifest, and its sounds decoded."""

    def __init__(self, folder):
        self.folder = folder
        self.manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
        self.slots = self.manifest["slots"]

    def slot(self, sound):
        return next(slot for slot in self.slots if slot["sound"] == sound and slot["copy"] is None)

    def sound(self, file):
        return sf.read(self.folder / file, always_2d=True)

    def played(self, slot):
        """Return a slot's samples and the rate at which they come out at the root: half of it, stored an octave up."""
        samples, rate_hz = self.sound(slot["file"])
        return samples, rate_hz * 2 ** (slot["play_semitones"] / 12)

    def whole_steps(self, slot):
        """Return a slot's codes as whole steps around zero."""
        samples, _ = sf.read(self.folder / slot["file"], always_2d=True, dtype="int32")
        return samples / 2 ** (32 - slot["bits"])


@pytest.fixture(scope="module")
def demo(tmp_path_factory, demo_cache):
    """Build the demo kit for three devices at once; return the builds by device, and what hashes the takes had."""
    root = tmp_path_factory.mktemp("demo")
    (root / "takes").mkdir()
    for take in (DEMO / "takes").iterdir():
        (root / "takes" / take.name).write_bytes(take.read_bytes())
    text = (DEMO / "kit.toml").read_text(encoding="utf-8")
    text, changed = re.subn(r'(?m)^device  = "mono8-22s"$', f"device = {json.dumps(DEVICES)}", text)
    assert changed == 1
    (root / "kit.toml").write_text(text, encoding="utf-8")
    (root / "plain12.toml").write_text(PLAIN, encoding="utf-8")
    sources = {path: sha256(path) for path in root.rglob("*") if path.is_file()}
    run = kitfold("build", "kit.toml", cwd=root, cache=demo_cache)
    assert run.returncode == 0, run.stdout + run.stderr
    return {device: Build(root / "build" / f"saltmarsh-{device}") for device in DEVICES}, sources, run


@pytest.fixture(scope="module", params=DEVICES)
def build(request, demo):
    return demo[0][request.param]


def k_weighted(samples, rate_hz):
    """Return the K-weighted sound at 48 kHz, padded to the 400 ms that loudness needs."""
    if rate_hz != 48000:
        samples = resample_poly(samples, 48000, rate_hz, axis=0, window=("kaiser", 12.0))
    samples = np.pad(samples, ((0, max(0, 19200 - len(samples))), (0, 0)))
    for stage in pyloudnorm.Meter(48000, filter_class="DeMan")._filters.values():
        samples = np.stack([stage.apply_filter(channel) for channel in samples.T], axis=1)
    return samples


def sliding_power(samples, frames):
    total = np.concatenate([[0.0], np.cumsum(np.sum(samples**2, axis=1))])
    return (total[frames:] - total[:-frames]) / frames


def loudest_lufs(samples, rate_hz):
    return -0.691 + 10 * np.log10(sliding_power(k_weighted(samples, rate_hz), 19200).max())


def lasts_s(samples, rate_hz):
    """Measure until when 50 ms are not more than 12 dB under the loudest 400 ms: the end of the last such window."""
    weighted = k_weighted(samples, rate_hz)
    above = sliding_power(weighted, 2400) >= sliding_power(weighted, 19200).max() * 10 ** (-12 / 10)
    return min((np.flatnonzero(above)[-1] + 2400) / 48000, len(samples) / rate_hz)


def true_peak_db(samples):
    return 20 * np.log10(np.abs(resample_poly(samples, 8, 1, axis=0, window=("kaiser", 12.0))).max())


def test_a_list_of_devices_gives_one_build_each_and_leaves_the_sources_alone(demo):
    builds, sources, _ = demo
    root = builds[STEREO].folder.parent
    assert sorted(path.name for path in root.iterdir()) == sorted(f"saltmarsh-{device}" for device in DEVICES)
    assert {path: sha256(path) for path in sources} == sources
    for device, build in builds.items():
        assert build.manifest["device"]["name"] == device
        assert {slot["sound"] for slot in build.slots} == {*NOTES, "tide-riser", "shingle"}


def test_the_manifest_is_valid_against_its_schema(build):
    import jsonschema

    from kitfold.pack.manifest import json_schema

    jsonschema.Draft202012Validator(json.loads(json_schema())).validate(build.manifest)


def test_every_slot_decodes_to_the_frames_rate_channels_and_bits_that_the_manifest_says(build):
    device = build.manifest["device"]
    subtype = {8: "PCM_U8", 12: "PCM_16", 16: "PCM_16"}[device["bits"]]  # 12 bits travel in 16
    for slot in build.slots:
        info = sf.info(build.folder / slot["file"])
        assert (info.format in ("WAV", "WAVEX"), info.subtype) == (True, subtype)
        assert (info.frames, info.samplerate, info.channels) == (slot["frames"], slot["rate_hz"], slot["channels"])
        assert slot["rate_hz"] in device["rate_hz"]
        assert (slot["bits"], slot["channels"]) == (device["bits"], device["channels"])
        assert slot["seconds"] == pytest.approx(info.frames / info.samplerate, abs=5e-5)  # written with four decimals
        steps = build.whole_steps(slot)
        assert np.array_equal(steps, np.rint(steps)), "finer than the bits that it says"
        assert np.any(steps % 2), "coarser than the bits that it says"


def test_every_file_has_the_hash_and_size_that_the_manifest_says_and_there_are_no_others(build):
    entries = build.slots + build.manifest["files"]
    for entry in entries:
        path = build.folder / entry["file"]
        assert (sha256(path), path.stat().st_size) == (entry["sha256"], entry["bytes"])
    files = {path.relative_to(build.folder).as_posix() for path in build.folder.rglob("*") if path.is_file()}
    assert files == {entry["file"] for entry in entries} | {"manifest.json"}


def test_the_budget_is_what_the_slots_take_counted_again(build):
    budget = build.manifest["budget"]
    if build.manifest["device"]["name"] == STEREO:  # blocks of 2048 bytes, 96 bytes a slot, two channels of two bytes
        costs = [-(-slot["frames"] * 4 // 2048) * 2048 + 96 for slot in build.slots]
        assert (budget["unit"], budget["limit"]) == ("bytes", 18_000_000)
    else:
        costs = [slot["frames"] for slot in build.slots]
        seconds = {SLOT_LEVELS: 22 * 18000, NO_LEVELS: 30 * 24000}
        assert (budget["unit"], budget["limit"]) == ("frames", seconds[build.manifest["device"]["name"]])
    assert [slot["memory"] for slot in build.slots] == costs
    assert budget["used"] == sum(costs) <= budget["limit"]
    assert budget["slots_used"] == len(build.slots) <= budget["slots"]


def test_what_the_song_asks_of_the_pad_is_listed_in_full(build):
    holds = [hold for slot in build.slots if slot["sound"] == "reed-pad" for hold in slot["holds"]]
    patterns = [round(hold["needs_s"] / PATTERN_S, 3) for hold in holds]
    asks = [(hold["section"], hold["chord"], hold["semitones"]) for hold in holds]
    assert {(*ask, count) for ask, count in zip(asks, patterns, strict=True)} == PAD_ASKS
    assert len(holds) == len(PAD_ASKS)
    for slot in build.slots:
        low, high = build.manifest["device"]["transpose"]
        assert all(low <= hold["setting"] <= high for hold in slot["holds"])
        moved = slot["play_semitones"] - (slot["copy"] or 0)
        assert all(hold["setting"] == hold["semitones"] + moved for hold in slot["holds"])


def test_every_held_chord_is_held_for_as_long_as_the_song_needs(build):
    held = 0
    for slot in build.slots:
        whole_s = lasts_s(*build.sound(slot["file"]))
        for hold in slot["holds"]:
            lasts = whole_s / 2 ** (hold["setting"] / 12)  # varispeed
            # half of the 50 ms that the level is taken over, here at its end and in the manifest at its middle
            assert hold["lasts_s"] == pytest.approx(lasts, abs=0.03 * 2 ** (-hold["setting"] / 12) + 0.005)
            if hold["needs_s"]:
                assert lasts >= hold["needs_s"], (slot["sound"], hold)
                assert hold["ok"]
                held += 1
    assert held == len(PAD_ASKS)


def test_the_first_and_last_frame_of_every_slot_are_exact_zero(build):
    for slot in build.slots:
        steps = build.whole_steps(slot)
        assert not steps[[0, -1]].any(), slot["sound"]


def test_no_slot_has_an_offset(build):
    # a rounding that floors would be half a step off in the mean (libsndfile does, see FLOOR in pack/quantise)
    for slot in build.slots:
        steps = build.whole_steps(slot)
        # half a step, the claim; at 12 and 16 bits a sound's own mean (its filter leaves -80 dB) is larger than a step
        limit = 0.5 if slot["bits"] == 8 else 10 ** (-80 / 20) * 2 ** (slot["bits"] - 1)
        assert np.abs(steps.mean(axis=0)).max() < limit, slot["sound"]


def test_every_slot_fades_to_its_end_without_a_click(build):
    # a cut's fade is a raised cosine of 150 ms or a quarter of a short slot (at least 60 ms here): 5 ms before its end
    # it has fallen by 36 dB or more; one step of the device's bits is its grain
    for slot in build.slots:
        samples, rate_hz = build.played(slot)
        last = np.abs(samples[-round(rate_hz / 200) :]).max()
        assert last <= np.abs(samples).max() * 10 ** (-36 / 20) + 2.0 ** (2 - slot["bits"]), slot["sound"]


def test_the_riser_peaks_on_the_beat_it_was_asked_for(build):
    beat_s = 8 * 60 / 76
    for samples, rate_hz in (build.played(build.slot("tide-riser")), build.sound("masters/tide-riser.wav")):
        peak = int(np.argmax(np.abs(samples).max(axis=1)))
        # 2 ms is the promise, and the device's frames lie where they lie
        assert abs(peak / rate_hz - beat_s) <= 0.002 + 1 / rate_hz


def test_what_the_recipes_balanced_is_still_balanced_when_it_is_played(build):
    off = {}
    for slot in build.slots:
        stored = loudest_lufs(*build.played(slot))
        assert slot["level"]["lufs"] == pytest.approx(stored, abs=0.1)  # as EBU Tech 3341 allows a meter
        off[slot["sound"], slot["copy"]] = (
            stored + slot["play_db"] - loudest_lufs(*build.sound(f"masters/{slot['sound']}.wav"))
        )
    middle = (max(off.values()) + min(off.values())) / 2  # one gain over all is not balance
    assert max(off.values()) - middle <= 0.2, off
    settings = {slot["play_db"] for slot in build.slots}
    assert max(settings) <= 0
    assert (settings == {0.0}) == (build.manifest["device"]["name"] == NO_LEVELS)


def test_slots_are_stored_as_loud_as_they_may_be(build):
    # -1 dBTP, each of them or the loudest; 0.1: the change that quantising to 8 bits makes to a peak (half a step)
    peaks = [true_peak_db(build.sound(slot["file"])[0]) for slot in build.slots]
    if build.manifest["device"]["slot_level"]:
        assert np.allclose(peaks, -1, atol=0.1), peaks
    else:
        assert max(peaks) == pytest.approx(-1, abs=0.1)
    for slot, peak in zip(build.slots, peaks, strict=True):
        assert slot["level"]["true_peak_db"] == pytest.approx(peak, abs=0.2)  # four times against eight: Tech 3341


def test_dither_goes_on_what_is_held_and_not_on_hits(demo):
    builds, _, _ = demo
    dither = {
        slot["sound"]: step["settings"]["dither"]
        for slot in builds[SLOT_LEVELS].slots
        for step in slot["made"]["steps"]
        if step["step"] == "store"
    }
    assert {dither[name] for name in ("reed-pad", "tide-riser", "glasswort", "groundswell")} == {"tpdf"}
    assert {dither[name] for name in ("halyard", "driftwood", "shingle")} == {"none"}


def test_a_swell_is_still_there_where_it_is_quieter_than_one_step_of_eight_bits(demo):
    # dithered, quantising is linear in the mean (Lipshitz, Wannamaker and Vanderkooy 1992); undithered it is a gate
    build = demo[0][SLOT_LEVELS]
    slot = build.slot("tide-riser")
    stored, rate_hz = build.played(slot)
    rate_hz = round(rate_hz)
    master, master_hz = build.sound("masters/tide-riser.wav")
    gain_db = next(step["found"]["gain_db"] for step in slot["made"]["steps"] if step["step"] == "store")
    wanted = resample_poly(master.mean(axis=1), rate_hz, master_hz, window=("kaiser", 12.0)) * 10 ** (gain_db / 20)
    start = slice(0, rate_hz // 2)
    assert np.sqrt(np.mean(wanted[start] ** 2)) < 0.5 / 128
    kept = np.sum(stored[start, 0] * wanted[start]) / np.sum(wanted[start] ** 2)
    # the dither's half a step of noise over 9,000 frames leaves the slope uncertain by 0.03
    assert kept == pytest.approx(1, abs=0.15)


def test_masters_are_24_bit_at_the_source_rate_and_channels_and_no_higher_than_the_ceiling(build):
    for slot in build.slots:
        info = sf.info(build.folder / "masters" / f"{slot['sound']}.wav")
        source = sf.info(DEMO / slot["made"]["source"])
        assert (info.subtype, info.samplerate, info.channels) == ("PCM_24", source.samplerate, source.channels)
        samples, _ = build.sound(f"masters/{slot['sound']}.wav")
        assert true_peak_db(samples) <= -1 + 0.05  # two oversamplers (Tech 3341 allows a meter 0.2)


def test_the_demo_kit_gets_the_notes_that_its_takes_were_played_at(build):
    for slot in build.slots:
        if slot["sound"] in NOTES:
            assert slot["root"]["midi"] == NOTES[slot["sound"]] + (slot["copy"] or 0), slot["sound"]
            assert abs(slot["root"]["error_cents"]) <= 3
    assert not build.slot("shingle")["root"]["pitched"]


def test_no_check_of_the_demo_kit_fails_where_it_fits(demo):
    # warnings are advice: a low drone under a pad, more sounds than voices
    builds, _, _ = demo
    for build in builds.values():
        assert not [check for check in build.manifest["checks"] if check["result"] == "fail"]


def test_the_table_says_for_each_slot_what_to_set(demo):
    builds, _, run = demo
    for build in builds.values():
        for slot in build.slots:
            row = re.compile(rf"\s*{slot['slot']} +{slot['sound']}\S* ")
            lines = [line for line in run.stdout.splitlines() if row.match(line)]
            figures = (slot["root"]["note"] or "none", f"{slot['play_db']:.1f}", f"{slot['seconds']:.2f}")
            assert any(all(figure in line for figure in figures) for line in lines), (slot["sound"], lines)


# ------------------------------------------------------------------------------------------------------- out of phase


@pytest.fixture(scope="module")
def turned_over(tmp_path_factory):
    """Build a pad whose right side is its left one turned over, but for a little; give the build and what was said."""
    root = tmp_path_factory.mktemp("phase")
    time_s = np.arange(3 * 44100) / 44100
    swell = np.minimum(1, np.minimum(time_s / 0.2, (3 - time_s) / 0.5))
    left, other = (sum(np.sin(2 * np.pi * 220 * n * time_s + p * n) / n for n in (1, 2, 3, 4)) for p in (0.0, 1.0))
    samples = 0.2 * swell[:, None] * np.stack([left, 0.05 * other - left], axis=1)
    sf.write(root / "pad.wav", samples, 44100, subtype="PCM_24")
    (root / "kit.toml").write_text(
        '[kit]\nname = "phase"\ndevice = "mono8-22s"\n[[sound]]\nname = "pad"\nsource = "pad.wav"\nrecipe = "raw"\n'
    )
    run = kitfold("build", "kit.toml", cwd=root, cache=root / "cache")
    assert run.returncode == 0, run.stderr
    return Build(root / "build" / "phase-mono8-22s"), run


def test_an_out_of_phase_pad_keeps_its_level_within_a_decibel_in_mono(turned_over):
    build, _ = turned_over
    slot = build.slot("pad")
    gain_db = next(step["found"]["gain_db"] for step in slot["made"]["steps"] if step["step"] == "store")
    folded = loudest_lufs(*build.sound(slot["file"])) - gain_db
    one_side = loudest_lufs(*build.sound("masters/pad.wav")) - 10 * np.log10(2)  # BS.1770 adds the channels' powers
    assert folded == pytest.approx(one_side, abs=1.0)


def test_the_fold_that_had_to_choose_a_side_says_so_in_the_manifest_and_on_the_screen(turned_over):
    build, run = turned_over
    said = [line for step in build.slot("pad")["made"]["steps"] for line in step.get("said", ())]
    assert any("channel alone" in line for line in said)
    assert "channel alone" in run.stdout
