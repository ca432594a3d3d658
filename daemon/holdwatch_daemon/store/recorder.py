"""Puts the recorder together: database, writer, queries, events, and what keeps them in order."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_daemon.store import rows
from holdwatch_daemon.store.counters import COUNTERS, EventNumbers, newest_numbers
from holdwatch_daemon.store.disk import Disk
from holdwatch_daemon.store.events import EventLog
from holdwatch_daemon.store.queries import Queries
from holdwatch_daemon.store.recovery import Recovery, end_holds, open_or_begin, tell_set_aside
from holdwatch_daemon.store.retention import Keeper
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.store.trusted_time import TrustedTime, last_known
from holdwatch_daemon.store.writer import Writer
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_daemon.store.bay import RecordedBay
    from holdwatch_daemon.store.recovery import SetAside


@dataclass(slots=True)
class Recorder:
    """What the service records with.

    Attributes:
        database_id: Tells this database from another of the same site.
        ids: The store's numbers.
        writer: The one that writes.
        store: Questions to it.
        events: The numbered events.
    """

    database_id: str
    ids: Ids
    writer: Writer
    store: Queries
    events: EventLog
    _config: ShopConfig
    _clock: ServiceClock
    _bays: Mapping[str, RecordedBay]
    _aside: SetAside | None
    _keeper: Keeper | None = None
    _noting: asyncio.Task[None] | None = None

    async def furnished(self, bays: Mapping[str, RecordedBay]) -> None:
        """Take the bays as they now are; tell them of a damaged file that the start set aside."""
        self._bays = bays
        if self._aside is not None:
            await tell_set_aside(self._aside, self.events, bays, self._clock.utc_ns())

    async def note_probes(self) -> None:
        """Write down the enrolled probes."""
        now = rfc3339(self._clock.utc_ns())

        def work(connection: sqlite3.Connection) -> None:
            for probe in self._config.probe:
                rows.insert_probe(connection, probe.name, probe.kind, probe.identity, now)

        await self.writer.transact(work)

    async def keep(self) -> None:
        """Keep the store in order until cancelled."""
        known_ns: int | None = None
        with contextlib.suppress(sqlite3.Error):  # a damaged file is the writer's to find out
            known_ns = await self.store.ask(last_known)
        time = TrustedTime(self._clock, known_ns)
        disk = Disk(self._config.database, self._config.keeping, self._clock, time)
        self.writer.relieve = disk.relieve
        self._keeper = Keeper(
            self.writer,
            self.events,
            self.store,
            self.ids,
            self._clock,
            disk,
            self._bays.values(),
        )
        await self._keeper.run()

    def bays(self) -> Mapping[str, RecordedBay]:
        """Return the bays as they now are."""
        return self._bays

    def after_mending(self, aside: SetAside) -> None:
        """Go on with the new file: on the event loop, once the writer has it."""
        self.store.reopen()
        if self._keeper is not None:
            self._keeper.roller.undone()
        tell_set_aside(aside, self.events, self._bays, self._clock.utc_ns())
        end_holds(aside, self._bays)
        self._noting = asyncio.ensure_future(self.note_probes())


async def open_recorder(
    undo: contextlib.AsyncExitStack,
    config: ShopConfig,
    clock: ServiceClock,
    *,
    simulated: bool,
    version: str,
) -> Recorder:
    """Open the store for writing; ``undo`` closes it, the readers before the writer.

    Raises:
        StoreError: The database cannot be used.
    """
    told = EventNumbers(config.database.with_name(COUNTERS))
    path = config.database
    opened, aside = await asyncio.to_thread(open_or_begin, path, clock.utc_ns(), told)
    undo.push_async_callback(asyncio.to_thread, told.close)  # its last close folds a log back
    undo.callback(opened.lock.release)
    await asyncio.to_thread(lambda: told.note(newest_numbers(opened.connection)))
    store = Queries(path)
    ids = Ids(clock.boot_id, simulated=simulated)
    writer = Writer(opened.connection, ids)
    undo.push_async_callback(writer.close)
    # Closed before the writer: the last connection to go folds the log back into the file.
    undo.push_async_callback(store.close)
    events = EventLog(
        writer,
        store,
        site=config.site.name,
        database_id=opened.database_id,
        simulated=simulated,
        newest=await store.newest_sequence(),
        note=told.note,
    )
    recorder = Recorder(opened.database_id, ids, writer, store, events, config, clock, {}, aside)
    writer.mend = Recovery(
        path,
        opened.database_id,
        ids,
        clock,
        told,
        asyncio.get_running_loop(),
        recorder.bays,
        simulated=simulated,
        version=version,
        after=recorder.after_mending,
    ).mend
    return recorder
