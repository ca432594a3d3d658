"""Recovering what can be read of a damaged database, row by row around its bad pages.

Every table is read in the order of its key. Where a page cannot be read, the next key that can is
looked for by growing steps and bisection, and reading goes on there: what lies on good pages comes
over, and what is lost is told as spans of the key. Summaries are rolled again from the readings
that came over; where those had been thinned, or were lost, the damaged file's own take their place.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import schema
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_MAGIC: Final = b"SQLite format 3\0"
_LEAST: Final = -(2**62)
_MOST: Final = 2**62
_PROBES: Final = 32
_AGAIN: Final = ("rolled", "stretches")
"""Tables that are made again from the readings."""
_BATCH: Final = 5_000


@dataclass(slots=True)
class Recovered:
    """What came of one table.

    Attributes:
        table: Its name; of readings with the channel and boot.
        rows: How many rows came over.
        lost: Spans of the key, both ends included, in which nothing could be read.
        refused: Rows that were read and make no sense in the new file.
    """

    table: str
    rows: int = 0
    lost: list[tuple[int, int]] = field(default_factory=list)
    refused: int = 0


def salvage(old: Path, new: Path, now: str) -> list[Recovered]:
    """Write what can be read of a database into a new one.

    Args:
        old: The damaged file; it and what belongs to it are only read.
        new: The new file; there must be none.
        now: The present time, RFC 3339.

    Returns:
        One entry for every table with rows or losses.

    Raises:
        StoreError: There is no such file, the new one exists, or nothing at all can be read.
    """
    if not old.is_file():
        raise StoreError(f"{old}: there is no such file")
    if new.exists():
        raise StoreError(f"{new}: exists already; name a file that does not")
    with tempfile.TemporaryDirectory(dir=_folder(new)) as scratch:
        copy = _copied(old, Path(scratch))
        _mend_header(copy)
        source = _readable(copy)
        opened = open_database(new, now)
        try:
            return _copy_all(source, opened.connection)
        finally:
            source.close()
            opened.connection.close()
            opened.lock.release()


def _folder(new: Path) -> Path:
    try:
        new.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{new.parent}: cannot be made: {error.strerror}") from error
    return new.parent


def _copied(old: Path, scratch: Path) -> Path:
    copy = scratch / "damaged.db"
    try:
        shutil.copyfile(old, copy)
        wal = old.with_name(old.name + "-wal")
        if wal.exists():
            shutil.copyfile(wal, copy.with_name(copy.name + "-wal"))
    except OSError as error:
        raise StoreError(f"{old}: cannot be copied for reading: {error}") from error
    return copy


def _mend_header(copy: Path) -> None:
    """Put a sound header in the place of a broken one: size and version of our own files."""
    with copy.open("r+b") as file:
        head = file.read(100)
        if head[:16] == _MAGIC and len(head) == 100:
            return
        sample = _sound_page()
        size = int.from_bytes(sample[16:18])
        file.seek(0, 2)
        pages = file.tell() // size
        header = bytearray(sample[:100])
        header[28:32] = pages.to_bytes(4)
        header[32:40] = bytes(8)  # no list of free pages: nobody will write here
        header[92:96] = header[24:28]
        file.seek(0)
        file.write(header)


def _sound_page(version: int = schema.VERSION) -> bytes:
    """Return the first page of a new database of ours."""
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "sound.db"
        connection = sqlite3.connect(path, isolation_level=None)
        connection.execute("PRAGMA journal_mode=WAL")
        schema.migrate(connection, "", upto=version)
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.close()
        return path.read_bytes()[:4096]


def _readable(copy: Path) -> sqlite3.Connection:
    """Return a connection that finds its tables.

    Raises:
        StoreError: It finds none.
    """
    connection = sqlite3.connect(copy, isolation_level=None)
    connection.execute(
        "PRAGMA writable_schema=ON"
    )  # an odd line of the schema is no reason to stop
    connection.execute("PRAGMA cell_size_check=ON")
    try:
        if _tables(connection):
            return connection
    except sqlite3.DatabaseError:
        pass
    connection.close()
    # The list of tables itself is gone: that of a new file says where they began.
    with copy.open("r+b") as file:
        head = file.read(100)
        file.seek(0)
        file.write(head + _sound_page()[100:])
    connection = sqlite3.connect(copy, isolation_level=None)
    with contextlib.suppress(sqlite3.DatabaseError):
        if _tables(connection):
            return connection
    connection.close()
    raise StoreError(f"{copy.name}: no table of it can be found; restore a backup")


def _tables(connection: sqlite3.Connection) -> dict[str, list[str]]:
    """Return the columns of every table by its name."""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()
    tables = {}
    for (name,) in names:
        rows = connection.execute(f'PRAGMA table_info("{name}")').fetchall()
        tables[str(name)] = [str(row[1]) for row in rows]
    return tables


def _copy_all(source: sqlite3.Connection, target: sqlite3.Connection) -> list[Recovered]:
    there, here = _tables(source), _tables(target)
    target.execute("PRAGMA foreign_keys=OFF")
    target.execute("PRAGMA synchronous=OFF")
    target.execute("BEGIN IMMEDIATE")
    target.execute("DELETE FROM about")
    told: list[Recovered] = []
    for name, columns in here.items():
        shared = [column for column in columns if column in there.get(name, [])]
        if shared and name not in {"readings", "tiers", "schema_version", *_AGAIN}:
            told.append(_copy_table(source, target, name, shared))
    if "readings" in there:
        told += _copy_keyed(source, target, "readings", ("channel_id", "boot_id"), "mono_ns")
    target.execute(
        "INSERT INTO about SELECT 'database_id', lower(hex(randomblob(6)))"
        " WHERE NOT EXISTS (SELECT 1 FROM about WHERE key = 'database_id')"
    )
    target.execute("COMMIT")
    roll_all(target, Ids("salvage", simulated=False))
    if "tiers" in there:
        target.execute("BEGIN IMMEDIATE")
        told += _copy_keyed(source, target, "tiers", ("channel_id", "width_s"), "start_s")
        target.execute("COMMIT")
    target.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return [one for one in told if one.rows or one.lost or one.refused]


def _copy_table(
    source: sqlite3.Connection, target: sqlite3.Connection, name: str, columns: list[str]
) -> Recovered:
    """Copy a table by its rowid, or by its first column where it has none."""
    done = Recovered(name)
    listed = ", ".join(f'"{column}"' for column in columns)
    places = ", ".join("?" * len(columns))
    insert = f'INSERT OR IGNORE INTO "{name}" ({listed}) VALUES ({places})'  # noqa: S608 - our own names
    key = "rowid"
    try:
        source.execute(f'SELECT rowid FROM "{name}" LIMIT 0')  # noqa: S608 - our own names
    except sqlite3.OperationalError:
        key = f'"{columns[0]}"'
    except sqlite3.DatabaseError:
        pass
    is_text = key != "rowid" and columns[0] not in {"work_order_id", "channel_id"}
    put = _putter(target, insert, done)
    if is_text:  # few and short: read as far as they go, from either end
        _from_both_ends(source, f'SELECT 0, {listed} FROM "{name}" ORDER BY {key}', put, done)  # noqa: S608
    else:
        sql = (
            f'SELECT {key}, {listed} FROM "{name}" NOT INDEXED'  # noqa: S608 - our own names
            f" WHERE {key} >= ? AND {key} <= ? ORDER BY {key}"
        )
        _around(source, sql, (), put, done)
    put(None)
    return done


def _copy_keyed(
    source: sqlite3.Connection,
    target: sqlite3.Connection,
    name: str,
    heads: tuple[str, str],
    key: str,
) -> list[Recovered]:
    """Copy a table whose key is two numbers and a time, each pair of numbers by itself."""
    columns = _tables(target)[name]
    listed = ", ".join(columns)
    places = ", ".join("?" * len(columns))
    insert = f"INSERT OR IGNORE INTO {name} ({listed}) VALUES ({places})"  # noqa: S608 - our own names
    if name == "tiers":
        news = ", ".join(f"{column} = excluded.{column}" for column in columns[3:])
        insert = (
            f"INSERT INTO tiers ({listed}) VALUES ({places}) ON CONFLICT DO UPDATE SET {news}"  # noqa: S608
            " WHERE excluded.count > count"
        )
    sql = (
        f"SELECT {key}, {listed} FROM {name} WHERE {heads[0]} = ? AND {heads[1]} = ?"  # noqa: S608
        f" AND {key} >= ? AND {key} <= ? ORDER BY {key}"
    )
    told = []
    seconds = (
        [row[0] for row in target.execute("SELECT id FROM boots")]
        if name == "readings"
        else [10, 60, 600, 3600]
    )
    for channel, named in target.execute("SELECT id, name FROM channels").fetchall():
        for second in seconds:
            done = Recovered(f"{name} of {named}, {heads[1].partition('_')[0]} {second}")
            put = _putter(target, insert, done)
            _around(source, sql, (channel, second), put, done)
            put(None)
            told.append(done)
    return told


Put = Any  # a row, or None for the end


def _putter(
    target: sqlite3.Connection, insert: str, done: Recovered
) -> Callable[[tuple[Any, ...] | None], None]:
    batch: list[tuple[Any, ...]] = []

    def flush() -> None:
        try:
            target.executemany(insert, batch)
            done.rows += len(batch)
        except sqlite3.Error:
            for row in batch:
                try:
                    target.execute(insert, row)
                    done.rows += 1
                except sqlite3.Error:  # a page that says something else than it should
                    done.refused += 1
        batch.clear()

    def put(row: tuple[Any, ...] | None) -> None:
        if row is not None:
            batch.append(row[1:])
        if row is None or len(batch) >= _BATCH:
            flush()

    return put


def _around(
    source: sqlite3.Connection,
    sql: str,
    heads: tuple[int, ...],
    put: Callable[[tuple[Any, ...]], None],
    done: Recovered,
) -> None:
    """Read all that can be read of a span of keys, and note what cannot."""
    at = _LEAST
    while at <= _MOST:
        try:
            for row in source.execute(sql, (*heads, at, _MOST)):
                put(row)
                at = row[0] + 1
        except sqlite3.DatabaseError:
            pass
        else:
            return
        first_bad = _up_to_the_bad(source, f"{sql} LIMIT 1", heads, at, put)
        found = _next_good(source, sql, heads, first_bad)
        done.lost.append((first_bad, _MOST if found is None else found - 1))
        if found is None:
            return
        at = found


def _up_to_the_bad(
    source: sqlite3.Connection,
    one: str,
    heads: tuple[int, ...],
    at: int,
    put: Callable[[tuple[Any, ...]], None],
) -> int:
    """Read single rows up to the one that cannot be read; return the first key that cannot.

    Reading on, the module takes the next row before it gives this one away: where the next is
    bad, this one has not been given.
    """
    while True:
        try:
            row = source.execute(one, (*heads, at, _MOST)).fetchone()
        except sqlite3.DatabaseError:
            return at
        if row is None or row[0] < at:
            return at
        put(row)
        at = row[0] + 1


def _next_good(
    source: sqlite3.Connection, sql: str, heads: tuple[int, ...], bad: int
) -> int | None:
    """Return the lowest key above a bad one from which reading works, as well as it is found."""

    def works(key: int) -> bool:
        try:
            source.execute(f"{sql} LIMIT 1", (*heads, key, _MOST)).fetchone()
        except sqlite3.DatabaseError:
            return False
        return True

    low, step = bad, 1
    high = None
    while low + step <= _MOST:
        if works(low + step):
            high = low + step
            break
        low, step = low + step, step * 2
    if high is None:
        return None
    # Another bad page may lie between: the lowest of many places that works.
    width = max((high - low) // _PROBES, 1)
    for place in range(low + width, high, width):
        if works(place):
            high = place
            break
        low = place
    while high - low > 1:
        middle = (low + high) // 2
        if works(middle):
            high = middle
        else:
            low = middle
    return high


def _from_both_ends(
    source: sqlite3.Connection,
    sql: str,
    put: Callable[[tuple[Any, ...]], None],
    done: Recovered,
) -> None:
    for order in ("ASC", "DESC"):
        try:
            for row in _rows(source, f"{sql} {order}"):
                put(row)
        except sqlite3.DatabaseError:
            if order == "DESC":
                done.lost.append((0, 0))
        else:
            return


def _rows(source: sqlite3.Connection, sql: str) -> Iterator[tuple[Any, ...]]:
    yield from source.execute(sql)
