"""A build on disk, as whoever shows it needs it: in a module of its own, which loads nothing that works on sound."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Built"]


@dataclass(frozen=True)
class Built:
    """A build on disk.

    Parameters
    ----------
    folder : Path
    entries : mapping, its manifest as JSON
    kept : tuple of str, files of the user's own that lay in the earlier build's folder, and lie in this one's
    """

    folder: Path
    entries: Mapping[str, Any]
    kept: tuple[str, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether a check fails."""
        return any(check["result"] == "fail" for check in self.entries["checks"])
