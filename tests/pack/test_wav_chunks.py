"""What a device's WAV files carry beside the sound: what its device file allows, and nothing else."""

import json
import struct

import pytest

LOOPS = {"rate_hz": 11_025, "memory_s": 20, "loop": True, "note_off": "stops", "transpose": (-12, 12), "voices": 4}
SONG = {"section": [{"name": "a", "chords": ["i"]}]}


def chunks_of(data):
    """Walk a RIFF file by its own sizes: what stands in it, a list with its type."""
    place, found = 12, []
    while place < len(data):
        name, size = struct.unpack_from("<4sI", data, place)
        found.append((name + b" " + data[place + 8 : place + 12] if name == b"LIST" else name).decode().strip())
        place += 8 + size + size % 2
    assert place == len(data)
    return found


@pytest.fixture
def carried(kit_folder, run, entries):
    """Return a function that builds a looped pad and a hit; gives what each slot's file carries behind the data."""

    def built(**device):
        kit_folder.device("small", **{**LOOPS, **device})
        steps = [{"step": "trim"}, {"step": "tune", "heard": "D3", "to": "D3"}, {"step": "loop", "length_s": 0.3}]
        pad = {**entries.pad, "steps": steps, "plays": "chords"}
        kit = kit_folder.kit([pad, entries.hit], {"device": "small", "tempo": 120}, song=SONG)
        assert run("build", kit, "--out", kit_folder.out, "--quiet").code in (0, 1)
        folder = kit_folder.out / "reeds-small"
        manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
        looped = [slot["loop"] is not None for slot in manifest["slots"]]
        assert looped == [True, False]
        names = [chunks_of((folder / slot["file"]).read_bytes()) for slot in manifest["slots"]]
        assert all(one[:2] == ["fmt", "data"] for one in names)
        return [one[2:] for one in names]

    return built


def test_left_out_a_slot_that_loops_says_where_and_others_are_bare(carried):
    assert carried() == [["smpl"], []]


def test_an_empty_list_gives_bare_files_whatever_loops(carried):
    assert carried(wav_chunks=()) == [[], []]


def test_what_is_named_is_there_in_every_file_in_one_order(carried):
    everything = ["smpl", "inst", "cue", "LIST adtl", "bext", "LIST INFO"]
    unmarked = ["smpl", "inst", "bext", "LIST INFO"]  # the hit has nothing to mark
    assert carried(wav_chunks=("info", "bext", "cue", "inst", "smpl")) == [everything, unmarked]


def test_one_kind_alone_is_alone(carried):
    assert carried(wav_chunks=("inst",)) == [["inst"], ["inst"]]
