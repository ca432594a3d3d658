"""The software version that verdicts and health name."""

from __future__ import annotations

from importlib import metadata

__all__ = ["version"]


def version() -> str:
    """Return the installed version; ``unknown`` when run from a bare folder."""
    try:
        return metadata.version("holdwatch")
    except metadata.PackageNotFoundError:
        return "unknown"
