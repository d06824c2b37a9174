"""Recursive filters in second-order sections, without the half second that loading all of scipy.signal takes.

scipy's own compiled loop is loaded by itself; where a version of scipy keeps it elsewhere, scipy.signal.sosfilt is
called, which runs the same loop (tests/measure/test_sections.py: the same to the bit).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["K_WEIGHTING", "filtered"]

Real = NDArray[np.float64]

K_WEIGHTING = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)
"""The two stages of K-weighting at 48 kHz: ITU-R BS.1770-4, tables 1 and 2."""


_loading = Lock()


def filtered(samples: Real, sections: Real) -> Real:
    """Run a sound through a filter, from rest.

    Parameters
    ----------
    samples : ndarray, (frames, channels)
    sections : ndarray, (sections, 6): b0, b1, b2, 1, a1, a2 of each, one after the other

    Returns
    -------
    ndarray, (frames, channels), new
    """
    rows = np.array(samples.T, dtype=np.float64, order="C")
    if rows.size:
        state = np.zeros((len(rows), len(sections), 2))
        _loop()(np.ascontiguousarray(sections, dtype=np.float64), rows, state)
    return rows.T


def _loop() -> Callable[[Real, Real, Real], Any]:
    """Return a function that filters rows of samples in place."""
    with _loading:  # two threads at once in a module that is being loaded would load it twice, which it refuses
        return _loaded()


@cache
def _loaded() -> Callable[[Real, Real, Real], Any]:
    try:
        return _compiled_loop()
    except (ImportError, AttributeError, OSError, RuntimeError):
        return _whole_scipy


def _compiled_loop() -> Callable[[Real, Real, Real], Any]:
    from importlib.machinery import EXTENSION_SUFFIXES
    from importlib.util import module_from_spec, spec_from_file_location
    from pathlib import Path

    import scipy

    folder = Path(scipy.__file__).parent / "signal"
    path = next((path for suffix in EXTENSION_SUFFIXES if (path := folder / f"_sosfilt{suffix}").exists()), None)
    spec = spec_from_file_location("_sosfilt", path) if path else None
    if spec is None or spec.loader is None:
        raise ImportError("scipy keeps its loop elsewhere")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    loop: Callable[[Real, Real, Real], Any] = module._sosfilt
    trial = np.ones((1, 2))
    loop(np.array([[0.5, 0.0, 0.0, 1.0, -0.5, 0.0]]), trial, np.zeros((1, 1, 2)))
    if not np.array_equal(trial, [[0.5, 0.75]]):
        raise ImportError("scipy's loop does something else in this version")
    return loop


def _whole_scipy(sections: Real, rows: Real, state: Real) -> None:
    from scipy.signal import sosfilt

    rows[:] = sosfilt(sections, rows, axis=-1, zi=np.moveaxis(state, 1, 0))[0]
