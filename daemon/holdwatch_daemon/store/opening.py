"""Opens the database: one process at a time, the right version, and clear refusals."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import schema

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BUSY_TIMEOUT_S = 5.0
"""How long a statement waits for another program's lock on the file, s."""

LOCK_WAIT_S = 1.0
"""How long a process waits for another to be done with the database, s: a command's change takes
some milliseconds, a service never is."""
SOCKET_MODE = 0o600
"""Access to the socket beside the store: its owner's alone."""
_LONGEST_ADDRESS = 100
"""Bytes of a Unix socket's address that every system takes."""

_DAMAGED: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})


class DamagedError(StoreError):
    """The file is no SQLite database, or a broken one.

    Attributes:
        found: What SQLite said.
    """

    def __init__(self, path: Path, found: str) -> None:
        super().__init__(
            f"{path}: this is not a usable SQLite database ({found}); restore a backup with "
            "`holdwatch restore`, or recover what can be read with `holdwatch salvage`"
        )
        self.found = found


def is_damage(error: BaseException) -> bool:
    """Whether an error says that the file itself is broken."""
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(error, sqlite3.Error) and code is not None and code & 0xFF in _DAMAGED


class ProcessLock:
    """Keeps a second process from writing the same database.

    An exclusive transaction on a small file beside the database, which the operating system
    gives up when the process dies, however it dies.

    Args:
        database: The SQLite file.
        wait_s: How long another process is waited for, s.

    Raises:
        StoreError: Another process holds it, or the folder is not writable.
    """

    def __init__(self, database: Path, wait_s: float = LOCK_WAIT_S) -> None:
        path = database.with_name(database.name + ".lock")
        self._connection = sqlite3.connect(
            path, isolation_level=None, timeout=wait_s, check_same_thread=False
        )
        try:
            self._connection.execute("PRAGMA journal_mode=MEMORY")
            self._connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            self._connection.close()
            if "locked" in str(error):
                message = (
                    f"{database}: another holdwatch process is using this database; "
                    "stop it, or give this one another folder with --data"
                )
                raise StoreError(message) from error
            raise StoreError(f"{path}: cannot be written: {error}") from error

    def release(self) -> None:
        """Let another process have the database."""
        self._connection.close()


def local_socket(database: Path) -> Path:
    """Return where a service that runs over a database listens for commands of this machine."""
    return database.with_name(f"{database.name}.socket")


@contextlib.contextmanager
def socket_address(path: Path) -> Iterator[str]:
    """Give the address of a Unix socket, which may be no longer than some 100 bytes.

    Raises:
        OSError: Its folder is not there, or cannot be looked into.
    """
    if len(os.fsencode(path)) <= _LONGEST_ADDRESS:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


@dataclass(frozen=True, slots=True)
class Opened:
    """A database ready for its writer.

    Attributes:
        connection: The one connection that writes, in autocommit mode.
        lock: Held until the process is done with the file.
        version_before: The schema version that was found (0: a new file).
        database_id: What tells this database from another of the same site.
    """

    connection: sqlite3.Connection
    lock: ProcessLock
    version_before: int
    database_id: str


def open_database(path: Path, now: str, *, lock_wait_s: float = LOCK_WAIT_S) -> Opened:
    """Open the database for writing, creating or migrating it.

    Args:
        path: The SQLite file; its folder is made where it does not exist.
        now: The present time, RFC 3339.
        lock_wait_s: How long another process is waited for, s.

    Raises:
        StoreError: The file cannot be used; the message says why and what to do.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        message = f"{path.parent}: the data folder cannot be made: {error.strerror}"
        raise StoreError(message) from error
    lock = ProcessLock(path, lock_wait_s)
    with contextlib.ExitStack() as undo:
        undo.callback(lock.release)
        connection, before, database_id = open_locked(path, now)
        undo.pop_all()
    return Opened(connection, lock, before, database_id)


def open_locked(path: Path, now: str) -> tuple[sqlite3.Connection, int, str]:
    """Open or make a database whose lock is held; return connection, version before, and id.

    Raises:
        StoreError: As ``open_database``.
    """
    connection = _connect(path)
    try:
        return connection, *_prepare(connection, path, now)
    except BaseException:
        connection.close()
        raise


def _connect(path: Path) -> sqlite3.Connection:
    try:
        return sqlite3.connect(
            path, isolation_level=None, timeout=BUSY_TIMEOUT_S, check_same_thread=False
        )
    except sqlite3.OperationalError as error:
        message = f"{path}: the database cannot be opened: {error}; check the folder's permissions"
        raise StoreError(message) from error


def _prepare(connection: sqlite3.Connection, path: Path, now: str) -> tuple[int, str]:
    """Check the version and migrate; return the version that was found, and the id."""
    try:
        connection.execute("PRAGMA foreign_keys=ON")
        version = schema.version_of(connection)
        if version > schema.VERSION:
            message = (
                f"{path}: its schema version {version} is newer than this program's "
                f"{schema.VERSION}; install the holdwatch that wrote it, or a later one"
            )
            raise StoreError(message)
        connection.execute("PRAGMA journal_mode=WAL")
        before, _ = schema.migrate(connection, now)
        # A file that may only be read, or that another program holds, is found here and not later.
        connection.execute("UPDATE about SET value = value WHERE 0")
        row = connection.execute("SELECT value FROM about WHERE key = 'database_id'").fetchone()
    except sqlite3.OperationalError as error:
        raise StoreError(f"{path}: {_advice(error)}") from error
    except sqlite3.DatabaseError as error:
        raise DamagedError(path, str(error)) from error
    if row is None:
        raise DamagedError(path, "it has lost its id")
    return before, str(row[0])


def _advice(error: sqlite3.OperationalError) -> str:
    text = str(error)
    if "locked" in text or "busy" in text:
        return "another program holds a lock on the database; close it and start again"
    if "readonly" in text or "unable to open" in text:
        return f"the database cannot be written ({text}); check the permissions of file and folder"
    if "full" in text:
        return "the disk is full; make room and start again"
    return f"the database cannot be used: {text}"
