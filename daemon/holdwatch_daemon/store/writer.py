"""Writes everything: one thread, readings in batches, all else in whole transactions.

It also notes whether the disk keeps pace: how long it takes to confirm, and whether it is waited
for.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sqlite3
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, TypeAlias, TypeVar

from holdwatch_daemon.store.opening import is_damage
from holdwatch_daemon.store.rows import FlaggedReading, Ids, insert_readings

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from holdwatch_physics.reading import Reading


SLOW_S: Final = 2.0
"""A disk that takes longer to confirm a write is slow, s: a person waits so at every command."""
STANDS_S: Final = 10.0
"""A disk that a transaction has waited for longer stands still, s."""
OVER_S: Final = 300.0
"""PaceWatch is over once nothing was slow for so long, s."""


@dataclass(slots=True)
class Pace:
    """How one writer's disk does, noted in the writer's thread and read in any.

    Every time is in seconds of one clock that only grows.

    Attributes:
        confirmed_s: How long all confirmations together took, s.
        slow: How many transactions were slow or stood still.
        worst_s: The longest of them since somebody set this to 0, s.
    """

    confirmed_s: float = 0.0
    slow: int = 0
    worst_s: float = 0.0
    _began: float | None = None
    _asked: float | None = None
    _slow_at: float | None = None

    def begin(self, now: float) -> None:
        """Note that a transaction begins."""
        self._began = now

    def ask(self, now: float) -> None:
        """Note that the disk is asked to confirm the transaction."""
        self._asked = now

    def end(self, now: float, *, confirmed: bool) -> None:
        """Note that the transaction is over: confirmed, or undone."""
        began, asked = self._began, self._asked
        self._began = self._asked = None
        if began is None or asked is None or not confirmed:
            return
        self.confirmed_s += now - asked
        if now - asked > SLOW_S or now - began > STANDS_S:
            self.slow += 1
            self.worst_s = max(self.worst_s, now - began)
            self._slow_at = now

    def waited_s(self, now: float) -> float:
        """Return how long the transaction under way has taken so far, s; 0 without one."""
        began = self._began
        return 0.0 if began is None else now - began

    def stands(self, now: float) -> bool:
        """Whether the disk stands still."""
        return self.waited_s(now) > STANDS_S

    def is_slow(self, now: float) -> bool:
        """Whether the disk is slow, or was so a short while ago."""
        asked, slow_at = self._asked, self._slow_at
        if self.stands(now) or (asked is not None and now - asked > SLOW_S):
            return True
        return slow_at is not None and now - slow_at < OVER_S


log = logging.getLogger(__name__)

BATCH_S = 0.25
"""Longest time that a reading waits before it is written, s."""
BATCH_ROWS = 2_000
"""About the most readings in one transaction; what was handed in together stays together."""
MOST_PENDING_ROWS = 50_000
"""Readings that may wait in memory; beyond it ``room`` holds the adapters back."""
FOLD_PAGES = 1_000
"""Pages of the write-ahead log from which a transaction of readings folds it back …"""
LATE_PAGES = 4_000
"""… and one that waits for the disk: only where none of readings alone comes in between."""
RETRY_S = 1.0
"""Pause before a transaction that the disk refused is tried again, s."""
LAST_TRIES = 5
"""How often, in all, a disk that refuses at the end is tried again."""
MEND_EVERY_S = 60.0
"""Shortest time between two files that are set aside as damaged, s."""

_DISK_CODES = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
    }
)
"""Primary result codes that say nothing about the work; anything else is its own mistake."""

T = TypeVar("T")
Readings: TypeAlias = "Sequence[Reading | FlaggedReading]"


@dataclass(slots=True)
class _Task:
    work: Callable[[sqlite3.Connection], Any]
    future: asyncio.Future[Any]
    after: Callable[[], None] | None
    kept: Callable[[], None] | None
    durable: bool
    result: Any = None
    error: Exception | None = None


@dataclass(slots=True)
class WriterState:
    """What the writer says of itself for health and metrics.

    ``failing`` is said once a try has failed for good; ``refused`` from the first refusal on,
    while further tries are under way.
    """

    pending_rows: int = 0
    written_rows: int = 0
    transactions: int = 0
    failing: str | None = None
    refused: bool = False
    slowest_s: float = field(default=0.0)
    dropped_rows: int = 0
    dropped_utc_ns: tuple[int, int] = (0, 0)
    pace: Pace = field(default_factory=Pace)

    @property
    def takes_nothing(self) -> bool:
        """Whether the disk refuses, or stands still: readings wait in memory."""
        return self.failing is not None or self.pace.stands(time.monotonic())


class Writer:
    """Owns the writing connection; work is done in the order in which it was handed in.

    Readings are written at most ``BATCH_S`` after they came, with the disk's confirmation left
    to the next checkpoint; a transaction with anything durable in it waits for the disk
    (``synchronous=FULL``), and takes the readings before it along. What the disk refuses
    (full, locked, read error) is tried again until it succeeds, and a few times more once the
    writer is closed.

    Args:
        connection: In autocommit mode; the writer's from now on.
        ids: The numbers of boots and channels.

    Attributes:
        state: What it says of itself.
        mend: Given a connection whose file is damaged, gives one to a new file.
        relieve: Makes room on a full disk; whether another try is worth it at once.
    """

    def __init__(self, connection: sqlite3.Connection, ids: Ids) -> None:
        self.state = WriterState()
        self.mend: Callable[[sqlite3.Connection, Exception], sqlite3.Connection] | None = None
        self.relieve: Callable[[sqlite3.Connection], bool] | None = None
        self._mended_at = -MEND_EVERY_S
        self._connection = connection
        self._ids = ids
        self._loop = asyncio.get_running_loop()
        self._queue: deque[Readings | _Task] = deque()
        self._queued_rows = 0
        self._wake = threading.Condition()
        self._urgent = 0
        self._closing = False
        self._last_tries = LAST_TRIES
        self._room = asyncio.Event()
        self._room.set()
        self._thread = threading.Thread(target=self._run, name="holdwatch-writer", daemon=True)
        self._thread.start()

    def write_readings(self, batch: Readings) -> None:
        """Hand in readings, a list that is not altered afterwards.

        Of equal channel and time the first stays.
        """
        with self._wake:
            was_empty = not self._queue
            self._queue.append(batch)
            self._queued_rows += len(batch)
            self.state.pending_rows += len(batch)
            if self.state.pending_rows > MOST_PENDING_ROWS:
                self._room.clear()
            # Between these two the thread waits for company: waking it would only cost.
            if was_empty or self._queued_rows >= BATCH_ROWS:
                self._wake.notify()

    @property
    def is_overfull(self) -> bool:
        """Whether the disk takes nothing and memory is full: what comes now can only be dropped."""
        return self.state.pending_rows >= MOST_PENDING_ROWS and self.state.takes_nothing

    def drop(self, reading: Reading) -> None:
        """Count a reading that is neither stored nor judged."""
        first = self.state.dropped_utc_ns[0] if self.state.dropped_rows else reading.utc_ns
        self.state.dropped_utc_ns = (first, reading.utc_ns)
        self.state.dropped_rows += 1

    async def room(self) -> None:
        """Wait until fewer than ``MOST_PENDING_ROWS`` readings are waiting.

        A disk that refuses or stands still is not waited for: see ``is_overfull``.
        """
        while not self._room.is_set() and not self.state.takes_nothing:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._room.wait(), RETRY_S)

    def transact(
        self,
        work: Callable[[sqlite3.Connection], T],
        after: Callable[[], None] | None = None,
        *,
        kept: Callable[[], None] | None = None,
        durable: bool = True,
    ) -> asyncio.Future[T]:
        """Hand in work for a transaction of its own; ordered after all that came before.

        Args:
            work: Called in the writer's thread, again where the disk refused; an exception
                undoes this work alone.
            after: Called on the event loop once the work is on the disk, before the future
                is done.
            kept: Called in the writer's thread once the work is on the disk, before ``after``.
            durable: Whether the disk must confirm it; else the next checkpoint does, as with
                readings, and a power cut may undo it.

        Returns:
            What ``work`` returned, once it is on the disk; or the exception it raised.
        """
        future: asyncio.Future[T] = self._loop.create_future()
        with self._wake:
            if self._closing:
                raise RuntimeError("the recorder is closed")
            was_empty = not self._queue
            self._queue.append(_Task(work, future, after, kept, durable))
            self._urgent += durable
            if durable or was_empty:
                self._wake.notify()
        return future

    async def close(self) -> None:
        """Write what is pending and end the thread; the connection is closed after it."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        await asyncio.to_thread(self._thread.join)
        # The thread's last results were handed to the loop before it ended.
        await asyncio.sleep(0)

    def _run(self) -> None:
        while True:
            batch = self._next_batch()
            if not batch:
                break
            self._write_until_done(batch)
        with contextlib.suppress(sqlite3.Error):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._connection.close()

    def _next_batch(self) -> list[Readings | _Task]:
        """Wait for work; what need not be durable waits up to ``BATCH_S`` for company."""
        with self._wake:
            while not self._queue and not self._closing:
                self._wake.wait()
            deadline = time.monotonic() + BATCH_S
            while not self._closing and not self._urgent and self._queued_rows < BATCH_ROWS:
                left = deadline - time.monotonic()
                if left <= 0.0:
                    break
                self._wake.wait(left)
            batch: list[Readings | _Task] = []
            rows = 0
            while self._queue and rows < BATCH_ROWS and len(batch) < BATCH_ROWS:
                item = self._queue.popleft()
                batch.append(item)
                if isinstance(item, _Task):
                    self._urgent -= item.durable
                else:
                    rows += len(item)
            self._queued_rows -= rows
            return batch

    def _write_until_done(self, batch: list[Readings | _Task]) -> None:
        while True:
            started = time.monotonic()
            try:
                self._write(batch)
            except Exception as error:  # noqa: BLE001 - this thread must outlive any of them
                self.state.refused = True
                if not self._has_mended(error) and self._give_up(batch, error):
                    return
                continue
            self.state.slowest_s = max(self.state.slowest_s, time.monotonic() - started)
            self._done(batch)
            return

    def _write(self, batch: list[Readings | _Task]) -> None:
        connection = self._connection
        waits = any(isinstance(item, _Task) and item.durable for item in batch)
        pace, confirmed = self.state.pace, False
        connection.execute(f"PRAGMA synchronous={'FULL' if waits else 'NORMAL'}")
        # What somebody waits for leaves the folding, with two more syncs, to the readings after it.
        connection.execute(f"PRAGMA wal_autocheckpoint={LATE_PAGES if waits else FOLD_PAGES}")
        pace.begin(time.monotonic())
        try:
            connection.execute("BEGIN IMMEDIATE")
            for item in batch:
                if isinstance(item, _Task):
                    self._do(item)
                else:
                    insert_readings(connection, self._ids, item)
            pace.ask(time.monotonic())
            connection.execute("COMMIT")
            confirmed = True
        except BaseException:
            self._ids.forget()
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        finally:
            pace.end(time.monotonic(), confirmed=confirmed)

    def _do(self, task: _Task) -> None:
        """Run one piece of work; its own mistakes are undone alone, the disk's are raised."""
        connection = self._connection
        task.result, task.error = None, None
        connection.execute("SAVEPOINT work")
        try:
            task.result = task.work(connection)
        except Exception as error:  # whatever it is belongs to whoever asked
            if _is_the_disks(error):
                raise
            task.error = error
            connection.execute("ROLLBACK TO work")
            self._ids.forget()
        connection.execute("RELEASE work")

    def _done(self, batch: list[Readings | _Task]) -> None:
        rows = sum(len(item) for item in batch if not isinstance(item, _Task))
        tasks = [item for item in batch if isinstance(item, _Task)]
        self._keep(tasks)
        with self._wake:
            self.state.pending_rows -= rows
            has_room = self.state.pending_rows <= MOST_PENDING_ROWS
        self.state.written_rows += rows
        self.state.transactions += 1
        self.state.refused = False
        if self.state.failing is not None:
            log.warning("recorder writes again")
            self.state.failing = None
        if tasks or has_room:
            self._loop.call_soon_threadsafe(self._tell, tasks, has_room)

    def _keep(self, tasks: list[_Task]) -> None:
        """Do what must be done before anybody hears; it asks the disk too, which may stand."""
        pace = self.state.pace
        pace.begin(time.monotonic())
        for task in tasks:
            if task.error is None and task.kept is not None:
                task.kept()
        pace.end(time.monotonic(), confirmed=False)

    def _tell(self, tasks: list[_Task], has_room: bool) -> None:
        if has_room:
            self._room.set()
        for task in tasks:
            if task.error is None and task.after is not None:
                task.after()
            if task.future.done():
                continue
            if task.error is None:
                task.future.set_result(task.result)
            else:
                task.future.set_exception(task.error)

    def _has_mended(self, error: Exception) -> bool:
        """Set a damaged file aside, or make room on a full disk, for another try at once."""
        if is_damage(error):
            now = time.monotonic()
            if self.mend is None or now - self._mended_at < MEND_EVERY_S:
                return False  # a new file that is damaged at once is a disk to be mended
            self._mended_at = now
            self._connection = self.mend(self._connection, error)
            return True
        full = getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL
        return full and self.relieve is not None and self.relieve(self._connection)

    def _give_up(self, batch: list[Readings | _Task], error: Exception) -> bool:
        """Wait before the next try; True where the writer is closing and there is none."""
        if self.state.failing is None:
            log.error("recorder cannot write, trying again every %g s: %s", RETRY_S, error)
        self.state.failing = str(error)
        with self._wake:
            if not self._closing:
                self._wake.wait_for(lambda: self._closing, timeout=RETRY_S)
                return False
        if self._last_tries > 0:
            self._last_tries -= 1
            time.sleep(RETRY_S)
            return False
        log.error("recorder gives up %d unwritten items at the end: %s", len(batch), error)
        tasks = [item for item in batch if isinstance(item, _Task)]
        for task in tasks:
            task.error = error
        self._loop.call_soon_threadsafe(self._tell, tasks, False)
        return True


def _is_the_disks(error: Exception) -> bool:
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(error, sqlite3.Error) and code is not None and code & 0xFF in _DISK_CODES
