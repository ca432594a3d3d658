"""A damaged database: found, set aside, carried on behind, and salvaged."""

from __future__ import annotations

import logging
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from daemon_rig import (
    BAY,
    FedAdapter,
    TurnedClock,
    events,
    eventually,
    first_event,
    run_hold,
    settled,
    shop,
    start,
)
from store_shop import contents, fill

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.service import Service
from holdwatch_daemon.store import writer
from holdwatch_daemon.store.counters import EventNumbers, raise_floors
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.recovery import find_damage, set_aside
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.store.salvage import salvage

NOW = "2026-09-21T14:00:00.000Z"
PAGE = 4096


def filled(path: Path, **changes: Any) -> None:
    opened = open_database(path, NOW)
    opened.connection.execute("PRAGMA synchronous=OFF")
    fill(opened.connection, **changes)
    roll_all(opened.connection, Ids("other", simulated=False))
    opened.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    opened.connection.close()
    opened.lock.release()


def damaged(folder: Path) -> Path:
    """The database that was set aside."""
    (found,) = [p for p in folder.glob("*.damaged-*") if not p.name.endswith(("-wal", "-shm"))]
    return found


def overwrite(path: Path, page: int, what: bytes | None = None) -> None:
    """Break a page (counted from 1) as a dying card does."""
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE)
        file.write(random.Random(page).randbytes(PAGE) if what is None else what)


def pages_of(path: Path, table: str) -> list[int]:
    """The leaf pages of a table, found by what SQLite itself says of a sound file."""
    connection = sqlite3.connect(path)
    try:
        (root,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)
        ).fetchone()
    finally:
        connection.close()
    data = path.read_bytes()

    def leaves(page: int) -> list[int]:
        at = (page - 1) * PAGE
        kind = data[at]
        if kind in {0x0A, 0x0D}:
            return [page]
        count = int.from_bytes(data[at + 3 : at + 5])
        found = []
        for n in range(count):
            cell = at + int.from_bytes(data[at + 12 + 2 * n : at + 14 + 2 * n])
            found += leaves(int.from_bytes(data[cell : cell + 4]))
        return found + leaves(int.from_bytes(data[at + 8 : at + 12]))

    return leaves(root)


@pytest.mark.parametrize("what", ["no database at all", "a broken page", "a cut file"])
async def test_a_start_sets_a_damaged_file_aside_and_numbers_go_on(
    tmp_path: Path, what: str, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "holdwatch.db"
    async with Service(shop(tmp_path), TurnedClock(), []) as service:
        hold = await start(service)
        before = await events(service)
    own = max(event.baysequence or 0 for event in before)
    newest = before[-1].sequence + 1  # the one that tells the stop
    if what == "no database at all":
        path.write_bytes(b"not a database at all" * 1000)
    elif what == "a broken page":
        overwrite(path, pages_of(path, "boots")[0])
    else:
        os.truncate(path, path.stat().st_size // 2 // PAGE * PAGE)
    broken = path.read_bytes()
    caplog.clear()
    with caplog.at_level(logging.ERROR):
        async with Service(shop(tmp_path), TurnedClock("boot-2"), []) as service:
            told = await first_event(service, "holdwatch.store.set_aside")
            assert told.sequence == newest + 1
            aside = damaged(tmp_path)
            assert told.data["file"] == aside.name
            assert aside.read_bytes()[:PAGE] == broken[:PAGE]
            alarm = await first_event(service, "holdwatch.alarm.raised")
            assert alarm.baysequence == own + 1
            assert "set aside" in alarm.data["text"]
            assert [each.kind for each in service.bay_state(BAY).alarms] == ["store"]
            numbers = [event.sequence for event in await events(service)]
            assert numbers == list(range(newest + 1, newest + 1 + len(numbers)))
            assert await service.store.hold(hold) is None
    assert "is damaged" in caplog.text
    # And once more, without damage: nothing is set aside, and numbers simply go on.
    async with Service(shop(tmp_path), TurnedClock("boot-3"), []) as service:
        after = [event.sequence for event in await events(service)]
        assert after == list(range(newest + 1, newest + 1 + len(after)))


async def test_damage_found_while_a_hold_runs_ends_it_inconclusive_and_recording_goes_on(
    tmp_path: Path,
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        hold = await start(service)
        await run_hold(service, clock, adapter, 120)
        await eventually(lambda: service._writer.state.written_rows >= 300)
        before = (await events(service))[-1].sequence

        found = ["database disk image is malformed"]

        def broken(connection: sqlite3.Connection) -> None:
            connection.execute("SELECT 1")
            if found:  # once: the new file is sound
                error = sqlite3.DatabaseError(found.pop())
                error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
                raise error

        await service._writer.transact(broken)
        verdict = await first_event(service, "holdwatch.verdict")
        assert verdict.data["outcome"] == "inconclusive"
        assert "the record was damaged while it ran" in verdict.data["sentence"]
        assert "damaged-" in verdict.data["reasons"][0]
        row = await service.store.hold(hold)
        assert row is not None
        assert row.outcome == "inconclusive"
        told = await events(service)
        assert [event.sequence for event in told] == list(range(before + 1, before + 1 + len(told)))
        assert told[0].type == "holdwatch.store.set_aside"
        # Readings and another hold go into the new file.
        await settled(service, adapter)
        await run_hold(service, clock, adapter, 30)
        await eventually(lambda: service._writer.state.pending_rows == 0)
        assert service.health()["store"]["failing"] is None  # type: ignore[index]
        count = await service.store.ask(
            lambda c: c.execute("SELECT COUNT(*) FROM readings").fetchone()[0]
        )
    old = damaged(tmp_path)
    connection = sqlite3.connect(old)
    (before_it,) = connection.execute("SELECT COUNT(*) FROM readings").fetchone()
    connection.close()
    assert before_it > 0
    assert before_it + count == 3 * (120 + 30), "every reading is in one file or the other"


async def test_a_new_file_that_is_damaged_at_once_is_not_set_aside_in_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.02)
    async with Service(shop(tmp_path), TurnedClock(), []) as service:
        is_bad = True

        def broken(connection: sqlite3.Connection) -> None:
            connection.execute("SELECT 1")
            if is_bad:
                error = sqlite3.DatabaseError("database disk image is malformed")
                error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
                raise error

        waiting = service._writer.transact(broken)
        await eventually(lambda: service._writer.state.failing is not None)
        assert damaged(tmp_path).exists()  # one
        assert not waiting.done()
        is_bad = False
        await waiting
        await eventually(lambda: service._writer.state.failing is None)


def test_a_sound_file_is_not_damaged_and_the_look_is_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "holdwatch.db"
    filled(path, seconds=600)
    connection = sqlite3.connect(path)
    assert find_damage(connection) is None
    overwrite(path, pages_of(path, "readings")[3])
    connection.close()
    connection = sqlite3.connect(path)
    assert find_damage(connection) is not None
    connection.close()
    # A look that is cut short finds nothing, and leaves a connection that works.
    connection = sqlite3.connect(path, check_same_thread=False)

    class AtOnce(threading.Timer):
        def start(self) -> None:
            connection.set_progress_handler(lambda: 1, 1)

        def cancel(self) -> None:
            connection.set_progress_handler(None, 1)

        def join(self, timeout: float | None = None) -> None:
            pass

    monkeypatch.setattr(threading, "Timer", AtOnce)
    assert find_damage(connection) is None
    assert connection.execute("SELECT COUNT(*) FROM about").fetchone() == (1,)
    connection.close()


def test_two_files_of_one_second_are_set_aside_under_two_names(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    names = []
    for _ in range(2):
        path.write_bytes(b"x" * 100)
        path.with_name("holdwatch.db-wal").write_bytes(b"w")
        aside = set_aside(path, 1_790_000_000 * 10**9, "broken")
        assert aside.path.with_name(aside.path.name + "-wal").read_bytes() == b"w"
        names.append(aside.path.name)
    stem = "holdwatch.db.damaged-20260921T141320Z"
    assert names == [stem, f"{stem}-2"]


def test_a_number_that_the_file_did_not_take_goes_with_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holdwatch_daemon.store.counters._PATIENCE_S", 0.01)
    told = EventNumbers(tmp_path / "counters.db")
    told.note({"": 1})
    other = sqlite3.connect(tmp_path / "counters.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    told.note({"": 2, "BM-bay1": 1})
    other.execute("ROLLBACK")
    other.close()
    told.note({"": 3})
    assert told.read() == {"": 3, "BM-bay1": 1}
    told.close()


def test_numbers_that_were_told_are_a_floor(tmp_path: Path) -> None:
    told = EventNumbers(tmp_path / "counters.db")
    told.note({"": 40, "bay-1": 7})
    told.note({"": 30, "bay-1": 9})
    assert told.read() == {"": 40, "bay-1": 9}
    told.close()
    opened = open_database(tmp_path / "holdwatch.db", NOW)
    fill(opened.connection, seconds=10)  # 202 events, 2 of them of bay-1
    assert raise_floors(opened.connection, {"": 40, "bay-1": 9}) == {"bay-1": 9}
    opened.connection.close()
    opened.lock.release()


READ_ONLY = """
import os, sys
from pathlib import Path
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store.counters import EventNumbers
from holdwatch_daemon.store.recovery import open_or_begin
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
try:
    open_or_begin(Path(sys.argv[1]), 0, EventNumbers(Path(sys.argv[1]).with_name("counters.db")))
except StoreError as error:
    print(error)
"""


def test_a_file_that_may_only_be_read_is_one_clear_error_and_stays(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    filled(path, seconds=10)
    before = path.read_bytes()
    for each in [tmp_path, *tmp_path.parents]:
        if each.stat().st_uid == os.geteuid() and each != each.parent:
            each.chmod(each.stat().st_mode | 0o055)
    path.chmod(0o444)
    tmp_path.chmod(0o777)
    script = tmp_path / "read_only.py"
    script.write_text(READ_ONLY)
    done = subprocess.run(
        [sys.executable, str(script), str(path)], capture_output=True, text=True, check=True
    )
    assert "cannot be written" in done.stdout
    assert "permissions" in done.stdout
    assert path.read_bytes() == before


# -- salvage --------------------------------------------------------------------------------


def salvaged(path: Path, new: Path) -> tuple[dict[str, list[tuple[object, ...]]], dict[str, Any]]:
    told = salvage(path, new, NOW)
    connection = sqlite3.connect(new)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return contents(connection), {one.table: one for one in told}
    finally:
        connection.close()


@pytest.fixture(scope="module")
def made(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, dict[str, list[tuple[object, ...]]]]:
    path = tmp_path_factory.mktemp("made") / "old.db"
    filled(path)
    connection = sqlite3.connect(path)
    rows = contents(connection)
    connection.close()
    return path, rows


@pytest.fixture
def sound(
    tmp_path: Path, made: tuple[Path, dict[str, list[tuple[object, ...]]]]
) -> tuple[Path, dict[str, list[tuple[object, ...]]]]:
    path, rows = made
    return Path(shutil.copy2(path, tmp_path)), rows


def test_salvage_of_a_sound_file_loses_nothing(
    tmp_path: Path, sound: tuple[Path, dict[str, list[tuple[object, ...]]]]
) -> None:
    path, rows = sound
    found, told = salvaged(path, tmp_path / "new" / "holdwatch.db")
    for name in rows:
        if name not in {"schema_version", "tiers"}:
            assert found[name] == rows[name], name
    assert [row[:5] + row[6:] for row in found["tiers"]] == [
        row[:5] + row[6:] for row in rows["tiers"]
    ]
    assert not any(one.lost or one.refused for one in told.values())


@pytest.mark.parametrize("seed", range(3))
def test_salvage_brings_every_row_of_the_sound_pages(
    tmp_path: Path, sound: tuple[Path, dict[str, list[tuple[object, ...]]]], seed: int
) -> None:
    path, rows = sound
    chance = random.Random(seed)
    leaves = pages_of(path, "readings")
    events_leaves = pages_of(path, "events")
    broken = chance.sample(leaves[1:-1], 3)
    for page in [*broken, events_leaves[2]]:
        overwrite(path, page, bytes(PAGE) if chance.random() < 0.5 else None)
    found, told = salvaged(path, tmp_path / "new.db")
    kept = set(found["readings"])
    assert kept <= set(rows["readings"])
    share = len(rows["readings"]) / len(leaves)
    lost = len(rows["readings"]) - len(kept)
    # Each page holds about `share` readings; next to one a few more may go.
    assert 2.0 * share < lost < 6.0 * share
    spans = [one for name, one in told.items() if name.startswith("readings")]
    assert sum(len(one.lost) for one in spans) in {2, 3}
    # What is told as lost is exactly what is not there.
    for missing in set(rows["readings"]) - kept:
        channel, _, mono_ns = missing[:3]
        name = "gauge/pressure" if channel == 1 else "clamp/temperature"
        (one,) = [each for each in spans if name in each.table]
        assert any(first <= mono_ns <= last for first, last in one.lost)
    events_left = {row[0] for row in found["events"]}
    assert 202 - len(events_left) < 60
    assert told["events"].lost
    for name in ("holds", "verdicts", "hold_marks", "vehicles", "jobs"):
        assert found[name] == rows[name]
    # Where readings went, the old summaries stand.
    counts = {row[:3]: row[6] for row in rows["tiers"]}
    assert {row[:3]: row[6] for row in found["tiers"]} == counts


@pytest.mark.parametrize("part", [slice(0, 100), slice(0, PAGE)])
def test_salvage_outlives_a_broken_beginning(
    tmp_path: Path, sound: tuple[Path, dict[str, list[tuple[object, ...]]]], part: slice
) -> None:
    path, rows = sound
    with path.open("r+b") as file:
        file.write(random.Random(1).randbytes(part.stop))
    found, _ = salvaged(path, tmp_path / "new.db")
    for name in ("readings", "events", "holds", "vehicles"):
        assert found[name] == rows[name], name


def test_salvage_goes_beside_nothing_and_from_nothing(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no such file"):
        salvage(tmp_path / "old.db", tmp_path / "new.db", NOW)
    (tmp_path / "old.db").write_bytes(b"x" * 50_000)
    (tmp_path / "new.db").write_bytes(b"")
    with pytest.raises(StoreError, match="exists already"):
        salvage(tmp_path / "old.db", tmp_path / "new.db", NOW)
