"""What a file name tells: notes, a tempo, a key, words; and a kit's name for the sound."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from kitfold.plan.key import Key
from kitfold.plan.names import LONGEST_NAME, clean, is_reserved, plain_letters
from kitfold.units import parse_pitch_class

__all__ = ["Hints", "agreed_tempo", "clean", "kit_name", "read_hints", "sound_names"]

_TEMPI = (40.0, 240.0)  # a number outside is no tempo
_BARE_TEMPI = (50.0, 200.0)  # without the word bpm it must be a likelier one

# A note begins a word, or follows a small letter or a digit as a capital (PadD3); an octave is one digit.
_NOTE = re.compile(
    r"(?:(?<![A-Za-z0-9#])[A-Ga-g]|(?<=[a-z0-9])[A-G])(#|s|S|b|sharp|flat)?[ _-]?([0-8])(?![0-9A-Za-z#.])"
)
_KEY = re.compile(r"(?<![A-Za-z0-9#])([A-G])(#|b)?[ _-]?(m(?:in(?:or)?)?|maj(?:or)?)(?![A-Za-z0-9#])")
_NUMBER = r"(\d{2,3}(?:[.,]\d{1,3})?)"
_BPM = re.compile(rf"(?<![\d.,]){_NUMBER}[ _-]?bpm(?![a-z])|(?<![a-z])bpm[ _-]?{_NUMBER}(?!\d)", re.IGNORECASE)
_BARE = re.compile(r"(?<![A-Za-z0-9#.,+-])([1-9]\d{1,2})(?![A-Za-z0-9#.,])")
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+")


@dataclass(frozen=True)
class Hints:
    """What a file name tells.

    Parameters
    ----------
    notes : tuple of int, MIDI numbers of the notes in it, counted with middle C as C4
    bpm : float or None, beats per minute, a number marked as bpm
    bare : float or None, a lone number that may be a tempo
    key : Key or None
    words : frozenset of str, small letters
    bare_name : str, the name cleaned, without its notes and its tempo; may be empty
    whole_name : str, the name cleaned, with them; may be empty
    """

    notes: tuple[int, ...]
    bpm: float | None
    bare: float | None
    key: Key | None
    words: frozenset[str]
    bare_name: str
    whole_name: str


def read_hints(stem: str) -> Hints:
    """Read what a file name tells.

    Parameters
    ----------
    stem : str, any text: the file's name without its ending

    Examples
    --------
    ``pad_D3_76bpm`` tells D3 and 76 beats a minute, ``Bell-Fs4`` F sharp 4, ``pluck c#5 120`` C sharp 5 and perhaps 120
    """
    text = plain_letters(stem)
    notes = list(_NOTE.finditer(text))
    rest = _without(text, notes)
    tempo = next((match for match in _BPM.finditer(rest) if _tempo(match[1] or match[2], _TEMPI)), None)
    rest = _without(rest, [tempo] if tempo else [])
    bare = next((match for match in _BARE.finditer(rest) if _tempo(match[1], _BARE_TEMPI)), None)
    key = _KEY.search(rest)
    return Hints(
        notes=tuple(dict.fromkeys(_midi(match) for match in notes)),
        bpm=_tempo(tempo[1] or tempo[2], _TEMPI) if tempo else None,
        bare=_tempo(bare[1], _BARE_TEMPI) if bare else None,
        key=_key(key) if key else None,
        words=frozenset(word.lower() for word in _WORD.findall(rest)),
        bare_name=clean(_without(rest, [bare] if bare else [])),
        whole_name=clean(_spelled(text)),
    )


def agreed_tempo(hints: Iterable[Hints]) -> float | None:
    """Return the tempo that file names tell.

    Numbers marked bpm: the most frequent, the first on a tie. Without any, lone numbers, but only where all that there
    are agree: others count takes.
    """
    hints = list(hints)
    marked = Counter(one.bpm for one in hints if one.bpm is not None)
    if marked:
        return marked.most_common(1)[0][0]
    bare = {one.bare for one in hints if one.bare is not None}
    return bare.pop() if len(bare) == 1 else None


def sound_names(hints: Sequence[Hints], taken: Iterable[str] = ()) -> list[str]:
    """Name every sound of a kit: short, unique, and a name that every file system takes.

    A sound is called after its file without note and tempo; where two files would then share a name, both keep them.
    """
    short = Counter(one.bare_name for one in hints)
    used, names = set(taken), []
    for one in hints:
        alone = one.bare_name and not one.bare_name.isdigit() and short[one.bare_name] == 1
        name = _unique((one.bare_name if alone else one.whole_name) or "sound", used)
        used.add(name)
        names.append(name)
    return names


def kit_name(folders: Sequence[str]) -> str:
    """Name a kit after its folder; after the one around it where nothing of its name can stand in a kit's.

    Parameters
    ----------
    folders : names of the folder and those around it, from the inside out
    """
    name = next(filter(None, (clean(folder) for folder in folders[:2])), "kit")
    return f"{name[: LONGEST_NAME - 4]}-kit" if is_reserved(name) else name


def _unique(name: str, used: set[str]) -> str:
    if is_reserved(name):
        name = f"{name}-sound"
    tried, number = name, 1
    while tried in used:
        number += 1
        ending = f"-{number}"
        tried = name[: LONGEST_NAME - len(ending)].rstrip("-") + ending
    return tried


def _spelled(text: str) -> str:
    """Keep a sharp in a name as a letter: c#5 is cs5."""
    return re.sub(r"(?<=[A-Ga-g])#", "s", text)


def _without(text: str, matches: Iterable[re.Match[str]]) -> str:
    for match in matches:
        text = text[: match.start()] + " " * (match.end() - match.start()) + text[match.end() :]
    return text


def _midi(match: re.Match[str]) -> int:
    letter = match[0][0].upper()
    sharp = {"#": 1, "s": 1, "sharp": 1, "b": -1, "flat": -1}.get((match[1] or "").lower(), 0)
    return 12 * (int(match[2]) + 1) + parse_pitch_class(letter) + sharp


def _key(match: re.Match[str]) -> Key:
    return Key(parse_pitch_class(match[1] + (match[2] or "")), "major" if match[3].startswith("maj") else "minor")


def _tempo(text: str, limits: tuple[float, float]) -> float | None:
    value = float(text.replace(",", "."))
    return value if limits[0] <= value <= limits[1] else None
