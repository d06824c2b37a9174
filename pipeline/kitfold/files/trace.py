"""Where the trace of a bug is kept."""

from __future__ import annotations

import tempfile
from pathlib import Path

__all__ = ["save_trace"]


def save_trace(text: str) -> Path:
    """Write a trace into the platform's log folder, or a temporary one where that cannot be written.

    Parameters
    ----------
    text : str

    Returns
    -------
    Path of the file
    """
    import platformdirs

    for folder in (Path(platformdirs.user_log_dir("kitfold")), Path(tempfile.gettempdir())):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path = folder / "kitfold-trace.txt"
            path.write_text(text, encoding="utf-8")
            return path
        except OSError:
            continue
    return Path("nowhere: no folder could be written")
