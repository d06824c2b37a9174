"""The step `trim`: cuts silence and noise at both ends, keeps the attack whole, fades the cut to exact zero."""

from __future__ import annotations

from kitfold.measure.onset import attack_start, tail_end
from kitfold.plan.settings import Trim
from kitfold.sound import Sound
from kitfold.steps.shapes import fall, rise
from kitfold.units import frames_to_seconds, seconds_to_frames

__all__ = ["trim"]

_HEAD_FADE_S = 0.001  # inside pre_ms, before the attack: long enough not to click, too short to be heard


def trim(sound: Sound, settings: Trim) -> Sound:
    """Cut what lies before the attack and after the tail.

    Only the two ends are cut, never a quiet gap inside. Steady noise under the sound counts as silence (see
    `kitfold.measure.onset`).

    Parameters
    ----------
    sound : Sound, any length and channels
    settings : Trim

    Returns
    -------
    Sound : (end - start, channels); the last frame is exact zero, and so is the first where something was cut before
        it. Silence, and sounds of one frame or none, come back as they were.
    """
    samples = sound.float64()
    attack = attack_start(samples, sound.rate_hz, settings.head_db)
    end = tail_end(samples, sound.rate_hz, settings.tail_db)
    if attack is None or end is None or sound.frames < 2:
        return sound.telling("nothing was cut: there is only silence.") if sound.frames > 1 else sound
    start, end = _bounds(sound, settings, attack, end)
    kept = samples[start:end].copy()
    outs = min(len(kept), max(1, _frames(settings.fade_ms, sound)))
    kept[len(kept) - outs :] *= fall(outs)[:, None]
    if start > 0:
        ins = max(1, min(attack - start, seconds_to_frames(_HEAD_FADE_S, sound.rate_hz)))
        kept[:ins] *= rise(ins)[:, None]
    return sound.with_samples(kept).telling(
        head_cut_s=frames_to_seconds(start, sound.rate_hz),
        tail_cut_s=frames_to_seconds(sound.frames - end, sound.rate_hz),
        attack_frame=attack - start,
    )


def _bounds(sound: Sound, settings: Trim, attack: int, end: int) -> tuple[int, int]:
    """Leave `pre_ms` before the attack, and after the tail the fade, so that it takes nothing of what was to stay."""
    start = max(0, attack - _frames(settings.pre_ms, sound))
    return start, min(sound.frames, max(end + _frames(settings.fade_ms, sound), start + 2))


def _frames(length_ms: float, sound: Sound) -> int:
    return seconds_to_frames(length_ms / 1000.0, sound.rate_hz)
