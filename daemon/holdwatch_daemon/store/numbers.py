"""The numbers of events that were told, kept beside the store so that none is given twice.

A database that is damaged or restored must not count again from where it stands: someone may have
seen later numbers. They are noted in the small file of counters, after the store has them.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.store.side_file import SideFile

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

SHOP: Final = ""
"""Stands for the whole shop where bays stand otherwise."""
COUNTERS: Final = "counters.db"
"""Name of the file, beside the database."""


class ToldNumbers:
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
