"""Runs functions in transactions of the store, for callers that wait in a thread of their own.

There is one writer of a store: the thread of the service that runs over it. Whatever changes the
store, a job's change too, is handed to that thread, which gives every event its number and keeps
the number beside the store before anybody hears of it. Only where no service runs does a command
open the store by itself, by the same rules.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import threading
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store.counters import COUNTERS, EventNumbers, raise_floors
from holdwatch_daemon.store.events import Telling, append_event, numbers_of
from holdwatch_daemon.store.opening import BUSY_TIMEOUT_S, open_database
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdwatch_daemon.messages import Event
    from holdwatch_daemon.store.events import Draft, EventLog

T = TypeVar("T")

CONFIRM_S: Final = 5.0
"""How long a caller waits for the disk to confirm a change before it is told so, s."""
_DEFAULT_SITE: Final = "shop"
"""The site that a store's first event names where no service has written into it yet."""


class Transactions(Protocol):
    """A way to change the store; see ``ServiceTransactions`` and ``OwnTransactions``."""

    def run(self, work: Callable[[Telling], T]) -> T:
        """Run a function in a transaction of its own and return what it returns.

        What it writes over ``Telling.connection`` and the events that it tells reach the disk
        together, or not at all where it raises. Rows know the names of their columns. It may be
        called again where the disk refused, and must not wait for anything but the store.

        Raises:
            StoreError: The store cannot be written, or does not confirm the change in time.
        """


class ServiceTransactions:
    """Transactions in the writer's thread of the service that runs in this process.

    Args:
        events: The service's numbered events.
        loop: The service's event loop, in whose thread ``run`` must not be called: there, and
            wherever a coroutine can wait, ``EventLog.transact`` is the way.
    """

    def __init__(self, events: EventLog, loop: asyncio.AbstractEventLoop) -> None:
        self._events = events
        self._loop = loop

    def run(self, work: Callable[[Telling], T]) -> T:
        """See ``Transactions.run``."""
        given_up = threading.Event()

        def run(telling: Telling) -> T:
            if given_up.is_set():
                raise StoreError("the change was given up before the disk took it")
            with named_rows(telling.connection):
                return work(telling)

        async def hand_in() -> T:
            return await self._events.transact(run)

        waiting = asyncio.run_coroutine_threadsafe(hand_in(), self._loop)
        try:
            return waiting.result(CONFIRM_S)
        except TimeoutError as error:
            given_up.set()
            raise StoreError(
                f"the disk has not confirmed the change within {CONFIRM_S:g} s: look whether it "
                "is there before you make it again"
            ) from error


class OwnTransactions:
    """Transactions of a process that opens the store only for them, where no service runs.

    Args:
        database: The SQLite file; made by the first change where it is missing.
        utc_ns: The wall clock, nanoseconds since 1970 UTC.
    """

    def __init__(self, database: Path, utc_ns: Callable[[], int]) -> None:
        self._database = database
        self._utc_ns = utc_ns

    def run(self, work: Callable[[Telling], T]) -> T:
        """See ``Transactions.run``; also raised where a service holds the store."""
        now = rfc3339(self._utc_ns())
        opened = open_database(self._database, now, lock_wait_s=BUSY_TIMEOUT_S)
        numbers = EventNumbers(self._database.with_name(COUNTERS))
        try:
            return self._transact(opened.connection, numbers, work)
        finally:
            numbers.close()
            opened.connection.close()
            opened.lock.release()

    def _transact(
        self, connection: sqlite3.Connection, numbers: EventNumbers, work: Callable[[Telling], T]
    ) -> T:
        try:
            connection.execute("BEGIN IMMEDIATE")
            raise_floors(connection, numbers.read())
            source, head = _sender(connection)

            def append(connection: sqlite3.Connection, draft: Draft) -> Event:
                return append_event(connection, draft, source=source, id_head=head)

            telling = Telling(append, connection)
            with named_rows(connection):
                result = work(telling)
            connection.execute("COMMIT")
        except sqlite3.OperationalError as error:
            raise StoreError(f"{self._database}: cannot be written now: {error}") from error
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        numbers.note(numbers_of(telling.told))  # before the caller says anything of them
        return result


@contextlib.contextmanager
def named_rows(connection: sqlite3.Connection) -> Iterator[None]:
    """Let rows know the names of their columns."""
    before, connection.row_factory = connection.row_factory, sqlite3.Row
    try:
        yield
    finally:
        connection.row_factory = before


def _sender(connection: sqlite3.Connection) -> tuple[str, str]:
    """Return source and head of the id for an event: as the service's own, where it wrote any."""
    (database,) = connection.execute("SELECT value FROM about WHERE key = 'database_id'").fetchone()
    row = connection.execute(
        "SELECT json_extract(body, '$.source') FROM events ORDER BY sequence DESC LIMIT 1"
    ).fetchone()
    source = f"/holdwatch/{_DEFAULT_SITE}" if row is None else str(row[0])
    return source, f"{source.rpartition('/')[2]}-{database}"
