"""The two small models of the root finder: which candidate is the root, and how sure that is.

Both are weighted sums of figures. Networks of 4 to 16 units were tried on the same data and found no fewer roots, so
the plainest model stayed. The weights stand in ``root_weights.json``, made by ``training/train_root.py``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Model", "load_models"]

Real = NDArray[np.float64]

_ARRAYS = ("middle", "spread", "weight")


@dataclass(frozen=True, eq=False)
class Model:
    """A weighted sum of figures.

    Parameters
    ----------
    figures : tuple of str, the names of the figures, in order
    middle, spread : ndarray, (figures,), what each figure is centred on and divided by
    weight : ndarray, (figures,)
    bias : float
    """

    figures: tuple[str, ...]
    middle: Real
    spread: Real
    weight: Real
    bias: float = 0.0

    def score(self, figures: Mapping[str, Real]) -> Real:
        """Score rows of figures: dict of (rows,) in, (rows,) out."""
        rows = np.stack([figures[name] for name in self.figures], axis=1)
        return np.asarray(np.sum((rows - self.middle) / self.spread * self.weight, axis=1) + self.bias)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Model:
        """Read a model as it is stored."""
        numbers = {name: np.array(data[name], dtype=np.float64) for name in _ARRAYS}
        return cls(figures=tuple(data["figures"]), bias=float(data["bias"]), **numbers)


@cache
def load_models() -> tuple[Model, Model]:
    """Load the ranker and the judge of confidence, once a process."""
    data = json.loads(files("kitfold.measure").joinpath("root_weights.json").read_text(encoding="utf-8"))
    return Model.from_json(data["ranker"]), Model.from_json(data["confidence"])
