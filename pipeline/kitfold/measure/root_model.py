"""The two small models of the root finder: which candidate is the root, and how sure that is.

Both are weighted sums of figures, corrected by a few units that each weigh the figures once more and bend the sum (a
network of one hidden layer: Rumelhart, Hinton and Williams, "Learning representations by back-propagating errors",
1986). Out of fold, on programs never seen, the units take a third of the ranker's errors away, most of all in stacks
with a layer at -12 and in cuts of a tenth of a second. The weights stand in ``root_weights.json``, made by
``training/train_root.py``.
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

__all__ = ["Model", "Units", "load_models"]

Real = NDArray[np.float64]

_ARRAYS = ("middle", "spread", "weight")


@dataclass(frozen=True, eq=False)
class Units:
    """Weighted sums of the figures, bent by a hyperbolic tangent.

    Parameters
    ----------
    into : ndarray, (figures, units), the weights of the scaled figures
    bias : ndarray, (units,)
    out : ndarray, (units,), what each bent sum counts
    """

    into: Real
    bias: Real
    out: Real

    def score(self, scaled: Real) -> Real:
        """Score rows of scaled figures: (rows, figures) in, (rows,) out; without BLAS, the same on every machine."""
        bent = np.tanh(np.einsum("rf,fu->ru", scaled, self.into) + self.bias)
        return np.asarray(np.sum(bent * self.out, axis=1))


@dataclass(frozen=True, eq=False)
class Model:
    """A weighted sum of figures, and what units add to it.

    Parameters
    ----------
    figures : tuple of str, the names of the figures, in order
    middle, spread : ndarray, (figures,), what each figure is centred on and divided by
    weight : ndarray, (figures,)
    bias : float
    units : Units or None
    """

    figures: tuple[str, ...]
    middle: Real
    spread: Real
    weight: Real
    bias: float = 0.0
    units: Units | None = None

    def score(self, figures: Mapping[str, Real]) -> Real:
        """Score rows of figures: dict of (rows,) in, (rows,) out."""
        rows = np.stack([figures[name] for name in self.figures], axis=1)
        scaled = (rows - self.middle) / self.spread
        plain = np.asarray(np.sum(scaled * self.weight, axis=1) + self.bias)
        return plain if self.units is None else plain + self.units.score(scaled)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Model:
        """Read a model as it is stored."""
        numbers = {name: np.array(data[name], dtype=np.float64) for name in _ARRAYS}
        units = {name: np.array(values, dtype=np.float64) for name, values in data.get("units", {}).items()}
        bent = Units(**units) if units else None
        return cls(figures=tuple(data["figures"]), bias=float(data["bias"]), units=bent, **numbers)


@cache
def load_models() -> tuple[Model, Model]:
    """Load the ranker and the judge of confidence, once a process."""
    data = json.loads(files("kitfold.measure").joinpath("root_weights.json").read_text(encoding="utf-8"))
    return Model.from_json(data["ranker"]), Model.from_json(data["confidence"])
