"""scipy's transforms and moving filters without the fifth of a second that loading all of scipy takes.

`scipy.fft` and `scipy.ndimage` load scipy's support of other array libraries, which loads most of numpy; the compiled
loops behind them need none of it and are loaded by themselves. Where a version of scipy keeps them elsewhere, or they
give anything else on a trial, scipy's own functions are called, which run the same loops (tests/measure/
test_compiled.py: the same to the bit).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from threading import Lock
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["irfft", "loaded", "maximum_filter1d", "minimum_filter1d", "next_fast_len", "rfft", "uniform_filter1d"]

_MODES = {"nearest": 0, "wrap": 1, "reflect": 2, "constant": 4}
_NO_SCALE, _BY_LENGTH = 0, 2  # pocketfft's scales, forwards and backwards
_loading = Lock()


def rfft(samples: ArrayLike, size: int | None = None, axis: int = -1) -> Any:
    """Transform real samples, cut or filled with zeros to `size`: `scipy.fft.rfft`."""
    loops = loaded("fft/_pocketfft", "pypocketfft")
    if loops is None:
        from scipy.fft import rfft as whole

        return whole(np.asarray(samples), size, axis)
    return loops.r2c(_sized(_floats(samples), size, axis), (axis,), True, _NO_SCALE, None, 1)


def irfft(lines: ArrayLike, size: int | None = None, axis: int = -1) -> Any:
    """Turn lines back into `size` real samples, by default an even number: `scipy.fft.irfft`."""
    loops = loaded("fft/_pocketfft", "pypocketfft")
    if loops is None:
        from scipy.fft import irfft as whole

        return whole(np.asarray(lines), size, axis)
    found = _floats(lines)
    found = found if np.iscomplexobj(found) else found + 0.0j
    frames = 2 * (found.shape[axis] - 1) if size is None else size
    return loops.c2r(_sized(found, frames // 2 + 1, axis), (axis,), frames, False, _BY_LENGTH, None, 1)


def next_fast_len(target: int, real: bool = False) -> int:
    """Return the least size from `target` up that is quick to transform: `scipy.fft.next_fast_len`."""
    loops = loaded("fft/_pocketfft", "pypocketfft")
    if loops is None:
        from scipy.fft import next_fast_len as whole

        return int(whole(target, real))
    return int(loops.good_size(target, real))


def uniform_filter1d(values: NDArray[np.float64], size: int, mode: str = "reflect") -> NDArray[np.float64]:
    """Return the mean of `size` values around each, along the last axis: `scipy.ndimage.uniform_filter1d`."""
    return _filtered("uniform_filter1d", values, size, mode)


def maximum_filter1d(values: NDArray[np.float64], size: int, mode: str = "reflect") -> NDArray[np.float64]:
    """Return the greatest of `size` values around each, along the last axis: `scipy.ndimage.maximum_filter1d`."""
    return _filtered("maximum_filter1d", values, size, mode)


def minimum_filter1d(values: NDArray[np.float64], size: int, mode: str = "reflect") -> NDArray[np.float64]:
    """Return the least of `size` values around each, along the last axis: `scipy.ndimage.minimum_filter1d`."""
    return _filtered("minimum_filter1d", values, size, mode)


def _filtered(name: str, values: NDArray[np.float64], size: int, mode: str) -> NDArray[np.float64]:
    loops = loaded("ndimage", "_nd_image")
    if loops is None:
        import scipy.ndimage

        return np.asarray(getattr(scipy.ndimage, name)(values, size, mode=mode))
    values = np.asarray(values)
    out = np.zeros(values.shape, values.dtype)
    axis, code = values.ndim - 1, _MODES[mode]
    if name == "uniform_filter1d":
        loops.uniform_filter1d(values, size, axis, out, code, 0.0, 0)
    else:
        loops.min_or_max_filter1d(values, size, axis, out, code, 0.0, 0, name == "minimum_filter1d")
    return out


def _floats(values: ArrayLike) -> NDArray[Any]:
    array = np.asarray(values)
    return array if array.dtype.char in "fdFD" else array.astype(np.float64)


def _sized(array: NDArray[Any], size: int | None, axis: int) -> NDArray[Any]:
    have = array.shape[axis]
    if size is None or size == have:
        return array
    places = [slice(None)] * array.ndim
    places[axis] = slice(0, min(size, have))
    if size < have:
        return array[tuple(places)]
    shape = list(array.shape)
    shape[axis] = size
    filled = np.zeros(shape, array.dtype)
    filled[tuple(places)] = array
    return filled


def loaded(folder: str, name: str) -> ModuleType | None:
    """Return a compiled part of scipy, loaded once; None where it is not what is known here."""
    with _loading:  # two threads at once in a module that is being loaded would meet half of it
        return _loaded(folder, name)


@cache
def _loaded(folder: str, name: str) -> ModuleType | None:
    try:
        module = _compiled(folder, name)
        if _as_known(module):
            return module
    except (ImportError, AttributeError, OSError, RuntimeError, TypeError):
        pass  # as where it does something else
    _load_whole()
    return None


def _compiled(folder: str, name: str) -> ModuleType:
    from importlib.machinery import EXTENSION_SUFFIXES
    from importlib.util import module_from_spec, spec_from_file_location

    import scipy

    place = Path(scipy.__file__).parent / folder
    path = next((path for suffix in EXTENSION_SUFFIXES if (path := place / f"{name}{suffix}").exists()), None)
    spec = spec_from_file_location(name, path) if path else None
    if spec is None or spec.loader is None:
        raise ImportError("scipy keeps its loops elsewhere")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _as_known(module: ModuleType) -> bool:
    """Try a part of scipy on what is known."""
    given, out = np.array([0.0, 3.0, 0.0, 0.0]), np.zeros(4)
    if hasattr(module, "r2c"):
        lines = module.r2c(given, (-1,), True, _NO_SCALE, None, 1)
        back = module.c2r(lines, (-1,), 4, False, _BY_LENGTH, None, 1)
        return np.allclose(lines, [3.0, -3.0j, -3.0]) and np.allclose(back, given) and module.good_size(13, True) == 15
    module.uniform_filter1d(given, 3, 0, out, _MODES["wrap"], 0.0, 0)
    level = np.allclose(out, [1.0, 1.0, 1.0, 0.0])
    module.min_or_max_filter1d(given, 3, 0, out, _MODES["nearest"], 0.0, 0, False)
    return level and np.allclose(out, [3.0, 3.0, 3.0, 0.0])


def _load_whole() -> None:
    """Load scipy's own functions while other threads wait: see `loaded`."""
    import scipy.fft
    import scipy.ndimage  # noqa: F401
