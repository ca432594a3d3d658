"""When the database turns out damaged: a new one takes its place, and everybody is told why.

At a start and while the service runs alike the damaged file is set aside and event numbers go on.
A hold that was running has lost its first readings: it ends inconclusive, in the new file, saying
so. Nothing of the damaged file is deleted; ``holdwatch salvage`` recovers what can be read.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from typing import TYPE_CHECKING

from holdwatch_daemon.bays.hold_identity import insert_begun
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store.damage import set_aside
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.numbers import raise_floors
from holdwatch_daemon.store.opening import open_locked
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.wording import as_written

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.bays.runner import HoldRunner
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.store.damage import SetAside
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.numbers import ToldNumbers
    from holdwatch_daemon.store.rows import Ids

log = logging.getLogger(__name__)

STORE = "store"
"""The alarm's kind."""


def tell_set_aside(
    aside: SetAside, events: EventLog, bays: Mapping[str, Bay], utc_ns: int
) -> asyncio.Future[None]:
    """Tell that a damaged file was set aside: an event, and an alarm that stands in every bay."""
    data = {"file": aside.path.name, "why": aside.why, "text": aside.text}
    told = events.tell(Draft("holdwatch.store.set_aside", utc_ns, data))
    for bay in bays.values():
        bay.alarms.raise_(STORE, as_written(aside.text), utc_ns)
        bay.alarms.cause_gone(STORE, utc_ns)  # it stands until somebody has seen it
    return told


class Refuge:
    """Mends a writer whose file is damaged; see ``Writer.mend``.

    Args:
        database: The SQLite file.
        database_id: Its id, which the new file takes over: it carries on its numbers.
        ids: The store's numbers, which begin anew.
        clock: Stamps what is told.
        told: The newest event numbers.
        loop: Where ``after`` is called.
        bays: The bays, whose running holds are written into the new file.
        simulated: Whether those holds are simulated.
        version: The software's.
        after: Called on the loop once the new file is there.
    """

    def __init__(
        self,
        database: Path,
        database_id: str,
        ids: Ids,
        clock: ServiceClock,
        told: ToldNumbers,
        loop: asyncio.AbstractEventLoop,
        bays: Callable[[], Mapping[str, Bay]],
        *,
        simulated: bool,
        version: str,
        after: Callable[[SetAside], None],
    ) -> None:
        self._database = database
        self._database_id = database_id
        self._ids = ids
        self._clock = clock
        self._told = told
        self._loop = loop
        self._bays = bays
        self._simulated = simulated
        self._version = version
        self._after = after

    def mend(self, connection: sqlite3.Connection, error: Exception) -> sqlite3.Connection:
        """Set the file aside and return a connection to a new one; in the writer's thread.

        Where that cannot be done either, the connection is one to what lies there.
        """
        now = self._clock.utc_ns()
        with contextlib.suppress(sqlite3.Error):
            connection.close()
        try:
            aside = set_aside(self._database, now, str(error))
            fresh, _, _ = open_locked(self._database, rfc3339(now))
        except StoreError as problem:
            log.error("no new database could be begun: %s", problem)  # noqa: TRY400 - said whole
            return sqlite3.connect(self._database, isolation_level=None, check_same_thread=False)
        self._ids.forget()
        self._ids.rolled_ns = None
        fresh.execute("BEGIN IMMEDIATE")
        fresh.execute("UPDATE about SET value = ? WHERE key = 'database_id'", [self._database_id])
        floors = self._told.read()
        for bay, number in aside.numbers.items():
            floors[bay] = max(floors.get(bay, 0), number)
        raise_floors(fresh, floors)
        for each in self._bays().values():
            if each.runner is not None:
                self._begin_again(fresh, each.runner)
        fresh.execute("COMMIT")
        self._loop.call_soon_threadsafe(self._after, aside)
        return fresh

    def _begin_again(self, connection: sqlite3.Connection, runner: HoldRunner) -> None:
        """Write a running hold into the new file, so that its end has a place there."""
        insert_begun(
            connection,
            runner.identity,
            self._ids.boot(connection, self._clock.utc_ns()),
            (runner.zero_mono_ns, self._clock.mono_ns()),
            simulated=self._simulated,
            version=self._version,
        )


def end_holds(aside: SetAside, bays: Mapping[str, Bay]) -> None:
    """End the holds that were running when their record was set aside: never a pass."""
    for bay in bays.values():
        if bay.runner is not None:
            bay.runner.break_off(
                "Inconclusive: the record was damaged while it ran; hold again.",
                f"Its readings up to then lie in {aside.path.name} ({aside.why}).",
            )
            bay.runner.finish()
