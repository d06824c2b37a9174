"""From what a model refuses to what a user reads."""

import pytest

from kitfold.errors import KitfoldError, Mistake, PlanError
from kitfold.plan.device import Device
from kitfold.plan.kit import SoundEntry
from kitfold.plan.mistakes import known_keys, nearest, shown, unknown_key
from kitfold.plan.toml import model_from


def of(model, given):
    mistakes = []
    assert model_from(model, given, "kit.toml: sound[1]", mistakes) is None
    return [str(mistake) for mistake in mistakes]


@pytest.mark.parametrize(("word", "found"), [("tial_db", "tail_db"), ("head", "head_db"), ("zzz", ""), ("", "")])
def test_the_nearest_known_word_is_found_where_one_is_near(word, found):
    assert nearest(word, ["head_db", "tail_db", "pre_ms"]) == found


def test_an_unknown_key_with_nothing_near_says_what_to_do():
    assert str(unknown_key("kit.toml: x", "zzz", ["ab"])) == (
        "kit.toml: x is an unknown key; known here: ab\n  hint: remove it, or see `kitfold steps` and the README"
    )


def test_keys_are_named_as_a_user_writes_them():
    assert "from" in known_keys(SoundEntry)
    assert "from_" not in known_keys(SoundEntry)


def test_a_value_of_two_allowed_kinds_names_both():
    (said,) = of(SoundEntry, {"name": "pad", "source": 5})
    assert said == "kit.toml: sound[1].source must be text in quotes (got 5)"
    said = of(Device, {"name": "d", "rate_hz": "8000", "bits": 16, "slots": 4, "memory_s": 2})
    assert said == [
        "kit.toml: sound[1].rate_hz must be in Hz, like 24000, or a list of such, from 4000 up (got '8000')\n"
        "  hint: a manual's 24 kHz is written 24000"
    ]


def test_a_long_value_is_shortened():
    assert shown("x" * 100) == "'" + "x" * 56 + "..."
    assert shown((1, 2)) == "[1, 2]"


def test_places_inside_lists_count_from_one():
    (said,) = of(Device, {"name": "d", "rate_hz": (8000, 1), "bits": 16, "slots": 4, "memory_s": 2})
    assert said == "kit.toml: sound[1].rate_hz[2] must be at least 4000 (got 1)"


def test_errors_keep_their_mistakes_and_take_a_place_in_front():
    error = PlanError([Mistake("trim.tail_db", "must be below 0"), Mistake("", "is wrong", "mend it")])
    about = error.about("kit.toml: sound[1]")
    assert isinstance(about, PlanError)
    assert str(about) == (
        "kit.toml: sound[1] trim.tail_db must be below 0\nkit.toml: sound[1] is wrong\n  hint: mend it"
    )


def test_only_a_kit_that_does_not_fit_ends_with_one():
    codes = {kind.__name__: kind("x").exit_code for kind in KitfoldError.__subclasses__()}
    assert codes == {"PlanError": 2, "SoundFileError": 2, "StepError": 2, "FitError": 1, "PackError": 2}
