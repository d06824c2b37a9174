"""What to write instead, where a file is no TOML or no text: the slips that a first kit is made of."""

from __future__ import annotations

import re

__all__ = ["hint_for_toml", "is_sound_file"]

_LISTS = re.compile(r"\s*\[+\s*(sound|song\s*\.\s*section)\s*\]+")  # the tables that a kit may have many of
_COMMA = re.compile(r"=\s*([-+]?[0-9]+),([0-9]+)(?![\w-]*\s*=)")
_LINE = re.compile(r"at line ([0-9]+)")
# The first four bytes of the formats that libsndfile and libmpg123 read most.
_MAGIC = (b"RIFF", b"RF64", b"riff", b"FORM", b"fLaC", b"OggS", b"caff", b".snd", b"ID3\x02", b"ID3\x03", b"ID3\x04")


def is_sound_file(head: bytes) -> bool:
    """Say whether a file that begins so is a sound rather than text."""
    return head.startswith(_MAGIC)


def hint_for_toml(error: str, text: str) -> str:
    """Return what to write instead, or nothing where the line shows no slip that is known.

    Parameters
    ----------
    error : str, what the parser says, with its line
    text : str, the file
    """
    lines, found = text.splitlines(), _LINE.search(error)
    line = lines[int(found[1]) - 1] if found and int(found[1]) <= len(lines) else ""
    if table := _LISTS.match(line):
        name = re.sub(r"\s", "", table[1])
        return f"write [[{name}]], in double brackets, each time: a kit may have many"
    if comma := _COMMA.search(line):
        return f"write {comma[1]}.{comma[2]}: a decimal takes a point"
    return ""
