"""The stored models of the root finder fit the code that feeds them."""

import json
from importlib.resources import files

import numpy as np
import pytest

from kitfold.measure.root import gather, read_out
from kitfold.measure.root_model import Model, Units, load_models
from kitfold.sound import Sound

STORED = json.loads(files("kitfold.measure").joinpath("root_weights.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def evidence():
    time = np.arange(22050) / 22050
    return gather(Sound(sum(np.cos(2 * np.pi * 110 * n * time) / n for n in range(1, 9)) * 0.2, 22050))


def test_the_ranker_knows_exactly_the_figures_that_are_collected(evidence):
    assert list(evidence.figures) == STORED["ranker"]["figures"]


def test_the_judge_knows_exactly_the_figures_of_a_reading(evidence):
    score = load_models()[0].score(evidence.figures)
    assert list(read_out(evidence, score, int(np.argmax(score))).figures) == STORED["confidence"]["figures"]


def test_every_figure_is_a_plain_number_of_about_unit_size(evidence):
    for name, values in evidence.figures.items():
        assert values.shape == evidence.candidates.shape, name
        assert np.abs(values).max() < 100, name  # the largest is a squared distance in octaves


def test_a_score_is_the_weighted_sum_of_scaled_figures():
    model = Model(("a", "b"), np.array([1.0, 0.0]), np.array([2.0, 1.0]), np.array([3.0, -1.0]), bias=0.25)
    wanted = 3 * (2.0 - 1.0) / 2 - 4.0 + 0.25
    assert model.score({"a": np.array([2.0]), "b": np.array([4.0])})[0] == pytest.approx(wanted)


def test_units_add_their_bent_sums():
    units = Units(np.array([[1.0, 0.0], [0.5, -2.0]]), np.array([0.1, 0.2]), np.array([2.0, -1.0]))
    model = Model(("a", "b"), np.array([1.0, 0.0]), np.array([2.0, 1.0]), np.array([3.0, -1.0]), 0.25, units)
    scaled = (2.0 - 1.0) / 2, 4.0
    plain = 3 * scaled[0] - scaled[1] + 0.25
    bent = 2.0 * np.tanh(scaled[0] + 0.5 * scaled[1] + 0.1) - np.tanh(-2.0 * scaled[1] + 0.2)
    assert model.score({"a": np.array([2.0]), "b": np.array([4.0])})[0] == pytest.approx(plain + bent)


def test_both_models_are_stored_with_units_of_the_right_shape():
    for model in load_models():
        assert model.units is not None
        assert model.units.into.shape == (len(model.figures), len(model.units.bias))
        assert model.units.out.shape == model.units.bias.shape


def test_the_weights_stay_a_small_text_file():
    assert len(json.dumps(STORED)) < 40_000  # bytes: about two thousand numbers of six digits
