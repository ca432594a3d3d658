"""A small SQLite file beside the store: written at once, synced by nobody, and never in the way."""

from __future__ import annotations

import logging
import sqlite3
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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
