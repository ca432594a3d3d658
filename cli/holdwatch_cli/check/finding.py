"""One thing that ``holdwatch check`` looked at."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        what: What was looked at.
        ok: Whether it is as it must be.
        found: What was found.
        mend: How to mend it; empty where nothing is wrong.
    """

    what: str
    ok: bool
    found: str
    mend: str = ""
