"""Any sounds with any file names become a kit that loads, fits its device and is held by its pads."""

import tempfile
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kitfold.measure.portrait import portrait
from kitfold.measure.root import Root
from kitfold.pack.asks import asks_of
from kitfold.pack.holds import Reach, serve
from kitfold.plan.key import Key
from kitfold.plan.load import load_plan
from kitfold.plan.presets import load_device, preset_names
from kitfold.sound import Sound
from kitfold.starter.names import read_hints
from kitfold.starter.proposal import Heard, Wishes, propose
from kitfold.starter.room import capacity_s
from kitfold.starter.song import Pad, sketch
from kitfold.starter.write import kit_toml, toml_text
from kitfold.units import midi_to_hz, note_name

DEVICES = [load_device(name) for name in preset_names("devices")]


@cache
def some_figures():
    return portrait(Sound(0.1 * np.sin(2 * np.pi * 220 * np.arange(4410) / 11025), 11025))


def figures(midi=50.0, confidence=0.99, held_s=5.0, tail_s=6.0, attack_s=0.3, fifth_db=-np.inf):
    near = round(midi)
    root = Root(
        confidence >= 0.5, midi_to_hz(midi), near, note_name(near), 100 * (midi - near), confidence, 0.0, 0.0, ()
    )
    return replace(some_figures(), root=root, held_s=held_s, tail_s=tail_s, seconds=tail_s + 0.3, attack_s=attack_s,
                   fifth_db=fifth_db, brightness_hz=400.0, harmonic_share=1.0, fundamental_share=0.3)  # fmt: skip


def heard(stem="pad", **changes):
    return Heard(f"{stem}.wav", figures(**changes), read_hints(stem))


def loaded(proposal, unread=()):
    text = kit_toml(proposal, "kit", DEVICES, proposal.device.name, unread)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "kit.toml"
        path.write_text(text, encoding="utf-8")
        return load_plan(path)


FILE_NAMES = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="/\0"), min_size=1, max_size=60)
FIGURES = st.builds(
    figures,
    midi=st.floats(10, 120),
    confidence=st.floats(0, 1),
    held_s=st.floats(0.01, 60),
    tail_s=st.floats(0.02, 120),
    attack_s=st.floats(0, 3),
    fifth_db=st.sampled_from([-np.inf, -10.0]),
)
HEARD = st.builds(lambda stem, one: Heard(stem, one, read_hints(stem)), FILE_NAMES, FIGURES)
WISHES = st.builds(
    Wishes,
    st.none() | st.builds(Key, st.integers(0, 11), st.sampled_from(["minor", "major"])),
    st.none() | st.floats(10, 400),
    st.none() | st.sampled_from(DEVICES),
)


@settings(deadline=None, max_examples=80)
@given(st.lists(HEARD, min_size=1, max_size=12), WISHES)
def test_any_sounds_with_any_names_become_a_kit_that_loads(sounds, wishes):
    proposal = propose(sounds, wishes, DEVICES)
    plan = loaded(proposal, [(sounds[0].file, f"is broken: {sounds[0].file}")])
    kept = [draft.heard.file for draft in proposal.kept]
    assert [sound.source_text for sound in plan.sounds if sound.source] == kept
    assert len(plan.sounds) <= plan.devices[0].slots
    assert kept


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_text_survives_toml(text):
    assert tomllib.loads(f"x = {toml_text(text)}")["x"] == text


@settings(deadline=None, max_examples=60)
@given(st.lists(FIGURES, min_size=1, max_size=10))
def test_what_is_proposed_as_held_lasts_under_every_chord_without_a_copy(sounds):
    proposal = propose([Heard(f"{n}.wav", one, read_hints("x")) for n, one in enumerate(sounds)], Wishes(), DEVICES)
    reach = Reach(*proposal.device.transpose, 5)
    for draft in proposal.kept:
        if draft.played == "chords":
            asks = asks_of(draft.name, "chords", draft.pitch_class, proposal.song)
            assert all(serve(ask, [0], draft.held_s, reach).ok for ask in asks)


@pytest.mark.parametrize("key", [Key(2, "minor"), Key(7, "major")])
@pytest.mark.parametrize("held_s", [0.8, 1.0, 1.7, 2.5, 8.0])
@pytest.mark.parametrize("tempo", [None, 60.0, 140.0])
def test_a_pattern_is_as_long_as_the_shortest_pad_allows(key, held_s, tempo):
    pad = Pad(key.tonic, held_s)
    song = sketch(key, tempo, [pad, Pad(key.tonic, 20.0)])
    assert pad.holds(song)
    assert tempo is None or song.tempo == tempo
    assert [trigger.chord.fifth for trigger in song.sections[0].triggers] == [7] * 4  # none diminished


def test_the_smallest_device_that_takes_every_sound_whole_is_chosen():
    assert propose([heard()], Wishes(), DEVICES).device.name == "mono8-22s"
    # 4 pads of 6 s and a riser of 3 s are 27 s and more
    four = [heard(f"pad {letter}") for letter in "abcd"]
    assert propose(four, Wishes(), DEVICES).device.name == "mono12-41s"


def test_sounds_that_are_longer_than_any_device_are_cut_and_that_is_said():
    proposal = propose([heard(f"pad {n}", tail_s=60.0, held_s=50.0) for n in range(4)], Wishes(), DEVICES)
    assert proposal.device.name == "stereo16-18mb"
    assert len(proposal.kept) == 4
    assert any("shorten tails" in note for note in proposal.notes)


def test_a_device_without_room_leaves_sounds_out_but_keeps_one_of_each_kind():
    small = next(device for device in DEVICES if device.name == "mono8-22s")
    sounds = [heard(f"pad {n}", held_s=1.8, tail_s=2.0) for n in range(5)] + [
        heard(f"pluck {n}", held_s=0.5, tail_s=2.0) for n in range(9)
    ]
    sounds += [heard("bell"), heard("kick")]
    proposal = propose(sounds, Wishes(device=small), DEVICES)
    assert len(proposal.kept) == small.slots
    assert {draft.guess.recipe for draft in proposal.kept} == {"stacked-pad", "pluck", "bell", "hit"}
    assert loaded(proposal).devices[0].name == "mono8-22s"


def test_a_device_that_cannot_transpose_gets_sounds_that_stay_where_they_are():
    still = next(device for device in DEVICES if device.transpose == (0, 0))
    proposal = propose(
        [heard(f"pad {n}", held_s=2.0, tail_s=2.5) for n in range(3)] + [heard("bell")], Wishes(device=still), DEVICES
    )
    asks = [asks_of(draft.name, draft.played, draft.pitch_class, proposal.song) for draft in proposal.kept]
    assert len(proposal.kept) == 4
    assert all(len(draft.remarks) <= 1 for draft in proposal.kept if draft.plays == "fixed")  # not every try is told
    assert sum(len({ask.semitones for ask in each} | {0}) for each in asks) <= still.slots
    assert capacity_s(still) == pytest.approx(13.0)


def test_the_longest_pad_gets_a_riser_in_the_slot_behind_it():
    proposal = propose(
        [heard("short pad"), heard("long pad", held_s=7.0, tail_s=8.0), heard("kick")], Wishes(), DEVICES
    )
    assert (proposal.riser_of, proposal.riser_slot) == ("long-pad", 2)
    assert {draft.name: draft.slot for draft in proposal.drafts} == {"long-pad": 1, "short-pad": 3, "kick": 4}


def test_a_sound_far_from_the_tonic_is_moved_to_the_keys_nearest_note_only():
    proposal = propose([heard("pad D3"), heard("bell A4", midi=68.92)], Wishes(key=Key(2, "minor")), DEVICES)
    by_name = {draft.name: draft for draft in proposal.drafts}
    assert (by_name["pad"].tune_to, by_name["pad"].pitch_class) == (None, 2)
    assert (by_name["bell"].tune_to, by_name["bell"].pitch_class) == ("key", 9)


def test_a_drums_note_is_no_evidence_of_a_key():
    drums = [heard(f"kick {n}", midi=52.0, held_s=0.2, tail_s=0.3) for n in range(9)]
    assert propose([heard("pad"), *drums], Wishes(), DEVICES).key.key == Key(2, "minor")
    assert "default" in propose(drums, Wishes(), DEVICES).key.sure


def test_a_tempo_in_a_file_name_is_the_kits():
    assert propose([heard("pad_D3_76bpm")], Wishes(), DEVICES).song.tempo == 76
    assert propose([heard("pad_D3_76bpm")], Wishes(tempo=90.0), DEVICES).song.tempo == 90
