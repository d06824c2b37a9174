"""The step `tune`: finds the note that a sound plays and moves it to a note of the kit."""

from __future__ import annotations

from dataclasses import dataclass

from kitfold.errors import StepError
from kitfold.measure.layers import harmonic_share
from kitfold.measure.pitch import held_pitch_hz
from kitfold.measure.root import Root, find_root
from kitfold.plan.settings import Tune
from kitfold.sound import Sound
from kitfold.steps.shift import keep_length, varispeed
from kitfold.units import cents_between, hz_to_midi, midi_to_hz, note_name, parse_note, parse_pitch_class

__all__ = ["tune"]

_IN_TUNE_CENTS = 0.1  # nearer than this nothing is moved: it would only cost a resampling
_HEARD_WITHIN_CENTS = 50.0
_LEAST_SHARE = 1e-3  # of the power, on the note's harmonics: less is the skirt of another note, or noise
_LIKELY_TOO = 0.1  # an alternative of at least this confidence is named where the way is too long


@dataclass(frozen=True)
class _Tuning:
    a4_hz: float
    middle_c: str

    def name(self, hz: float) -> str:
        return note_name(round(hz_to_midi(hz, self.a4_hz)), self.middle_c)

    def hz(self, midi: int) -> float:
        return midi_to_hz(midi, self.a4_hz)


@dataclass(frozen=True)
class _Heard:
    """The source's pitch, how sure it is, what to tell, and what else it might be."""

    hz: float
    confidence: float
    said: tuple[str, ...] = ()
    others_hz: tuple[float, ...] = ()


def tune(sound: Sound, settings: Tune) -> Sound:
    """Find the root of a sound and move it to the wanted note.

    Parameters
    ----------
    sound : Sound, (frames, channels); a root that an earlier step knows is measured near there, not looked for again
    settings : Tune, resolved: `to` is a note, a pitch class or several

    Returns
    -------
    Sound, with its root at the target: (max(1, floor(frames / ratio + 0.5)), channels) by varispeed, where ratio is the
    target over the root, (frames, channels) by keep-length. A sound without a clear root (silence too) is returned as
    it is, with a sentence that says how to tell its note.

    Raises
    ------
    StepError : where the target lies further than `limit_semitones` from the root
    """
    tuning = _Tuning(settings.a4_hz or 440.0, settings.middle_c or "C4")
    heard = _listen(sound, settings, tuning)
    if isinstance(heard, str):
        return sound.telling(heard)
    target_hz = tuning.hz(_target_midi(settings.to, heard.hz, tuning))
    cents = cents_between(heard.hz, target_hz)
    if abs(cents) > 100.0 * settings.limit_semitones + 1e-6:
        raise _too_far(heard, target_hz, settings, tuning)
    move = varispeed if settings.method == "varispeed" else keep_length
    moved = sound if abs(cents) < _IN_TUNE_CENTS else move(sound, target_hz / heard.hz)
    return moved.with_samples(moved.samples, root_hz=target_hz).telling(
        *heard.said,
        root_hz=round(heard.hz, 4),
        moved_cents=round(cents, 4),
        confidence=round(heard.confidence, 3),
    )


def _listen(sound: Sound, settings: Tune, tuning: _Tuning) -> _Heard | str:
    """Return the pitch of a sound, or the sentence that says why there is none."""
    if settings.heard is not None:
        return _near_note(sound, settings.heard, tuning)
    if sound.root_hz is not None:
        return _Heard(_measured_near(sound, sound.root_hz) or sound.root_hz, 1.0)
    root = find_root(sound)
    if root.hz is None or not root.pitched:
        return _unpitched(root, tuning)
    others_hz = tuple(other.hz for other in root.alternatives if other.confidence >= _LIKELY_TOO)
    return _Heard(_measured_near(sound, root.hz) or root.hz, root.confidence, (), others_hz)


def _measured_near(sound: Sound, near_hz: float) -> float | None:
    hz = held_pitch_hz(sound, near_hz)
    if hz is None or abs(cents_between(near_hz, hz)) > _HEARD_WITHIN_CENTS:
        return None
    return hz if harmonic_share(sound, hz) >= _LEAST_SHARE else None


def _near_note(sound: Sound, note: str, tuning: _Tuning) -> _Heard:
    note_hz = tuning.hz(parse_note(note, tuning.middle_c))
    hz = _measured_near(sound, note_hz)
    if hz is not None:
        return _Heard(hz, 1.0)
    return _Heard(note_hz, 1.0, (f"nothing was measured within 50 cents of {note}: it was moved as if exactly there",))


def _unpitched(root: Root, tuning: _Tuning) -> str:
    if root.hz is None:
        return 'no root was heard, so nothing was moved; if it has a note, write it: tune.heard = "A3"'
    guess = tuning.name(root.hz)
    return (
        f"no clear root was heard (perhaps {guess}, confidence {root.confidence:.2f}), so nothing was moved; "
        f'if that is its note, write tune.heard = "{guess}"'
    )


def _target_midi(to: str | tuple[str, ...], hz: float, tuning: _Tuning) -> int:
    """Return the wanted note: the one given, or the nearest of the pitch classes given; a tie goes down."""
    if isinstance(to, str) and to[-1].isdigit():
        return parse_note(to, tuning.middle_c)
    classes = [parse_pitch_class(text) for text in ((to,) if isinstance(to, str) else to)]
    midi = hz_to_midi(hz, tuning.a4_hz)
    lowest = [pitch_class + 12 * ((round(midi) - 6 - pitch_class) // 12) for pitch_class in classes]
    candidates = sorted(note + 12 * octave for note in lowest for octave in range(3))
    return min(candidates, key=lambda note: round(abs(note - midi), 6))


def _too_far(heard: _Heard, target_hz: float, settings: Tune, tuning: _Tuning) -> StepError:
    source = tuning.name(heard.hz)
    cents = cents_between(heard.hz, target_hz)
    other = next((f"it may also be {tuning.name(hz)}; " for hz in heard.others_hz), "")
    return StepError(
        f"would move it from {source} to {tuning.name(target_hz)}, {abs(cents) / 100:.2f} semitones; "
        f"{settings.limit_semitones:g} are allowed",
        where="tune.limit_semitones",
        hint=f"{other}write tune.heard if {source} is wrong, choose a nearer tune.to, or raise tune.limit_semitones",
    )
