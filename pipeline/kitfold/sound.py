"""Sound: samples and their rate, the one place that fixes shape, type and full scale.

Everything between a file that was read and a file that is written passes this type. Samples are float32, always two
dimensional (frames, channels), full scale 1.0, finite, and read-only, so that two sounds can share them safely.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Audio", "Done", "Sound"]

Audio = NDArray[np.float32]


@dataclass(frozen=True)
class Done:
    """One line of a sound's history: which step ran, with what, and what it found.

    Parameters
    ----------
    step : str, the step's name
    settings : mapping, every setting with its concrete value, JSON types only
    found : mapping, figures that the step measured, JSON types only, unit in each key
    said : tuple of str, sentences that the user should read
    """

    step: str
    settings: Mapping[str, Any]
    found: Mapping[str, Any] = field(default_factory=dict)
    said: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Sound:
    """A sound in memory.

    Parameters
    ----------
    samples : array_like, (frames, channels) or (frames,), full scale 1.0, finite
        Stored as a read-only float32 array of shape (frames, channels).
    rate_hz : int, Hz, > 0
    root_hz : float or None, Hz, the pitch this sound is known to have; None where nobody has looked or there is none
    whole : bool, True where cutting the sound's end would spoil it (a riser's peak stands there)
    history : tuple of Done, what was done so far
    found, said : what the step that just ran has to tell; the runner moves them into `history`
    loop : (start, end) or None, frames, end exclusive, 0 <= start < end <= frames: what is played round while a note
        is held; None where the sound is played once. Other samples of another length lose it (`with_samples`), unless
        it is given with them; `steps.KEEP_LOOP` says which steps keep it.

    Raises
    ------
    ValueError : for a shape, rate, loop or value that breaks the promises above
    """

    samples: Audio
    rate_hz: int
    root_hz: float | None = None
    whole: bool = False
    history: tuple[Done, ...] = ()
    found: Mapping[str, Any] = field(default_factory=dict)
    said: tuple[str, ...] = ()
    loop: tuple[int, int] | None = None

    def __init__(
        self,
        samples: ArrayLike,
        rate_hz: int,
        root_hz: float | None = None,
        whole: bool = False,
        history: tuple[Done, ...] = (),
        found: Mapping[str, Any] | None = None,
        said: tuple[str, ...] = (),
        loop: tuple[int, int] | None = None,
    ) -> None:
        array = np.asarray(samples, dtype=np.float32)
        if array.ndim == 1:
            array = array[:, np.newaxis]
        if array.ndim != 2 or array.shape[1] < 1:
            raise ValueError(f"samples must have the shape (frames, channels), got {array.shape}")
        if rate_hz <= 0:
            raise ValueError(f"rate_hz must be above 0, got {rate_hz}")
        if not np.isfinite(array).all():
            raise ValueError("samples must be finite")
        if loop is not None and not 0 <= loop[0] < loop[1] <= len(array):
            raise ValueError(f"loop must lie within the {len(array)} frames, start before end, got {loop}")
        array = array.view()
        array.flags.writeable = False
        values = (array, int(rate_hz), root_hz, whole, history, found or {}, said, loop)
        for name, value in zip(self.__dataclass_fields__, values, strict=True):
            object.__setattr__(self, name, value)

    def __reduce__(self) -> tuple[type[Sound], tuple[Any, ...]]:
        """Travel so that it arrives as it was made: its samples read-only."""
        return Sound, tuple(getattr(self, name) for name in self.__dataclass_fields__)

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.samples.shape[0])

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    def peak(self) -> float:
        """Return the largest absolute sample, 0.0 for a sound without frames."""
        return float(max(np.max(self.samples, initial=0.0), -np.min(self.samples, initial=0.0)))

    def float64(self) -> NDArray[np.float64]:
        """Return the samples in float64, for measuring: shape (frames, channels)."""
        return self.samples.astype(np.float64)

    def at_24_bits(self) -> Sound:
        """Return this sound with every sample on a step of 24 bits, as a 24-bit file holds it; clipped at full scale.

        float32 holds every such step exactly, so what is made from this sound is what is made from that file.
        """
        return self.with_samples(self.steps_of_24_bits() / np.float32(2.0**23))

    def steps_of_24_bits(self) -> Audio:
        """Return the samples as whole numbers of 24-bit steps, -2^23 to 2^23 - 1; clipped at full scale."""
        full = np.float32(2.0**23)  # a power of two: nothing is rounded but by `rint`
        steps = np.clip(self.samples, -1.0, 1.0)
        steps *= full
        np.rint(steps, out=steps)
        return np.minimum(steps, full - 1, out=steps)

    def with_samples(self, samples: ArrayLike, **changes: Any) -> Sound:
        """Return this sound with other samples, and with any other field given by name.

        A loop stays where the number of frames does; with another number of frames it has to be given again.
        """
        array = np.asarray(samples, dtype=np.float32)
        if len(array) != self.frames:
            changes.setdefault("loop", None)
        return replace(self, samples=array, **changes)

    def sustained(self, frames: int) -> Sound:
        """Return what is heard of this sound while its note is held for so many frames, the loop going round.

        A sound without a loop is played once and followed by silence. The result has no loop.
        """
        if self.loop is None or frames <= self.loop[1]:
            samples = np.pad(self.samples, ((0, max(0, frames - self.frames)), (0, 0)))[:frames]
        else:
            start, end = self.loop
            places = np.arange(frames)
            samples = self.samples[np.where(places < end, places, start + (places - start) % (end - start))]
        return self.with_samples(samples, loop=None)

    def telling(self, *said: str, **found: Any) -> Sound:
        """Return this sound with sentences and figures added for its history."""
        return replace(self, said=self.said + said, found={**self.found, **found})

    def logged(self, step: str, settings: Mapping[str, Any]) -> Sound:
        """Return this sound with what the last step told moved into its history."""
        done = Done(step, dict(settings), dict(self.found), self.said)
        return replace(self, history=(*self.history, done), found={}, said=())
