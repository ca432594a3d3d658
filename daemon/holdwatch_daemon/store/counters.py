"""Keeps beside the store, in ``counters.db``, the numbers that must outlive it.

The newest numbers of events: a database that is damaged or restored must not count again from
where it stands, for someone may have seen later ones. And the counters of encrypted senders: one
is written before its packet is believed, and waits for no batch.

Without a sync to disk (WAL, ``synchronous=NORMAL``) a write takes some tens of microseconds; a
crash of the process loses none, a loss of power may lose the last ones, and the packets heard just
then could be replayed once. A disk that takes longer than ``PATIENCE_S`` is not waited for: what
it has not taken when the process crashes is lost as with the power.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


log = logging.getLogger(__name__)

_PATIENCE_S = 1.0
"""How long a write waits for another thread's, or another process's, to the same file, s."""


class SideFile:
    """One table in a SQLite file (WAL, ``synchronous=NORMAL``), opened when it is first asked for.

    For one thread at a time.

    Args:
        path: The file; made with its folder where it is missing.
        table: Name and columns of the table.
        kept: What is kept in it, as the log says it.
    """

    def __init__(self, path: Path, table: str, kept: str) -> None:
        self._path = path
        self._table = table
        self._kept = kept
        self._connection: sqlite3.Connection | None = None
        self._failing = False

    def open(self) -> sqlite3.Connection:
        """Return the connection.

        Raises:
            OSError: The folder cannot be made.
            sqlite3.Error: The file cannot be used.
        """
        if self._connection is None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(
                self._path,
                isolation_level=None,
                timeout=_PATIENCE_S,
                check_same_thread=False,
            )
            try:
                connection.execute("PRAGMA journal_mode=WAL")
                connection.execute("PRAGMA synchronous=NORMAL")
                connection.execute(f"CREATE TABLE IF NOT EXISTS {self._table} WITHOUT ROWID")
            except BaseException:
                connection.close()
                raise
            self._connection = connection
        return self._connection

    def close(self) -> None:
        """Close the file."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def fails(self, error: Exception) -> None:
        """Say in the log that it cannot be used: once until it works again."""
        if not self._failing:
            self._failing = True
            log.error("%s cannot be kept in %s: %s", self._kept, self._path, error)

    def works(self) -> None:
        """Note that it was written."""
        self._failing = False


PATIENCE_S: Final = 0.02
"""How long the event loop waits for a counter to be written, s."""


class SqliteCounters:
    """A ``CounterStore`` in a SQLite file, written in a thread of its own.

    A file that cannot be read or written is told once in the log; counters are then kept in
    memory, as long as the process lives.

    Args:
        path: The file; made with its folder where it is missing.
    """

    def __init__(self, path: Path) -> None:
        self._memory: dict[str, int] = {}
        self._read = False
        table = "counters (sender TEXT PRIMARY KEY, last INTEGER NOT NULL)"
        self._file = SideFile(path, table, "counters of encrypted probes")
        self._news: dict[str, int] = {}
        self._writing = False
        self._closing = False
        self._moved = threading.Condition()
        self._thread: threading.Thread | None = None

    def last(self, sender: str) -> int | None:
        """Return the last counter of a sender, or None for one never heard."""
        self._ask()
        return self._memory.get(sender)

    def remember(self, sender: str, counter: int) -> None:
        """Keep a counter."""
        self._ask()
        self._memory[sender] = counter
        with self._moved:
            is_behind = self._writing or bool(self._news)
            self._news[sender] = counter
            if self._thread is None:
                self._thread = threading.Thread(
                    target=self._run, name="holdwatch-counters", daemon=True
                )
                self._thread.start()
            self._moved.notify_all()
            if not is_behind:
                self._moved.wait_for(lambda: not self._writing and not self._news, PATIENCE_S)

    def close(self) -> None:
        """Write what is left and close the file."""
        with self._moved:
            self._closing = True
            self._moved.notify_all()
        if self._thread is not None:
            self._thread.join()
        self._file.close()

    def _ask(self) -> None:
        """Read the file, before anything is written; again as long as it could not be read."""
        with self._moved:
            if self._read or self._writing or self._news:
                return  # who writes reads it first
            try:
                self._learn(self._file.open())
            except (OSError, sqlite3.Error) as error:
                self._file.fails(error)

    def _learn(self, connection: sqlite3.Connection) -> None:
        """Take in what the file knows of senders that were not heard yet."""
        if not self._read:
            for sender, last in connection.execute("SELECT sender, last FROM counters").fetchall():
                self._memory.setdefault(str(sender), int(last))
            self._read = True

    def _run(self) -> None:
        while True:
            with self._moved:
                self._moved.wait_for(lambda: self._news or self._closing)
                news, self._news = self._news, {}
                if not news:
                    return
                self._writing = True
            self._write(news)
            with self._moved:
                self._writing = False
                self._moved.notify_all()

    def _write(self, news: dict[str, int]) -> None:
        try:
            connection = self._file.open()
            self._learn(connection)  # where it could not be read at first
            connection.executemany(
                "INSERT INTO counters (sender, last) VALUES (?, ?)"
                " ON CONFLICT (sender) DO UPDATE SET last = excluded.last",
                list(news.items()),
            )
        except (OSError, sqlite3.Error) as error:
            self._file.fails(error)
        else:
            self._file.works()


SHOP: Final = ""
"""Stands for the whole shop where bays stand otherwise."""
COUNTERS: Final = "counters.db"
"""Name of the file, beside the database."""


class EventNumbers:
    """The newest number of the shop's events and of each bay's own.

    A file that cannot be used is told once in the log and stops nobody.

    Args:
        path: The SQLite file, shared with the counters of encrypted probes.
    """

    def __init__(self, path: Path) -> None:
        table = "told (bay TEXT PRIMARY KEY, sequence INTEGER NOT NULL)"
        self._file = SideFile(path, table, "numbers of events")
        self._owed: dict[str, int] = {}

    def read(self) -> dict[str, int]:
        """Return the numbers by bay, ``SHOP`` for the whole shop; empty where none are known."""
        try:
            rows = self._file.open().execute("SELECT bay, sequence FROM told").fetchall()
        except (OSError, sqlite3.Error) as error:
            self._file.fails(error)
            return {}
        return {str(bay): int(sequence) for bay, sequence in rows}

    def note(self, numbers: Mapping[str, int]) -> None:
        """Keep numbers that were told; lower ones than are known change nothing.

        What the file did not take goes with the next ones.
        """
        self._owed.update(numbers)
        try:
            self._file.open().executemany(
                "INSERT INTO told VALUES (?, ?) ON CONFLICT (bay)"
                " DO UPDATE SET sequence = max(sequence, excluded.sequence)",
                list(self._owed.items()),
            )
        except (OSError, sqlite3.Error) as error:
            self._file.fails(error)
        else:
            self._owed.clear()
            self._file.works()

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def newest_numbers(connection: sqlite3.Connection) -> dict[str, int]:
    """Return the newest numbers that a database has given."""
    (newest,) = connection.execute("SELECT COALESCE(MAX(sequence), 0) FROM events").fetchone()
    of_bays = connection.execute(
        "SELECT bay, MAX(baysequence) FROM events WHERE bay IS NOT NULL GROUP BY bay"
    )
    return {SHOP: int(newest)} | {str(bay): int(number) for bay, number in of_bays}


def raise_floors(connection: sqlite3.Connection, floors: Mapping[str, int]) -> dict[str, int]:
    """Let no event be numbered at or below these; return those that changed anything."""
    known = newest_numbers(connection)
    raised = {bay: number for bay, number in floors.items() if number > known.get(bay, 0)}
    connection.executemany(
        "INSERT INTO event_floors VALUES (?, ?) ON CONFLICT (bay)"
        " DO UPDATE SET sequence = max(sequence, excluded.sequence)",
        list(raised.items()),
    )
    return raised


def next_number(connection: sqlite3.Connection, bay: str | None) -> int:
    """Return the number of the next event: of a bay, or with None of the shop."""
    if bay is None:
        counted = "SELECT MAX(sequence) FROM events"
        values: tuple[str, ...] = (SHOP,)
    else:
        counted = "SELECT MAX(baysequence) FROM events WHERE bay = ?1"
        values = (bay,)
    (number,) = connection.execute(
        f"SELECT MAX(COALESCE(({counted}), 0), COALESCE(("  # noqa: S608 - our own text
        "SELECT sequence FROM event_floors WHERE bay = ?1), 0)) + 1",
        values,
    ).fetchone()
    return int(number)
