"""What may be published: what a kit has to say of its rights, and which combinations are known to be impossible.

`rights` is free text. These words in it are understood, in any case:

- ``own work``: the author's own; nothing to compare.
- ``no redistribution``, ``not for redistribution``, ``do not redistribute``, ``non-redistributable``, ``redistribution
  forbidden`` (prohibited, not allowed) and the like, also as ``LicenseRef-no-redistribution``: never published.
- ``all rights reserved``, ``do not share``: the same.
- ``unknown``, ``todo`` and the like: as if nothing had been said.
- a Creative Commons licence, as ``CC-BY-NC-4.0`` or ``Creative Commons Attribution-NonCommercial``: its conditions are
  compared with the kit's licence. Refused is what Creative Commons itself rules out: a condition BY, NC, ND or SA that
  the kit's licence would drop, or one added to BY-SA (creativecommons.org/faq, "Can I combine material under different
  Creative Commons licenses in my work?"; legal code 4.0, sections 2(a)(5), 3(b); both from memory).

Everything else is the author's word; whether it holds is for the licence's own text and, where it matters, a lawyer.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from kitfold.errors import Mistake, PlanError
from kitfold.plan.plan import Plan, PlannedSound
from kitfold.plan.toml import shown_path

__all__ = ["CAUTION", "check_rights", "conditions", "rights_of"]

CAUTION = (
    "many sound libraries and presets forbid passing on isolated sounds, even inside a kit; the licence's own text "
    "decides, and where it matters, a lawyer"
)

_FORBIDDEN = re.compile(
    r"\b(no|not for|non|not|never|without)[\s-]+re-?distribut(ion|able|e|ed)\b(?![\s-]+(restrict|limit))"
    r"|\bredistribution\s+(is\s+)?(not\s+(allowed|permitted)|forbidden|prohibited)"
    r"|\b(not|never)\s+be\s+redistributed\b"
    r"|\ball\s+rights\s+reserved\b|\b(do\s+not|don't|not\s+to|never|not\s+be)\s+shared?\b",
    re.IGNORECASE,
)
_NOTHING_SAID = re.compile(r"\W*(unknown|unclear|not\s+known|to\s+do|todo|tbd|n/?a|none)?\W*", re.IGNORECASE)
_NO_CREDIT = frozenset({"0BSD", "CC-PDDC", "CC0-1.0", "MIT-0", "Unlicense"})
_OWN = re.compile(r"\bown\s+(work|recording|synthesis)\b", re.IGNORECASE)
_SHORT = re.compile(r"\bCC[\s-]*BY((?:[\s-]*(?:NC|ND|SA)(?![A-Z]))*)", re.IGNORECASE)
_ZERO = re.compile(r"\bCC[\s-]*0\b|\bpublic[\s-]+domain\b", re.IGNORECASE)
_LONG = re.compile(r"\bcreative\s+commons\b|\battribution\b", re.IGNORECASE)
_WORDS = {
    "NC": re.compile(r"non-?\s?commercial", re.IGNORECASE),
    "ND": re.compile(r"no-?\s?deriv", re.IGNORECASE),
    "SA": re.compile(r"share-?\s?alike", re.IGNORECASE),
}
_SAYS = {
    "BY": "asks for credit wherever it goes",
    "NC": "forbids commercial use",
    "ND": "forbids passing on what was changed",
    "SA": "asks for the same licence",
}
_LIBERAL = frozenset(
    {"0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC-PDDC", "ISC", "MIT", "MIT-0", "Unlicense"}
)
_NOBODY = re.compile(r"creative\s+commons|attribution|licen[cs]e|international", re.IGNORECASE)


@dataclass(frozen=True)
class _Source:
    """One sound's rights, and where they stand in the kit."""

    where: str
    text: str


def rights_of(plan: Plan, sound: PlannedSound) -> str:
    """Return what a sound says of its rights, or what the sound that it is made from says."""
    while not sound.rights.strip() and sound.from_sound is not None:
        sound = plan.sound(sound.from_sound)
    return sound.rights.strip()


def check_rights(plan: Plan) -> list[str]:
    """Refuse what must not be published; return what the author should think about.

    Returns
    -------
    list of str, cautions, each a sentence

    Raises
    ------
    PlanError : with everything that is missing or impossible
    """
    sources = [
        _Source(f"{shown_path(plan.path)}: sound[{sound.place}] ({sound.name}).rights", rights_of(plan, sound))
        for sound in plan.sounds
    ]
    mistakes = _missing_head(plan)
    mistakes += [mistake for source in sources for mistake in _refused(source, plan.kit.licence)]
    if mistakes:
        raise PlanError(mistakes)
    return [caution for source in sources for caution in _cautions(source, plan.kit.licence)]


def conditions(text: str) -> frozenset[str] | None:
    """Return the conditions of the Creative Commons licence that a text names: of BY, NC, ND and SA; None for none."""
    if match := _SHORT.search(text):
        return frozenset({"BY", *re.findall("NC|ND|SA", match[1].upper())})
    if _ZERO.search(text):
        return frozenset()
    if _LONG.search(text):
        return frozenset({"BY", *(name for name, words in _WORDS.items() if words.search(text))})
    return None


def _missing_head(plan: Plan) -> list[Mistake]:
    hints = {
        "title": 'say what it is called: title = "Saltmarsh"',
        "author": 'say who made it: author = "..."',
        "licence": 'an SPDX identifier such as "CC-BY-4.0" or "CC0-1.0": what others may do with the kit',
    }
    where = f"{shown_path(plan.path)}: kit"
    return [
        Mistake(f"{where}.{key}", "is missing, and a published kit needs it", hint)
        for key, hint in hints.items()
        if not getattr(plan.kit, key).strip()
    ]


def _refused(source: _Source, licence: str) -> list[Mistake]:
    if _NOTHING_SAID.fullmatch(source.text):
        hint = f'write rights = "own work", or the licence and credit of its source; {CAUTION}'
        found = f" (got {source.text!r})" if source.text else ""
        return [Mistake(source.where, f"is missing, and every published sound needs it{found}", hint)]
    if _FORBIDDEN.search(source.text):
        what = f"says that the sound must not be passed on (got {source.text!r}): it cannot be published"
        return [Mistake(source.where, what, f"leave it out, or get the permission in writing; {CAUTION}")]
    lost = _impossible(source.text, licence)
    if not lost:
        return []
    what = f"{lost}, and the kit's licence {licence} does not go with that (got {source.text!r})"
    return [Mistake(source.where, what, f"leave it out, get the permission, or change kit.licence; {CAUTION}")]


def _impossible(text: str, licence: str) -> str:
    """Say which condition of a sound's licence a kit's licence cannot keep; nothing where none is known."""
    mine, kit = _of_source(text), _of_kit(licence)
    if mine is None or kit is None:
        return ""
    for name in ("NC", "ND", "SA"):
        if name in mine and name not in kit:
            return _SAYS[name]
    if "BY" in mine and licence in _NO_CREDIT:
        return _SAYS["BY"]
    return _SAYS["SA"] if "SA" in mine and mine != kit else ""


def _of_source(text: str) -> frozenset[str] | None:
    return None if _OWN.search(text) else conditions(text)


def _of_kit(licence: str) -> frozenset[str] | None:
    """Return the conditions of a kit's licence; None where they are not known, as of a choice between licences."""
    if " OR " in licence or " AND " in licence or " WITH " in licence:
        return None
    return frozenset() if licence in _LIBERAL else conditions(licence)


def _cautions(source: _Source, licence: str) -> list[str]:
    mine, said = _of_source(source.text), []
    if mine is None:
        return []
    if _of_kit(licence) is None and mine - {"BY"}:
        words = " and ".join(_SAYS[name] for name in ("NC", "ND", "SA") if name in mine)
        said.append(f"{source.where} {words}: make sure that {licence} goes with that")
    if "ND" in mine and not said:
        said.append(f"{source.where} {_SAYS['ND']}: trimming, tuning and levelling a sound may count as a change")
    if "BY" in mine and not _credits(source.text):
        said.append(f"{source.where} asks for credit and names nobody (got {source.text!r})")
    return said


def _credits(text: str) -> bool:
    """Say whether a text names anybody or anything beside the licence."""
    rest = text
    for words in (_SHORT, _NOBODY, *_WORDS.values()):
        rest = words.sub("", rest)
    return bool(re.search(r"[^\W\d_]{2,}", rest))
