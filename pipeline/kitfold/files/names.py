"""File names that work on every system, whichever one made them.

Source: Microsoft, "Naming Files, Paths, and Namespaces" (reserved characters and device names, trailing dot or space).
"""

from __future__ import annotations

from kitfold.errors import PackError
from kitfold.plan.names import is_reserved

__all__ = ["file_name_problem", "safe_file_name"]

_FORBIDDEN = '<>:"/\\|?*'
_CONSOLE = ("CONIN$", "CONOUT$")  # reserved too, though the page does not list them: Windows' own console devices
_MOST_BYTES = 255  # of one name, in UTF-8: ext4, APFS and NTFS all hold that much


def file_name_problem(name: str) -> str:
    """Say why a name cannot be a file or folder on some system; an empty string where it can be one on all of them.

    Parameters
    ----------
    name : str, one part of a path, with its ending

    Returns
    -------
    str that continues a sentence about the name, as ``is reserved by Windows (NUL)``
    """
    bad = [letter for letter in name if letter in _FORBIDDEN or ord(letter) < 32 or 0xD800 <= ord(letter) < 0xE000]
    stem = name.split(".")[0].rstrip(" ").upper()
    if not name:
        return "is empty"
    if bad:
        return f"has {bad[0]!r} in it, which no file name may have on every system"
    if name in (".", "..") or name[-1] in ". ":
        return "ends in a dot or a space"
    if stem in _CONSOLE or is_reserved(name):
        return f"is reserved by Windows ({stem})"
    if len(name.encode()) > _MOST_BYTES:
        return f"is {len(name.encode())} bytes long; a file name has at most {_MOST_BYTES}"
    return ""


def safe_file_name(name: str) -> str:
    """Return the name if it can be a file on every system, and refuse it otherwise.

    Raises
    ------
    PackError : saying why: see `file_name_problem`
    """
    problem = file_name_problem(name)
    if problem:
        raise PackError(problem, where=repr(name), hint="choose another name")
    return name
