"""What a build's last lines say of costs: nothing where nothing was changed, and no error called unheard that isn't."""

import pytest

from kitfold.cli.show import cost_said, said_of

DEVICE = {"rate_hz": [18_000]}
SEVEN = "all changes together cost -7.2 dB (0 dB: a whole sound; each counts by its `spare`); "
THIRTY = SEVEN.replace("-7.2", "-31.0")


def manifest(cost_db, more_db=None, unit="frames"):
    more = None if more_db is None else {"units": 18_000, "cost_db": more_db}
    return {"budget": {"unit": unit, "cost_db": cost_db, "more": more}, "device": DEVICE}


@pytest.mark.parametrize(
    ("kit", "said"),
    [
        (manifest(-120.0), "no sound had to be changed to fit"),
        (manifest(-7.2), SEVEN + "more memory would change nothing"),
        (manifest(-7.2, -9.1), SEVEN + "1 s more memory would make it -9.1 dB"),
        (manifest(-31.0, -120.0), THIRTY + "with 1 s more memory nothing would be changed"),
        (manifest(-31.0, -120.0, "bytes"), THIRTY + "with 18 kB more memory nothing would be changed"),
        (manifest(-120.0, -120.0), "no sound had to be changed to fit"),
    ],
)  # fmt: skip
def test_the_cost_of_a_kit_is_a_figure_only_where_something_was_changed(kit, said):
    assert cost_said(kit) == said


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("shorten", -14.2), "shorten (-14 dB)"),
        (("shorten", -75.0), "shorten (unheard)"),
        (("drop-copy", -20.4), "drop-copy (-20 dB)"),
        # what was priced is how much faster or slower its notes run; that they come from further off is heard
        (("drop-copy", -90.0), "drop-copy (played from further off)"),
    ],
)
def test_a_copy_that_was_left_out_is_never_called_unheard(change, said):
    what, cost_db = change
    assert said_of({"what": what, "why": "", "cost_db": cost_db}) == said
