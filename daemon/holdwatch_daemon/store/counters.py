"""Counters of encrypted senders, kept over restarts in a small file of their own.

Apart from the store of readings: a counter is written before its packet is believed, on the
event loop, and waits for no batch. Without a sync to disk (WAL, ``synchronous=NORMAL``) a write
takes some tens of microseconds; a crash of the process loses none, a loss of power may lose
the last ones, and the packets heard just then could be replayed once.
"""

from __future__ import annotations

import logging
import sqlite3
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

log = logging.getLogger(__name__)

_PATIENCE_S = 0.1
"""With another process at the file, which is not meant to be: the event loop waits meanwhile."""


class SqliteCounters:
    """A ``CounterStore`` in a SQLite file.

    A file that cannot be read or written is told once in the log; counters are then kept in
    memory, as long as the process lives.

    Args:
        path: The file; made with its folder where it is missing.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._memory: dict[str, int] = {}
        self._failing = False
        self._connection: sqlite3.Connection | None = None

    def last(self, sender: str) -> int | None:
        """Return the last counter of a sender, or None for one never heard."""
        if sender not in self._memory:
            try:
                found = self._open().execute("SELECT last FROM counters WHERE sender = ?", [sender])
                row = found.fetchone()
            except (OSError, sqlite3.Error) as error:
                self._fails(error)
                return None
            if row is None:
                return None
            self._memory[sender] = int(row[0])
        return self._memory[sender]

    def remember(self, sender: str, counter: int) -> None:
        """Keep a counter."""
        self._memory[sender] = counter
        try:
            self._open().execute(
                "INSERT INTO counters (sender, last) VALUES (?, ?)"
                " ON CONFLICT (sender) DO UPDATE SET last = excluded.last",
                [sender, counter],
            )
        except (OSError, sqlite3.Error) as error:
            self._fails(error)
        else:
            self._failing = False

    def close(self) -> None:
        """Close the file."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _open(self) -> sqlite3.Connection:
        if self._connection is None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(self._path, isolation_level=None, timeout=_PATIENCE_S)
            try:
                connection.execute("PRAGMA journal_mode=WAL")
                connection.execute("PRAGMA synchronous=NORMAL")
                connection.execute(
                    "CREATE TABLE IF NOT EXISTS counters"
                    " (sender TEXT PRIMARY KEY, last INTEGER NOT NULL) WITHOUT ROWID"
                )
            except BaseException:
                connection.close()
                raise
            self._connection = connection
        return self._connection

    def _fails(self, error: Exception) -> None:
        if not self._failing:
            self._failing = True
            log.error("counters of encrypted probes cannot be kept in %s: %s", self._path, error)
