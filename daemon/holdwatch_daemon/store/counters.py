"""Counters of encrypted senders, kept over restarts in a small file of their own.

Apart from the store of readings: a counter is written before its packet is believed, on the
event loop, and waits for no batch. Without a sync to disk (WAL, ``synchronous=NORMAL``) a write
takes some tens of microseconds; a crash of the process loses none, a loss of power may lose
the last ones, and the packets heard just then could be replayed once.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

from holdwatch_daemon.store.side_file import SideFile

if TYPE_CHECKING:
    from pathlib import Path


class SqliteCounters:
    """A ``CounterStore`` in a SQLite file.

    A file that cannot be read or written is told once in the log; counters are then kept in
    memory, as long as the process lives.

    Args:
        path: The file; made with its folder where it is missing.
    """

    def __init__(self, path: Path) -> None:
        self._memory: dict[str, int] = {}
        table = "counters (sender TEXT PRIMARY KEY, last INTEGER NOT NULL)"
        self._file = SideFile(path, table, "counters of encrypted probes", one_thread=True)

    def last(self, sender: str) -> int | None:
        """Return the last counter of a sender, or None for one never heard."""
        if sender not in self._memory:
            try:
                found = self._file.open().execute(
                    "SELECT last FROM counters WHERE sender = ?", [sender]
                )
                row = found.fetchone()
            except (OSError, sqlite3.Error) as error:
                self._file.fails(error)
                return None
            if row is None:
                return None
            self._memory[sender] = int(row[0])
        return self._memory[sender]

    def remember(self, sender: str, counter: int) -> None:
        """Keep a counter."""
        self._memory[sender] = counter
        try:
            self._file.open().execute(
                "INSERT INTO counters (sender, last) VALUES (?, ?)"
                " ON CONFLICT (sender) DO UPDATE SET last = excluded.last",
                [sender, counter],
            )
        except (OSError, sqlite3.Error) as error:
            self._file.fails(error)
        else:
            self._file.works()

    def close(self) -> None:
        """Close the file."""
        self._file.close()
