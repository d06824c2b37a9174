"""Names that a file system keeps for itself."""

from __future__ import annotations

__all__ = ["is_reserved"]

# Microsoft, "Naming Files, Paths, and Namespaces": reserved device names, whatever the ending.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³")}


def is_reserved(name: str) -> bool:
    """Say whether a file of this name could not be made on some file system."""
    return name.split(".")[0].strip().lower() in _RESERVED
