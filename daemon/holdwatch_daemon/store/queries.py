"""Questions to the store, answered over read-only connections."""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, TypeVar

from holdwatch_daemon.store import answers, vehicles
from holdwatch_daemon.store.answers import HoldRow

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable
    from pathlib import Path

    from holdwatch_daemon.messages import Event
    from holdwatch_procedures.vehicles import Vehicle

__all__ = ["HoldRow", "Queries"]

_READERS = 2
"""Threads for what the service itself asks, which nobody's search may hold up: on a slow disk a
command would wait for its answer behind everything that people look through …"""
_BROWSERS = 2
"""… which has its own, and so have events on their way to broker, webhooks and screens."""

T = TypeVar("T")


class Queries:
    """Read-only answers; every method runs off the event loop.

    The file must exist and have the present schema. ``close`` ends the readers.

    Args:
        path: The SQLite file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._own = ThreadPoolExecutor(_READERS, thread_name_prefix="holdwatch-reader")
        self._browsing = ThreadPoolExecutor(_BROWSERS, thread_name_prefix="holdwatch-browser")
        self._telling = ThreadPoolExecutor(1, thread_name_prefix="holdwatch-events")
        self._local = threading.local()
        self._connections: list[sqlite3.Connection] = []

    async def list_holds(self, bay: str | None = None, limit: int = 50) -> list[HoldRow]:
        """Return the newest holds first."""
        return await self.browse(lambda c: answers.list_holds(c, bay, limit))

    async def hold(self, hold_id: str) -> HoldRow | None:
        """Return one hold, or None where there is none of that id."""
        return await self.browse(lambda c: answers.hold(c, hold_id))

    async def recipe_toml(self, hold_id: str) -> str | None:
        """Return the recipe a hold was judged by, as TOML."""
        return await self.browse(lambda c: answers.recipe_toml(c, hold_id))

    async def hold_trace(self, hold_id: str, points: int = 1000) -> dict[str, Any]:
        """Return a hold's readings for drawing, thinned to about ``points`` a role.

        ``{"series": {role: {"quantity": …, "unit": "Pag", "t_s": [...], "value": [...]}}}``;
        ``t_s`` counts from the start of the hold. Thinning keeps the lowest and the highest
        value of every stretch.
        """
        return await self.browse(lambda c: answers.hold_trace(c, hold_id, points))

    async def hold_curve(self, hold_id: str) -> list[dict[str, Any]]:
        """Return the curve points of a hold (``CurvePoint.to_dict``), in order of time."""
        return await self.browse(lambda c: answers.hold_curve(c, hold_id))

    async def hold_events(self, hold_id: str) -> list[Event]:
        """Return the events whose subject is this hold, in order."""
        return await self.browse(lambda c: answers.hold_events(c, hold_id))

    async def work_order(self, hold_id: str) -> str | None:
        """Return the number of the work order that a hold is bound to, or None."""
        return await self.browse(lambda c: answers.work_order_of(c, hold_id))

    async def verdict(self, hold_id: str) -> dict[str, Any] | None:
        """Return a hold's verdict (``Verdict.to_dict``), or None while there is none."""
        return await self.browse(lambda c: answers.verdict(c, hold_id))

    async def unit_named(self, name: str) -> Vehicle | None:
        """Return the unit of the story that goes by a fleet number, plate or VIN, or None."""
        stored = await self.ask(lambda c: vehicles.vehicle_named(c, name))
        return None if stored is None else stored.vehicle

    async def events_after(self, sequence: int, limit: int = 500) -> list[Event]:
        """Return up to ``limit`` events with a number above ``sequence``, in order."""
        return await self._run(self._telling, lambda c: answers.events_after(c, sequence, limit))

    async def newest_sequence(self) -> int:
        """Return the number of the newest event; 0 where there is none."""
        return await self.ask(answers.newest_sequence)

    async def ask(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Run a short question of ``answers`` (or one like them) in a reader's thread."""
        return await self._run(self._own, question)

    async def browse(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Run a question of somebody who looks things up, however long it takes."""
        return await self._run(self._browsing, question)

    async def _run(
        self, pool: ThreadPoolExecutor, question: Callable[[sqlite3.Connection], T]
    ) -> T:
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(pool, lambda: question(self._connection()))

    def reopen(self) -> None:
        """Answer from the file that lies there now; questions under way end where they began."""
        self._local = threading.local()

    async def close(self) -> None:
        """End questions under way, to which nobody listens any more, and close the connections."""
        for connection in self._connections:
            connection.interrupt()
        for pool in (self._own, self._browsing, self._telling):
            await asyncio.to_thread(pool.shutdown, cancel_futures=True)
        for connection in self._connections:
            connection.close()

    def _connection(self) -> sqlite3.Connection:
        connection: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            connection = answers.connect(self.path)
            self._local.connection = connection
            self._connections.append(connection)
        return connection
