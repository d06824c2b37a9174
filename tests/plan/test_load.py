"""kit.toml into a plan: everything that is wrong at once, and never anything but a KitfoldError."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitfold.errors import KitfoldError, PlanError
from kitfold.plan.load import load_plan
from kitfold.plan.settings import SETTINGS


def refused(path, *devices):
    with pytest.raises(PlanError) as error:
        load_plan(path, devices or None)
    return [str(mistake) for mistake in error.value.mistakes]


def test_all_mistakes_of_a_file_are_reported_together(kit_folder, entries):
    kit = kit_folder.kit(
        sounds=[
            {**entries.pad, "slto": 1},
            {**entries.hit, "steps": [{"step": "trim", "tail_db": 3}, {"step": "filtre"}], "slot": 99},
            {"name": "tail", "from": "pda"},
            {"name": "tail", "from": "hit", "recipe": "risre"},
        ],
        head={"tempo": -1, "device": ["mono8-22s", "mono9"]},
        song={"section": [{"name": "shore", "chords": ["-", "Hm"], "silent": ["nobody"]}]},
        fti={},
    )
    said = "\n".join(refused(kit))
    for part in (
        "kit.toml: fti is an unknown key",
        "kit.tempo must be at least 10 (got -1)",
        "kit.device names no known device (got 'mono9')",
        "sound[1] (pad).slto is an unknown key",
        "sound[2] (hit).steps[1].tail_db must be below 0 (got 3)",
        "sound[2] (hit).steps[2].step must be one of",
        "sound[2] (hit).slot must be at most 9, the slots of mono8-22s (got 99)",
        "sound[3] (tail).from names no sound of the kit (got 'pda')",
        "sound[4] (tail).recipe names no known recipe (got 'risre')",
        "has 2 sounds named 'tail'",
        "song.section[1] (shore).chords[1] is '-'",
        "song.section[1] (shore).chords[2] must be a Roman numeral",
        "song.section[1] (shore).silent names no sound of the kit (got 'nobody')",
    ):
        assert part in said


def test_every_mistake_names_the_file(kit_folder, entries):
    said = refused(kit_folder.kit(sounds=[{**entries.pad, "slto": 1, "slot": 0}], head={"tempo": 1}))
    assert len(said) == 3
    assert all("kit.toml: " in one for one in said)


@pytest.mark.parametrize("name", ["pad", "hit"])
def test_duplicate_names_are_refused(kit_folder, entries, name):
    kit = kit_folder.kit(sounds=[entries.pad, entries.hit, {**entries.hit, "name": name}])
    assert refused(kit)[0].startswith(f"{kit}: sound has 2 sounds named '{name}'")


def test_two_sounds_in_one_slot_are_refused(kit_folder, entries):
    kit = kit_folder.kit(sounds=[{**entries.pad, "slot": 3}, {**entries.hit, "slot": 3}])
    (said,) = refused(kit)
    assert "has 2 sounds in slot 3" in said
    assert "pad, hit" in said


def test_a_slot_beyond_the_devices_last_is_refused(kit_folder, entries):
    kit_folder.device("tiny", slots=2)
    kit = kit_folder.kit(sounds=[{**entries.pad, "slot": 3}], head={"device": ["tiny", "mono8-22s"]})
    assert refused(kit) == [f"{kit}: sound[1] (pad).slot must be at most 2, the slots of tiny (got 3)"]


def test_cycles_are_named_in_full(kit_folder):
    sounds = [{"name": name, "from": other} for name, other in (("a", "b"), ("b", "c"), ("c", "a"))]
    (said,) = refused(kit_folder.kit(sounds=sounds))
    assert "is made from itself: a → b → c → a" in said
    (said,) = refused(kit_folder.kit(sounds=[{"name": "a", "from": "a"}]))
    assert "is made from itself: a → a" in said


def test_sounds_are_worked_on_after_what_they_are_made_from(kit_folder, entries):
    sounds = [{"name": "c", "from": "b"}, {"name": "b", "from": "pad"}, entries.pad, entries.hit]
    plan = load_plan(kit_folder.kit(sounds=sounds))
    assert [sound.name for sound in plan.sounds] == ["c", "b", "pad", "hit"]
    order = [sound.name for sound in plan.in_order_of_work()]
    assert order.index("pad") < order.index("b") < order.index("c")


def test_devices_given_replace_those_of_the_kit(kit_folder):
    plan = load_plan(kit_folder.kit(), ["mono12-41s", "stereo16-18mb"])
    assert [device.name for device in plan.devices] == ["mono12-41s", "stereo16-18mb"]


def test_the_same_device_twice_is_refused(kit_folder):
    assert "names the device 'mono8-22s' twice" in refused(kit_folder.kit(), "mono8-22s", "mono8-22s")[0]


def test_a_device_file_beside_the_kit_is_found_with_and_without_its_ending(kit_folder):
    kit_folder.device("tiny")
    for name in ("tiny", "tiny.toml"):
        assert load_plan(kit_folder.kit(head={"device": name})).devices[0].name == "tiny"


def test_mistakes_of_a_device_file_name_that_file(kit_folder):
    kit_folder.device("tiny", bits=9, memory_s="2", file_name="{name.__class__}.wav")
    (first, *others) = refused(kit_folder.kit(head={"device": "tiny"}))
    assert "kit.device" in first
    assert "/tiny.toml: bits must be 8, 12, 16, 24 or 32 (got 9)" in first
    assert any("/tiny.toml: memory_s must be a number (got '2')" in one for one in others)


NOT_KITS = [
    (b"", "kit.device is missing"),
    (b"kit = 5", "kit must be a table (got 5)"),
    (b"[[kit]]\nname = 'a'", "kit must be a table"),
    (b"sound = 5\n[kit]\nname='a'\ndevice='mono8-22s'", "a kit needs at least one [[sound]]"),
    (b"[sound]\n[kit]\nname='a'\ndevice='mono8-22s'", "a kit needs at least one [[sound]]"),
    (b"sound = [5]", "sound[1] must be a table (got 5)"),
    (b"[kit", "is not valid TOML"),
    (b"a = 1\na = 2", "is not valid TOML"),
    (b"\xff\xfe[\0k\0", "is not UTF-8 text"),
    (b"\x00", "is not valid TOML"),
    (b"a" * 4_000_001, "is larger than 4000000 bytes"),
    (b"x = " + b"[" * 3000 + b"]" * 3000, "is nested too deeply"),
    (b".".join([b"a"] * 5000) + b" = 1", "is nested too deeply"),
    (b"x = " + b"9" * 5000, "kit.toml"),
    (b"[kit]\ntempo = 0x" + b"f" * 5000, "kit.toml"),
    (b"x = 9223372036854775808", "an integer of more than 64 bits"),
]


@pytest.mark.parametrize(("content", "said"), NOT_KITS, ids=[said for _, said in NOT_KITS])
def test_what_is_no_kit_is_refused(tmp_path, content, said):
    path = tmp_path / "kit.toml"
    path.write_bytes(content)
    assert said in "\n".join(refused(path))


def test_a_missing_kit_or_a_folder_is_refused(tmp_path):
    assert "does not exist" in refused(tmp_path / "kit.toml")[0]
    assert "is a folder" in refused(tmp_path)[0]


@pytest.mark.parametrize("name", ["ä" * 128, "x" * 300, "a\0b", "/", "..", ""])
@pytest.mark.parametrize("key", ["device", "recipe"])
def test_names_that_no_file_can_have_are_refused_like_unknown_ones(kit_folder, entries, name, key):
    head = {"device": name} if key == "device" else {}
    sound = {"name": "hit", "source": "hit.wav", "recipe": name} if key == "recipe" else entries.hit
    assert key in refused(kit_folder.kit(sounds=[sound], head=head))[0]


# Arbitrary kits: whatever TOML can hold, under keys that are known and keys that are not.
KEYS = ["kit", "song", "sound", "fit", "listen", "name", "device", "key", "tempo", "section", "chords", "silent",
        "shift", "source", "from", "recipe", "steps", "step", "as", "slot", "plays", "copies", "spare", "middle_c",
        "allow", "start_s", "end_s", "to", "heard", "intervals", "name", "beats", *SETTINGS]  # fmt: skip
WORDS = ["a", "pad", "hit", "pad.wav", "chords", "i", "-", "VI", "Dm", "mono8-22s", "stacked-pad", "riser", "reverb",
         "C3", "D", "auto", "shorten", "CC0-1.0", "con", "../x", "{name.x}"]  # fmt: skip
SCALARS = (
    st.sampled_from(WORDS)
    | st.text(max_size=8)
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats()
    | st.booleans()
    | st.sampled_from([0, 1, 7, 12, -12, 0.5, 120])
)
KEY = st.sampled_from(KEYS) | st.text(max_size=5)


def nested(scalars):
    return st.recursive(
        scalars, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEY, inner, max_size=5), max_leaves=12
    )


VALUES = nested(SCALARS)
STEPS = st.fixed_dictionaries({"step": st.sampled_from(list(SETTINGS)) | VALUES}, optional={"as": VALUES, "to": VALUES})
SOUNDS = st.fixed_dictionaries(
    {"name": st.sampled_from(["pad", "hit"]) | VALUES},
    optional={
        "source": st.just("pad.wav") | VALUES,
        "from": st.sampled_from(["pad", "hit"]) | VALUES,
        "recipe": st.sampled_from(["pad", "stacked-pad", "riser"]) | VALUES,
        "steps": st.lists(STEPS | VALUES, max_size=3) | VALUES,
        "slot": VALUES,
        "plays": VALUES,
        "tune": VALUES,
        "trim": VALUES,
        "level": st.dictionaries(KEY, VALUES, max_size=2),
    },
)
SECTIONS = st.fixed_dictionaries(
    {"name": st.just("a") | VALUES, "chords": st.lists(SCALARS, max_size=4) | VALUES},
    optional={"silent": VALUES, "shift": st.dictionaries(KEY, SCALARS, max_size=2) | VALUES},
)
HEADS = st.fixed_dictionaries(
    {"name": st.just("reeds") | VALUES, "device": st.just("mono8-22s") | VALUES},
    optional={"key": st.just("D minor") | VALUES, "tempo": VALUES, "middle_c": VALUES, "licence": VALUES},
)
KITS = st.fixed_dictionaries(
    {"kit": HEADS | VALUES, "sound": st.lists(SOUNDS | VALUES, max_size=3) | VALUES},
    optional={
        "song": st.fixed_dictionaries({"section": st.lists(SECTIONS, max_size=2)}) | VALUES,
        "fit": VALUES,
        "x": VALUES,
    },
)


def mistakes_in(path):
    """Return what is wrong with a kit, or nothing; any other exception than ours goes through and fails the test."""
    try:
        load_plan(path)
    except KitfoldError as error:
        return error.mistakes or [None]  # an error without a mistake would say nothing to its reader
    return []


@given(kit=KITS)
def test_arbitrary_kits_raise_nothing_but_our_errors(shared_folder, to_toml, kit):
    path = shared_folder.text("arbitrary.toml", to_toml(kit))
    assert all(mistake.what for mistake in mistakes_in(path))


@given(content=st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_arbitrary_bytes_raise_nothing_but_our_errors(tmp_path, content):
    path = tmp_path / "bytes.toml"
    path.write_bytes(content)
    assert refused(path)


def test_a_sound_that_does_not_say_how_it_is_played_is_named_and_one_that_does_is_not(kit_folder, entries):
    silent = {key: value for key, value in entries.pad.items() if key != "plays"}
    told = [{**silent, "name": name, **more} for name, more in (
        ("fixed", {"plays": "fixed"}), ("tones", {"plays": "tones"}),
    )]  # fmt: skip
    recipe = {"name": "by-recipe", "source": "pad.wav", "recipe": "hit"}
    plan = load_plan(kit_folder.kit(sounds=[silent, *told, recipe]))
    assert [one.split(" does not say")[0] for one in plan.said()] == ["sound[1] (pad)"]
    assert plan.sound("pad").plays == "fixed"
    assert 'plays = "chords"' in plan.said()[0]


def test_the_level_tone_is_on_unless_the_kit_says_otherwise(kit_folder, entries):
    assert load_plan(kit_folder.kit(sounds=[entries.pad])).transfer.level_tone
    assert not load_plan(kit_folder.kit(sounds=[entries.pad], transfer={"level_tone": False})).transfer.level_tone
    said = refused(kit_folder.kit(sounds=[entries.pad], transfer={"level_tone": "no", "tone": True}))
    assert any("transfer.level_tone must be true or false (got 'no')" in one for one in said)
    assert any("transfer.tone is an unknown key" in one for one in said)
