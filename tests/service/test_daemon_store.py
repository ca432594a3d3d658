"""The recorder: what it keeps when it is killed, refused, crowded or handed an older file."""

from __future__ import annotations

import asyncio
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
from daemon_rig import eventually

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import answers, schema, writer
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.queries import Queries
from holdwatch_daemon.store.rows import FlaggedReading, Ids
from holdwatch_daemon.store.writer import Writer
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

NOW = "2026-09-21T14:00:00.000Z"


def item(second: int, value: float = 1.0, *, channel: str = "g/pressure") -> FlaggedReading:
    utc_ns = 1_790_000_000 * 10**9 + second * 10**9
    quantity = Quantity.PRESSURE_GAUGE
    return FlaggedReading(Reading(channel, quantity, utc_ns, second * 10**9, value, Quality.GOOD))


def opened_writer(path: Path) -> Writer:
    opened = open_database(path, NOW)
    opened.lock.release()
    return Writer(opened.connection, Ids("boot-1", simulated=False))


def rows(path: Path, sql: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


async def test_the_first_of_equal_channel_and_time_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)
    recorder.write_readings([item(1, 10.0), item(1, 20.0), item(2, 30.0)])
    recorder.write_readings([item(2, 40.0), item(1, 50.0, channel="h/pressure")])
    await recorder.close()
    kept = "SELECT name, value FROM readings JOIN channels ON id = channel_id ORDER BY 1, mono_ns"
    assert rows(path, kept) == [("g/pressure", 10.0), ("g/pressure", 30.0), ("h/pressure", 50.0)]


async def test_a_stranger_reads_time_and_unit(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)
    recorder.write_readings([item(0, 1500.5)])
    await recorder.close()
    found = rows(path, "SELECT time, channel, value, unit, quality FROM readings_for_people")
    assert found == [("2026-09-21T14:13:20.000Z", "g/pressure", 1500.5, "Pag", "good")]


async def test_a_reading_is_on_the_disk_within_a_quarter_second(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)
    recorder.write_readings([item(1)])
    await asyncio.sleep(writer.BATCH_S + 0.25)
    found = rows(path, "SELECT COUNT(*) FROM readings")
    await recorder.close()
    assert found == [(1,)]


async def test_work_that_may_be_undone_waits_for_work_that_may_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "BATCH_S", 600.0)
    recorder = opened_writer(tmp_path / "holdwatch.db")

    def note(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT INTO about SELECT 'note ' || COUNT(*), '1' FROM about")

    lazy = recorder.transact(note, durable=False)
    recorder.write_readings([item(1)])
    await asyncio.sleep(0.1)
    assert not lazy.done()
    await asyncio.wait_for(recorder.transact(note), 5.0)
    assert lazy.done()
    assert recorder.state.transactions == 1
    await recorder.close()
    assert len(rows(tmp_path / "holdwatch.db", "SELECT 1 FROM about WHERE key LIKE 'note%'")) == 2


async def test_work_that_raises_undoes_itself_alone(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)

    def good(connection: sqlite3.Connection) -> int:
        connection.execute("INSERT INTO about VALUES ('good', '1')")
        return 7

    def bad(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT INTO about VALUES ('bad', '1')")
        raise ValueError("changed my mind")

    def wrong(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT INTO nowhere VALUES (1)")

    recorder.write_readings([item(1)])
    works: list[Callable[[sqlite3.Connection], int | None]] = [bad, good, wrong]
    futures = [recorder.transact(work) for work in works]
    recorder.write_readings([item(2)])
    results = await asyncio.gather(*futures, return_exceptions=True)
    await recorder.close()
    assert isinstance(results[0], ValueError)
    assert results[1] == 7
    assert isinstance(results[2], sqlite3.OperationalError)
    assert rows(path, "SELECT key FROM about WHERE key IN ('good', 'bad')") == [("good",)]
    assert rows(path, "SELECT COUNT(*) FROM readings") == [(2,)]


async def test_another_programs_lock_is_waited_out_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.05)
    monkeypatch.setattr("holdwatch_daemon.store.opening.BUSY_TIMEOUT_S", 0.05)
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    recorder.write_readings([item(1), item(2)])
    done = recorder.transact(lambda c: c.execute("SELECT COUNT(*) FROM readings").fetchone()[0])
    await eventually(lambda: recorder.state.failing is not None)
    assert not done.done()
    other.execute("ROLLBACK")
    other.close()
    assert await done == 2
    assert recorder.state.failing is None
    await recorder.close()


async def test_another_programs_lock_at_the_end_is_waited_out_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.1)
    monkeypatch.setattr("holdwatch_daemon.store.opening.BUSY_TIMEOUT_S", 0.01)
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    recorder.write_readings([item(1), item(2)])
    closing = asyncio.create_task(recorder.close())
    await eventually(lambda: recorder.state.failing is not None)
    other.execute("ROLLBACK")
    other.close()
    await closing
    assert rows(path, "SELECT COUNT(*) FROM readings") == [(2,)]


async def test_a_full_memory_holds_the_adapters_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "MOST_PENDING_ROWS", 10)
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    recorder.write_readings([item(second) for second in range(11)])
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.4):
            await recorder.room()
    other.execute("ROLLBACK")
    other.close()
    async with asyncio.timeout(5):
        await recorder.room()
    await recorder.close()
    assert rows(path, "SELECT COUNT(*) FROM readings") == [(11,)]


KILLED = """
import asyncio, sys
from pathlib import Path
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.store.rows import FlaggedReading
from holdwatch_daemon.store.writer import Writer
from holdwatch_physics.reading import Quality, Quantity, Reading

def told(connection, number):
    connection.execute(
        "INSERT INTO events (sequence, id, type, time, body) VALUES (?, ?, 't', 'now', '{}')",
        (number, str(number)),
    )

async def main():
    opened = open_database(Path(sys.argv[1]), "now")
    writer = Writer(opened.connection, Ids("boot-1", simulated=False))
    for n in range(1, 10**6):
        t = n * 10**6
        reading = Reading("g/pressure", Quantity.PRESSURE_GAUGE, t, t, float(n), Quality.GOOD)
        writer.write_readings([FlaggedReading(reading)])
        if n % 20 == 0:
            await writer.transact(lambda c: told(c, n // 20))
            print(n, flush=True)  # said only once it is on the disk

asyncio.run(main())
"""


def test_a_process_killed_in_the_middle_of_writing_keeps_what_it_confirmed(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    script = tmp_path / "killed.py"
    script.write_text(textwrap.dedent(KILLED), encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, str(script), str(path)], stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        confirmed = 0
        began = time.monotonic()
        while time.monotonic() - began < 1.0 or confirmed < 200:
            confirmed = int(child.stdout.readline())
        os.kill(child.pid, signal.SIGKILL)
        rest = child.stdout.read().split()
    assert child.returncode == -signal.SIGKILL
    # The last line may have been cut short by the kill.
    confirmed = max([confirmed, *(int(line) for line in rest[:-1])])
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    readings = [row[0] for row in rows(path, "SELECT value FROM readings ORDER BY mono_ns")]
    assert len(readings) >= confirmed
    assert readings == [float(n) for n in range(1, len(readings) + 1)], "no gap before the end"
    events = [row[0] for row in rows(path, "SELECT sequence FROM events ORDER BY sequence")]
    assert len(events) >= confirmed // 20
    assert events == list(range(1, len(events) + 1))
    # And the next process can go on with it.
    open_database(path, NOW).lock.release()


def old_file(path: Path, version: int) -> None:
    """A database as a program of that schema version left it, with a reading and an event."""
    connection = sqlite3.connect(path, isolation_level=None)
    schema.migrate(connection, "2026-01-01T00:00:00.000Z", upto=version)
    connection.execute("INSERT INTO boots VALUES (1, 'old', '2026-01-01T00:00:00Z', 0)")
    connection.execute("INSERT INTO channels VALUES (1, 'g/p', 'g', 'pressure_gauge', 'Pag')")
    connection.execute("INSERT INTO readings VALUES (1, 1, 5, 6, 7.5, 'good', NULL)")
    connection.execute(
        "INSERT INTO events VALUES (1, 'e-1', 'holdwatch.service.started', 'then', NULL, NULL,"
        " NULL, '{}')"
    )
    connection.close()


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_an_older_file_is_migrated_and_keeps_its_rows(tmp_path: Path, version: int) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    old_file(old, version)
    opened = open_database(old, NOW)
    assert opened.version_before == version
    opened.connection.close()
    opened.lock.release()
    fresh = open_database(new, NOW)
    fresh.connection.close()
    fresh.lock.release()
    tables = "SELECT type, name, sql FROM sqlite_master ORDER BY type, name"
    assert rows(old, tables) == rows(new, tables)
    assert rows(old, "SELECT version FROM schema_version") == [(schema.VERSION,)]
    assert rows(old, "SELECT value FROM readings") == [(7.5,)]
    assert rows(old, "SELECT id FROM events") == [("e-1",)]


def test_a_migration_that_fails_leaves_the_older_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "old.db"
    old_file(path, 1)

    def broken(db: object) -> None:
        schema._holds(db)  # type: ignore[arg-type]
        raise sqlite3.OperationalError("database or disk is full")

    first, _, *later = schema.MIGRATIONS
    monkeypatch.setattr(schema, "MIGRATIONS", (first, broken, *later))
    with pytest.raises(StoreError, match="the disk is full; make room"):
        open_database(path, NOW)
    assert rows(path, "SELECT version FROM schema_version") == [(1,)]
    assert rows(path, "SELECT name FROM sqlite_master WHERE name = 'holds'") == []


def test_a_newer_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    opened = open_database(path, NOW)
    opened.connection.execute("UPDATE schema_version SET version = 99")
    opened.connection.close()
    opened.lock.release()
    with pytest.raises(StoreError, match=r"schema version 99 is newer than this program's \d"):
        open_database(path, NOW)


def test_a_second_process_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    first = open_database(path, NOW)
    with pytest.raises(StoreError, match="another holdwatch process is using this database"):
        open_database(path, NOW)
    first.connection.close()
    first.lock.release()
    second = open_database(path, NOW)
    second.connection.close()
    second.lock.release()


def test_a_file_that_is_no_database_is_told(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    path.write_bytes(b"not a database at all" * 100)
    with pytest.raises(StoreError, match="not a usable SQLite database"):
        open_database(path, NOW)


def test_a_folder_in_the_place_of_the_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    path.mkdir()
    with pytest.raises(StoreError, match=r"holdwatch\.db: .*check"):
        open_database(path, NOW)


def test_a_data_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    blocker = tmp_path / "data"
    blocker.write_text("a file", encoding="utf-8")
    with pytest.raises(StoreError, match="the data folder cannot be made"):
        open_database(blocker / "holdwatch.db", NOW)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everything")
def test_a_folder_without_permission_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    folder.chmod(0o500)
    try:
        with pytest.raises(StoreError, match="cannot be written"):
            open_database(folder / "holdwatch.db", NOW)
    finally:
        folder.chmod(0o700)


async def test_readers_cannot_write(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    recorder = opened_writer(path)
    queries = Queries(path)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        await queries.ask(lambda c: c.execute("DELETE FROM about"))
    assert await queries.newest_sequence() == 0
    await queries.close()
    await recorder.close()


def test_the_newest_hold_is_the_one_begun_last_not_the_one_written_last() -> None:
    """A past that is brought in later stands before the present."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.row_factory = sqlite3.Row
        schema.migrate(connection, NOW)
        for name, started_ns in (("now", 2_000), ("past", 1_000)):
            connection.execute(
                "INSERT INTO holds (id, bay, procedure, recipe_toml, started, started_utc_ns,"
                " version) VALUES (?, 'bay-1', 'pressure-decay', '', 'x', ?, 'x')",
                (name, started_ns),
            )
        assert [row.id for row in answers.list_holds(connection, None, 2)] == ["now", "past"]
