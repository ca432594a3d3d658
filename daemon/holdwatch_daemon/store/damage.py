"""A damaged database: found, set aside under a dated name, and a new one begun in its place."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store.numbers import newest_numbers, raise_floors
from holdwatch_daemon.store.opening import DamagedError, Opened, open_database
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdwatch_daemon.store.numbers import ToldNumbers

log = logging.getLogger(__name__)

LOOK_S: Final = 1.0
"""How long a start looks for damage, s; a large file is looked at in part."""
SIDES: Final = ("", "-wal", "-shm")
"""What belongs to a SQLite file in WAL mode, as the end of its name."""
_CODES: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})


@dataclass(frozen=True, slots=True)
class SetAside:
    """A database that was set aside.

    Attributes:
        path: Where it lies now.
        why: What was found.
        numbers: The newest event numbers that could still be read in it, by bay.
    """

    path: Path
    why: str
    numbers: Mapping[str, int]

    @property
    def text(self) -> str:
        """What people are told."""
        return (
            f"The database was damaged ({self.why}). It was set aside as {self.path.name} and a "
            f"new one begun; `holdwatch salvage {self.path} --out NEW` recovers what can be read."
        )


def is_damage(error: BaseException) -> bool:
    """Whether an error says that the file itself is broken."""
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(error, sqlite3.Error) and code is not None and code & 0xFF in _CODES


def find_damage(connection: sqlite3.Connection, within_s: float = LOOK_S) -> str | None:
    """Return what is wrong with a file, or None where nothing was found in that time."""
    timer = threading.Timer(within_s, connection.interrupt)
    timer.start()
    try:
        found = [str(row[0]) for row in connection.execute("PRAGMA quick_check(5)")]
    except sqlite3.OperationalError as error:
        if "interrupted" in str(error):
            return None
        return str(error) if is_damage(error) else None
    except sqlite3.DatabaseError as error:
        return str(error)
    finally:
        timer.cancel()
        timer.join()
    # A page that nothing uses loses room, and no row.
    lines = [line for each in found for line in each.splitlines()]
    wrong = [
        line.strip()
        for line in lines
        if line.strip() not in {"ok", "*** in database main ***"} and "never used" not in line
    ]
    return wrong[0] if wrong else None


def set_aside(path: Path, utc_ns: int, why: str) -> SetAside:
    """Move a database out of the way, with what belongs to it; nothing of it is deleted.

    Raises:
        StoreError: It cannot be moved.
    """
    stamp = rfc3339(utc_ns).partition(".")[0].replace("-", "").replace(":", "")
    name = f"{path.name}.damaged-{stamp}Z"
    target = path.with_name(name)
    count = 1
    while any(target.with_name(target.name + side).exists() for side in SIDES):
        count += 1
        target = path.with_name(f"{name}-{count}")
    try:
        for side in SIDES:
            part = path.with_name(path.name + side)
            if part.exists():
                part.rename(target.with_name(target.name + side))
    except OSError as error:
        message = f"{path}: damaged ({why}), and it cannot be set aside: {error.strerror}"
        raise StoreError(message) from error
    log.error("database %s is damaged (%s): set aside as %s", path, why, target.name)
    return SetAside(target, why, _numbers(target))


def open_or_begin(path: Path, utc_ns: int, told: ToldNumbers) -> tuple[Opened, SetAside | None]:
    """Open the database for writing; where it is damaged, set it aside and begin a new one.

    Args:
        path: The SQLite file.
        utc_ns: The present time, ns since 1970 UTC.
        told: The newest event numbers that were told: numbering goes on behind them.

    Raises:
        StoreError: The file cannot be used for another reason.
    """
    now = rfc3339(utc_ns)
    aside: SetAside | None = None
    try:
        opened = open_database(path, now)
        why = find_damage(opened.connection)
        if why is not None:
            opened.connection.close()
            opened.lock.release()
    except DamagedError as error:
        why = error.found
    if why is not None:
        aside = set_aside(path, utc_ns, why)
        opened = open_database(path, now)
    floors = told.read()
    for bay, number in ({} if aside is None else aside.numbers).items():
        floors[bay] = max(floors.get(bay, 0), number)
    raised = raise_floors(opened.connection, floors)
    if raised and aside is None:
        log.warning(
            "database %s ends before the newest event that was told: numbers go on behind it", path
        )
    return opened, aside


def _numbers(path: Path) -> dict[str, int]:
    """Return the newest event numbers of a damaged file, where they can be read."""
    with contextlib.suppress(sqlite3.Error):
        # Read only: what was set aside stays as it is.
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        try:
            return newest_numbers(connection)
        finally:
            connection.close()
    return {}
