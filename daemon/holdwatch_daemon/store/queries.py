"""Questions to the store, answered over read-only connections."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_daemon.messages import Event


class HoldRow(BaseModel):
    """A hold as the store has it; times are RFC 3339 UTC."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str
    bay: str
    unit: str | None
    procedure: str
    recipe: str
    refrigerant: str
    started: str
    ended: str | None
    outcome: str | None
    sentence: str | None
    simulated: bool


class Queries:
    """Read-only answers; every method runs off the event loop.

    Args:
        path: The SQLite file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    async def list_holds(self, bay: str | None = None, limit: int = 50) -> list[HoldRow]:
        """Return the newest holds first."""
        raise NotImplementedError

    async def hold(self, hold_id: str) -> HoldRow | None:
        """Return one hold, or None where there is none of that id."""
        raise NotImplementedError

    async def recipe_toml(self, hold_id: str) -> str | None:
        """Return the recipe a hold was judged by, as TOML."""
        raise NotImplementedError

    async def hold_trace(self, hold_id: str, points: int = 1000) -> dict[str, Any]:
        """Return a hold's readings for drawing, thinned to about ``points`` a role.

        ``{"series": {role: {"quantity": …, "unit": "Pag", "t_s": [...], "value": [...]}}}``;
        ``t_s`` counts from the start of the hold. Thinning keeps the lowest and the highest
        value of every stretch.
        """
        raise NotImplementedError

    async def hold_curve(self, hold_id: str) -> list[dict[str, Any]]:
        """Return the curve points of a hold (``CurvePoint.to_dict``), in order of time."""
        raise NotImplementedError

    async def hold_events(self, hold_id: str) -> list[Event]:
        """Return the events whose subject is this hold, in order."""
        raise NotImplementedError

    async def verdict(self, hold_id: str) -> dict[str, Any] | None:
        """Return a hold's verdict (``Verdict.to_dict``), or None while there is none."""
        raise NotImplementedError

    async def events_after(self, sequence: int, limit: int = 500) -> list[Event]:
        """Return up to ``limit`` events with a number above ``sequence``, in order."""
        raise NotImplementedError

    async def newest_sequence(self) -> int:
        """Return the number of the newest event; 0 where there is none."""
        raise NotImplementedError
