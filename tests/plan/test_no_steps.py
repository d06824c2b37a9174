"""`steps = []`: a source that is used as it is, as in the kit.toml of a published pack."""

import pytest

from kitfold.errors import PlanError
from kitfold.plan.load import load_plan
from kitfold.render.masters import render_masters


@pytest.fixture
def bare(entries):
    return {**entries.pad, "steps": []}


def test_no_steps_are_a_list_of_steps(kit_folder, bare):
    plan = load_plan(kit_folder.kit([bare]))
    assert plan.sound("pad").steps == ()
    assert plan.sound("pad").plays == "fixed"


def test_a_sound_without_steps_is_its_source_bit_for_bit_and_knows_what_is_given(kit_folder, bare, samples):
    """A 24-bit file is what a published pack holds: nothing may move a sample of it."""
    import numpy as np
    import soundfile

    kit_folder.sound("pad.wav", samples.pad(), subtype="PCM_24")
    plan = load_plan(kit_folder.kit([{**bare, "given": {"root_hz": samples.pad_hz, "loop": [100, 5000]}}]))
    master = render_masters(plan, 1, lambda _: None)["pad"].sound
    held, _ = soundfile.read(kit_folder.path / "pad.wav", always_2d=True)
    assert np.array_equal(master.samples, held)
    assert (master.root_hz, master.loop) == (samples.pad_hz, (100, 5000))
    assert [done.step for done in master.history] == ["given"]


def test_a_key_that_overrides_a_step_has_none_to_override(kit_folder, bare):
    with pytest.raises(PlanError, match=r"pad\).tune overrides a step that the recipe does not have; it has none"):
        load_plan(kit_folder.kit([{**bare, "tune": {"to": "tonic"}}]))
    with pytest.raises(PlanError, match="takes recipe or steps, not both"):
        load_plan(kit_folder.kit([{**bare, "recipe": "pad"}]))
