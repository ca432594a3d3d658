"""Counters of encrypted senders, kept over restarts in a small file of their own.

Apart from the store of readings: a counter is written before its packet is believed, and waits for
no batch. Without a sync to disk (WAL, ``synchronous=NORMAL``) a write takes some tens of
microseconds; a crash of the process loses none, a loss of power may lose the last ones, and the
packets heard just then could be replayed once. A disk that takes longer than ``PATIENCE_S`` is not
waited for: what it has not taken when the process crashes is lost as with the power.
"""

from __future__ import annotations

import sqlite3
import threading
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.store.side_file import SideFile

if TYPE_CHECKING:
    from pathlib import Path

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
