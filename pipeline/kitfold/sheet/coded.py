"""Advice and findings as text and code: what is meant for kit.toml is set apart from the sentence around it."""

from __future__ import annotations

import re

__all__ = ["coded"]

_VALUE = r"(?:\{[^{}]*\}|\[[^\[\]]*\]|\"[^\"]*\"|-?\d+(?:\.\d+)?|true|false)"
_CODE = re.compile(rf"`([^`]+)`|(?<![\w.])([a-z_]+(?:\.[a-z_]+)* = {_VALUE})")


def coded(text: str) -> list[tuple[str, bool]]:
    """Split a sentence where it names settings: what stands in backticks, and every ``key = value``.

    Returns
    -------
    list of (str, bool), in order: a piece of the sentence, and whether it is code; a backtick without another is text
    """
    pieces: list[tuple[str, bool]] = []
    at = 0
    for found in _CODE.finditer(text):
        pieces += [(text[at : found.start()], False), (found.group(1) or found.group(2), True)]
        at = found.end()
    return [piece for piece in [*pieces, (text[at:], False)] if piece[0]]
