"""Backups: the whole of a data folder at one moment, with its hashes, and the way back.

A backup is a folder: the database as of one transaction, the counters, the photographs and the
shop's files, and ``manifest.json`` with the SHA-256 of each and the newest event's number. It is
made beside a running service. A restored database begins its numbers behind a gap, since events
may have been told after the backup that it knows nothing of; each restoring has a gap of its own.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import schema
from holdwatch_daemon.store.counters import COUNTERS, EventNumbers, newest_numbers, raise_floors
from holdwatch_daemon.store.events import Draft, append_event
from holdwatch_daemon.store.opening import ProcessLock, open_locked
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_daemon.version import version

if TYPE_CHECKING:
    from collections.abc import Iterator

MANIFEST: Final = "manifest.json"
DATABASE: Final = "holdwatch.db"
GAP: Final = 1_000_000
"""Where the clock cannot be right, a restored shop's numbers go on at the next multiple of this."""
_NEVER_BEFORE_MS: Final = 1_735_689_600_000
"""No clock that is right shows a time before 2025, ms since 1970 UTC."""
_PAGES: Final = 1_000
"""Pages copied at once; between them the service writes."""
_PAUSE_S: Final = 0.005
_LEFT_OUT: Final = (".lock", "-wal", "-shm", "-journal", ".reserve", ".restoring")
_UNFINISHED: Final = ".restoring"
ACCESS: Final = "access.db"
"""The tokens of the shop's screens, which the API keeps beside the store: in no backup.

A token that was revoked after the backup must not come back with it.
"""
_FORMAT: Final = 1


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup as its manifest tells it.

    Attributes:
        folder: Where it lies.
        made: When, RFC 3339.
        newest_event: The number of the newest event in it.
        files: Path within the folder → SHA-256.
        size: Bytes of all files.
    """

    folder: Path
    made: str
    newest_event: int
    files: dict[str, str]
    size: int


def back_up(data: Path, folder: Path, utc_ns: int, config: Path | None = None) -> Backup:
    """Copy a data folder into a new folder, while a service may be writing.

    Args:
        data: The data folder.
        folder: The new folder; it may exist where it is empty.
        utc_ns: The present time, ns since 1970 UTC.
        config: The configuration file, copied along where it is given.

    Raises:
        StoreError: There is nothing to copy, or it cannot be copied.
    """
    database = data / DATABASE
    if not database.is_file():
        raise StoreError(f"{database}: there is no such database; name its folder with --data")
    if folder.exists() and any(folder.iterdir()):
        raise StoreError(f"{folder}: is not empty; name a folder that does not exist")
    if data.resolve() in [folder.resolve(), *folder.resolve().parents]:
        raise StoreError(f"{folder}: lies within the data itself; name one elsewhere")
    target = folder / "data"
    try:
        target.mkdir(parents=True)
        # The database first: every picture that it names was written before it was named.
        _copy_database(database, target / DATABASE)
        if (data / COUNTERS).is_file():
            _copy_database(data / COUNTERS, target / COUNTERS)
        for path in _others(data):
            place = target / path.relative_to(data)
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, place)
        if config is not None:
            shutil.copy2(config, folder / "shop.toml")
        return _write_manifest(folder, utc_ns)
    except sqlite3.Error as error:
        raise StoreError(f"{database}: cannot be copied: {error}") from error
    except OSError as error:
        name = error.filename or folder
        raise StoreError(f"{name}: the backup cannot be written: {error.strerror}") from error


def verify(folder: Path) -> Backup:
    """Read a backup's manifest and check every file against it.

    Raises:
        StoreError: It is no backup, or a file of it is missing or changed.
    """
    path = folder / MANIFEST
    try:
        told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        form, files, newest = told["format"], dict(told["files"]), int(told["newest_event"])
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); this is no backup of holdwatch"
        raise StoreError(message) from error
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(f"{path}: this is no manifest of a backup: {error}") from error
    if form != _FORMAT or told["schema"] > schema.VERSION:
        raise StoreError(f"{path}: was made by a later holdwatch; install that one to restore it")
    size = 0
    for name, wanted in files.items():
        part = folder / name
        if ".." in Path(name).parts or Path(name).is_absolute():
            raise StoreError(f"{path}: names {name!r}, which does not lie within the backup")
        if not part.is_file():
            raise StoreError(f"{part}: is missing from the backup; take another one")
        if _sha256(part) != wanted:
            raise StoreError(f"{part}: is not what was backed up (SHA-256 differs); take another")
        size += part.stat().st_size
    if f"data/{DATABASE}" not in files:
        raise StoreError(f"{path}: names no database")
    return Backup(folder, str(told["made"]), newest, files, size)


def restore(folder: Path, data: Path, utc_ns: int) -> tuple[Backup, int]:
    """Put a backup into a data folder that has no database; return it and the next event's number.

    The database gets its name last, when all is in its place and its numbers are raised: where
    the restoring is cut short there is none, and it can be done again. The numbers of events go
    on at the time of restoring, of the shop and of every bay; the first event tells it.

    Args:
        folder: The backup.
        data: The data folder; nothing in it is overwritten.
        utc_ns: The present time, ns since 1970 UTC.

    Raises:
        StoreError: The backup is not whole, or there is something in the way.
    """
    backup = verify(folder)
    places = {
        name: data / Path(name).relative_to("data")
        for name in backup.files
        # A backup of an older version may hold tokens.
        if Path(name).parts[0] == "data" and name != f"data/{ACCESS}"
    }
    _refuse_what_is_in_the_way(data, places, backup)
    unfinished = data / f"{DATABASE}{_UNFINISHED}"
    try:
        data.mkdir(parents=True, exist_ok=True)
        # No service may begin a database of its own meanwhile.
        lock = ProcessLock(data / DATABASE)
        try:
            _refuse_what_is_in_the_way(data, places, backup)
            known = _told_here(data)
            _clear(unfinished)
            for name, path in places.items():
                # A counter must never go back, and the same picture may be there.
                if path.name != DATABASE and not path.exists():
                    _put(folder / name, path)
            shutil.copy2(folder / "data" / DATABASE, unfinished)
            number = _go_on(unfinished, backup, known, utc_ns)
            _sync(unfinished)
            unfinished.replace(data / DATABASE)
            _sync(data)
        finally:
            lock.release()
    except sqlite3.Error as error:
        raise StoreError(f"{unfinished}: cannot be written: {error}") from error
    except OSError as error:
        message = f"{error.filename}: cannot be written: {error.strerror}"
        raise StoreError(message) from error
    return backup, number


def _refuse_what_is_in_the_way(data: Path, places: dict[str, Path], backup: Backup) -> None:
    database = [data / f"{DATABASE}{side}" for side in ("", "-wal", "-shm", "-journal")]
    others = [
        path
        for name, path in places.items()
        if path.exists() and path.name != COUNTERS and _sha256(path) != backup.files[name]
    ]
    for path in [*(part for part in database if part.exists()), *others]:
        raise StoreError(
            f"{path}: exists already, and nothing is overwritten; restore into a new folder "
            "with --data, or move what lies there out of the way"
        )


def _clear(unfinished: Path) -> None:
    """Delete what a restoring that was cut short left of its database."""
    for side in ("", "-wal", "-shm", "-journal"):
        unfinished.with_name(unfinished.name + side).unlink(missing_ok=True)


def _put(source: Path, target: Path) -> None:
    """Copy a file so that it is whole or not there."""
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{target.name}{_UNFINISHED}")
    shutil.copy2(source, part)
    _sync(part)
    part.replace(target)


def _sync(path: Path) -> None:
    """Have the disk keep a file or a folder's names, also through a loss of power."""
    if os.name == "nt" and path.is_dir():
        return  # a folder cannot be opened there
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def number_after(newest: int, utc_ns: int) -> int:
    """Return where numbers go on after a restoring, above the newest that is known.

    The time itself, in ms since 1970: far above what was told meanwhile (a shop tells far fewer
    than 1000 events a second), and another number at each restoring of the same backup. Where
    the clock cannot be right, behind the numbers or at its own beginning, the next multiple of
    ``GAP``. Both are exact in JSON, which knows whole numbers below 2^53.
    """
    now_ms = utc_ns // 10**6
    return now_ms if now_ms > max(newest, _NEVER_BEFORE_MS) else (newest // GAP + 1) * GAP


def _go_on(path: Path, backup: Backup, known: dict[str, int], utc_ns: int) -> int:
    """Raise the floors of the numbers and tell the restoring; return that event's number."""
    connection, _, database_id = open_locked(path, rfc3339(utc_ns))
    with contextlib.closing(connection):
        connection.execute("BEGIN IMMEDIATE")
        newest = known | {
            bay: max(number, known.get(bay, 0))
            for bay, number in newest_numbers(connection).items()
        }
        raise_floors(connection, {bay: number_after(n, utc_ns) - 1 for bay, n in newest.items()})
        (source,) = connection.execute(
            "SELECT COALESCE((SELECT json_extract(body, '$.source') FROM events"
            " WHERE json_valid(body) ORDER BY sequence DESC LIMIT 1), '/holdwatch/shop')"
        ).fetchone()
        source = source or "/holdwatch/shop"
        text = (
            f"The store was restored from a backup of {backup.made}. What happened after event "
            f"{backup.newest_event} is not in it; numbers go on from here."
        )
        details = {"from": backup.newest_event, "backup": backup.made, "text": text}
        event = append_event(
            connection,
            Draft("holdwatch.store.restored", utc_ns, details),
            source=source,
            id_head=f"{source.rpartition('/')[2]}-{database_id}",
        )
        connection.execute("COMMIT")
        # All of it in the one file that is renamed.
        connection.execute("PRAGMA journal_mode=DELETE")
    return event.sequence


def _told_here(data: Path) -> dict[str, int]:
    """Return the newest numbers that this folder's own counters know."""
    if not (data / COUNTERS).is_file():
        return {}
    numbers = EventNumbers(data / COUNTERS)
    try:
        return numbers.read()
    finally:
        numbers.close()


def _copy_database(source: Path, target: Path) -> None:
    """Copy a database as of one transaction; the writer goes on meanwhile."""
    reading = sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)
    with contextlib.closing(reading), contextlib.closing(sqlite3.connect(target)) as writing:
        # One read transaction holds the moment: without it every commit would begin the copy anew.
        reading.execute("BEGIN")
        reading.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
        reading.backup(writing, pages=_PAGES, sleep=_PAUSE_S)
        reading.execute("ROLLBACK")
        writing.execute("PRAGMA journal_mode=DELETE")
    check = sqlite3.connect(f"{target.absolute().as_uri()}?mode=ro", uri=True)
    with contextlib.closing(check):
        found = check.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise StoreError(f"{source}: the copy is not sound ({found}); see `holdwatch salvage`")


def _others(data: Path) -> Iterator[Path]:
    """Yield the other files of a data folder: photographs and the shop's own tables."""
    for path in sorted(data.rglob("*")):
        name = path.name
        is_apart = path.parent == data and name.startswith((DATABASE, COUNTERS, ACCESS))
        is_file = path.is_file() and not path.is_symlink()
        if is_file and not is_apart and not name.endswith(_LEFT_OUT):
            yield path


def _write_manifest(folder: Path, utc_ns: int) -> Backup:
    connection = sqlite3.connect(
        f"{(folder / 'data' / DATABASE).absolute().as_uri()}?mode=ro", uri=True
    )
    with contextlib.closing(connection):
        numbers = newest_numbers(connection)
        found = schema.version_of(connection)
    files = {}
    size = 0
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            files[path.relative_to(folder).as_posix()] = _sha256(path)
            size += path.stat().st_size
    made = rfc3339(utc_ns)
    manifest = {
        "format": _FORMAT,
        "made": made,
        "holdwatch": version(),
        "schema": found,
        "newest_event": numbers[""],
        "newest_of_bays": {bay: number for bay, number in numbers.items() if bay},
        "files": files,
    }
    text = json.dumps(manifest, indent=2, ensure_ascii=False) + "\n"
    (folder / MANIFEST).write_text(text, encoding="utf-8")
    return Backup(folder, made, numbers[""], files, size)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
