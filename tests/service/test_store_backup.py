"""Backups under load, the way back, and numbers that are never given twice."""

from __future__ import annotations

import asyncio
import hashlib
import json
import sqlite3
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from daemon_rig import BAY, TurnedClock, events, shop, start, stop
from store_shop import contents, fill

from holdwatch_api.security import tokens
from holdwatch_cli.backup import run_restore
from holdwatch_cli.main import main
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.messages import StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.store import backup
from holdwatch_daemon.store.backup import GAP, MANIFEST, back_up, number_after, restore, verify
from holdwatch_daemon.store.counters import EventNumbers, SqliteCounters, raise_floors
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rows import FlaggedReading, Ids
from holdwatch_daemon.store.writer import Writer
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from pathlib import Path

NOW = "2026-09-21T14:00:00.000Z"
NOW_NS = 1_790_000_000 * 10**9
NOW_MS = NOW_NS // 10**6
LATER_NS = NOW_NS + 3600 * 10**9


def rows(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    connection = sqlite3.connect(path)
    try:
        return contents(connection)
    finally:
        connection.close()


class Load:
    """Readings and events, each event naming how many readings came before it."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.writer = Writer(connection, Ids("boot-b", simulated=False))
        self.written = 0

    async def until(self, count: int) -> None:
        while self.written < count:
            await self.batch()

    async def batch(self) -> None:
        batch = []
        for _ in range(50):
            self.written += 1
            t = self.written * 10**6
            reading = Reading(
                "load/p", Quantity.PRESSURE_GAUGE, NOW_NS + t, t, float(self.written), Quality.GOOD
            )
            batch.append(FlaggedReading(reading))
        self.writer.write_readings(batch)
        count = self.written

        def tell(connection: sqlite3.Connection) -> None:
            connection.execute(
                "INSERT INTO events (sequence, id, type, time, body) SELECT MAX(sequence) + 1,"
                " 'l-' || MAX(sequence), 'holdwatch.probe.lost', 'then', ? FROM events",
                (str(count),),
            )

        await self.writer.transact(tell)


def crowded(data: Path) -> sqlite3.Connection:
    """A data folder with a bit of everything, and the connection that writes."""
    opened = open_database(data / "holdwatch.db", NOW)
    opened.connection.execute("PRAGMA synchronous=OFF")
    fill(opened.connection, seconds=20_000)
    opened.lock.release()
    counters = SqliteCounters(data / "counters.db")
    counters.remember("clamp", 77)
    counters.close()
    (data / "photos").mkdir()
    (data / "photos" / "ab12").write_bytes(b"a picture")
    return opened.connection


def last_counter(data: Path) -> int | None:
    counters = SqliteCounters(data / "counters.db")
    try:
        return counters.last("clamp")
    finally:
        counters.close()


async def test_a_backup_under_load_is_the_source_up_to_its_moment(tmp_path: Path) -> None:
    data, folder, restored = (tmp_path / name for name in ("data", "backup", "restored"))
    load = Load(crowded(data))
    await load.until(500)
    backing = asyncio.create_task(asyncio.to_thread(back_up, data, folder, NOW_NS))
    while not backing.done():
        await load.batch()
    made = await backing
    assert load.written > 500, "the writer was busy meanwhile"
    await load.until(load.written + 300)
    await load.writer.close()

    put, number = restore(folder, restored, NOW_NS)
    assert (put.newest_event, put.made, number) == (made.newest_event, made.made, NOW_MS)
    source, copy = rows(data / "holdwatch.db"), rows(restored / "holdwatch.db")
    told = [event for event in copy["events"] if event[0] >= NOW_MS]
    assert [event[2] for event in told] == ["holdwatch.store.restored"]
    assert len(source["events"]) > made.newest_event, "the source went on"
    # Up to the moment all tables are equal: events by their number, readings by what they tell of.
    moment = next(float(row[7]) for row in source["events"] if row[0] == made.newest_event)
    (load_id,) = [row[0] for row in source["channels"] if row[1] == "load/p"]
    for name in source.keys() - {"event_floors"}:
        wanted, found = source[name], copy[name]
        if name == "events":
            wanted = [row for row in wanted if row[0] <= made.newest_event]
            found = [row for row in found if row[0] < NOW_MS]
        elif name == "readings":
            # Some that no event tells of yet may be there: whole batches, none left out.
            newest = max(row[4] for row in found if row[0] == load_id)
            assert newest >= moment
            wanted = [row for row in wanted if row[0] != load_id or row[4] <= newest]
        assert found == wanted, name
    assert last_counter(restored) == 77
    assert (restored / "photos" / "ab12").read_bytes() == b"a picture"


async def test_numbers_after_a_restore_are_above_all_that_were_told(tmp_path: Path) -> None:
    data, folder = tmp_path / "data", tmp_path / "backup"
    async with Service(shop(data), TurnedClock(), []) as service:
        await start(service)
        await stop(service)
        await asyncio.to_thread(back_up, data, folder, NOW_NS)
        seen = (await events(service))[-1].sequence
    lost = tmp_path / "restored"
    restore(folder, lost, NOW_NS)
    async with Service(shop(lost), TurnedClock("boot-2"), []) as service:
        told = await events(service)
        later = [event for event in told if event.sequence > seen]
        assert later[0].type == "holdwatch.store.restored"
        assert later[0].data["from"] < GAP
        assert [event.sequence for event in later] == [NOW_MS + n for n in range(len(later))]
        again = StartHold(command="start_hold", id="another", recipe="nitrogen")
        assert (await service.command(BAY, again, by="test")).ok
        of_bay = [
            e.baysequence for e in await events(service) if e.bay == BAY and e.sequence > NOW_MS
        ]
        assert of_bay[0] == NOW_MS
        assert of_bay == [NOW_MS + n for n in range(len(of_bay))]
        follower = service.events.subscribe(after=seen)
        assert (await anext(follower)).sequence == NOW_MS
        await follower.aclose()
        newest = service.events.newest
    # A second loss, restored where the counters of the first restore still lie: behind those.
    (lost / "holdwatch.db").unlink()
    assert EventNumbers(lost / "counters.db").read()[""] >= newest
    _, number = restore(folder, lost, LATER_NS)
    assert number == LATER_NS // 10**6 > newest
    # And once more with a clock that went back meanwhile: still behind what was told.
    (lost / "holdwatch.db").unlink()
    EventNumbers(lost / "counters.db").note({"": number})
    assert restore(folder, lost, NOW_NS)[1] == (number // GAP + 1) * GAP


def small_backup(data: Path, folder: Path) -> None:
    opened = open_database(data / "holdwatch.db", NOW)
    fill(opened.connection, seconds=10)
    opened.connection.close()
    opened.lock.release()
    back_up(data, folder, NOW_NS)


def test_restoring_one_backup_twice_tells_no_number_and_no_id_twice(tmp_path: Path) -> None:
    small_backup(tmp_path / "data", tmp_path / "backup")
    told = []
    for name, now_ns in (("one", NOW_NS), ("two", LATER_NS)):
        _, number = restore(tmp_path / "backup", tmp_path / name, now_ns)
        opened = open_database(tmp_path / name / "holdwatch.db", NOW)
        (event,) = opened.connection.execute(
            "SELECT sequence, id FROM events WHERE type = 'holdwatch.store.restored'"
        ).fetchall()
        floors = opened.connection.execute("SELECT bay, sequence + 1 FROM event_floors").fetchall()
        opened.connection.close()
        opened.lock.release()
        assert event[0] == number == now_ns // 10**6 < 2**53
        assert dict(floors) == dict.fromkeys(("", "bay-1"), number), "every bay's as the shop's"
        told.append(event)
    assert told[0][0] != told[1][0]
    assert told[0][1] != told[1][1]


@pytest.mark.parametrize(
    ("newest", "utc_ms", "number"),
    [
        (202, NOW_MS, NOW_MS),
        (NOW_MS - 1, NOW_MS, NOW_MS),
        (202, 1_200_000, GAP),  # a computer without a battery, 20 minutes after its start
        (NOW_MS + 5, NOW_MS, (NOW_MS // GAP + 1) * GAP),
    ],
)
def test_numbers_go_on_above_the_newest_whatever_the_clock_says(
    newest: int, utc_ms: int, number: int
) -> None:
    assert number_after(newest, utc_ms * 10**6) == number > newest


KILLED = """
import os, sys
from pathlib import Path
from holdwatch_daemon.store import backup
def die(*_, **__):
    os._exit(9)
setattr(backup, sys.argv[3], die)
backup.restore(Path(sys.argv[1]), Path(sys.argv[2]), 1_790_000_000 * 10**9)
"""


@pytest.mark.parametrize("step", ["raise_floors", "append_event"])
def test_a_restoring_that_is_killed_leaves_no_database_to_start_on(
    tmp_path: Path, step: str
) -> None:
    folder, new = tmp_path / "backup", tmp_path / "new"
    small_backup(tmp_path / "data", folder)
    killed = subprocess.run([sys.executable, "-c", KILLED, folder, new, step], check=False)
    assert killed.returncode == 9
    assert not (new / "holdwatch.db").exists()
    assert (new / "holdwatch.db.restoring").exists()
    (new / "holdwatch.db.restoring-journal").write_bytes(b"of another time")
    assert restore(folder, new, LATER_NS)[1] == LATER_NS // 10**6
    assert [path.name for path in new.iterdir() if ".restoring" in path.name] == []
    assert len(rows(new / "holdwatch.db")["events"]) == 203


def test_no_service_starts_while_a_backup_is_restored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small_backup(tmp_path / "data", tmp_path / "backup")
    refused = []

    def begin(connection: sqlite3.Connection, floors: dict[str, int]) -> dict[str, int]:
        with pytest.raises(StoreError, match="another holdwatch process") as error:
            open_database(tmp_path / "new" / "holdwatch.db", NOW)
        refused.append(error.value)
        return raise_floors(connection, floors)

    monkeypatch.setattr(backup, "raise_floors", begin)
    restore(tmp_path / "backup", tmp_path / "new", NOW_NS)
    assert refused


def test_a_restore_overwrites_nothing_and_takes_only_what_is_whole(tmp_path: Path) -> None:
    data, folder = tmp_path / "data", tmp_path / "backup"
    opened = open_database(data / "holdwatch.db", NOW)
    fill(opened.connection, seconds=10)
    opened.connection.close()
    opened.lock.release()
    (data / "photos").mkdir()
    (data / "photos" / "ab12").write_bytes(b"a picture")
    back_up(data, folder, NOW_NS)
    before = rows(data / "holdwatch.db")
    with pytest.raises(StoreError, match="exists already, and nothing is overwritten"):
        restore(folder, data, NOW_NS)
    assert rows(data / "holdwatch.db") == before
    (tmp_path / "left").mkdir()
    (tmp_path / "left" / "holdwatch.db-journal").write_bytes(b"would be rolled back into it")
    with pytest.raises(StoreError, match="db-journal: exists already"):
        restore(folder, tmp_path / "left", NOW_NS)
    with pytest.raises(StoreError, match="is not empty"):
        back_up(data, folder, NOW_NS)
    with pytest.raises(StoreError, match="within the data itself"):
        back_up(data, data / "backup", NOW_NS)
    picture = folder / "data" / "photos" / "ab12"
    picture.write_bytes(b"another")
    with pytest.raises(StoreError, match="ab12: is not what was backed up"):
        restore(folder, tmp_path / "new", NOW_NS)
    picture.unlink()
    with pytest.raises(StoreError, match="ab12: is missing"):
        verify(folder)
    manifest = json.loads((folder / MANIFEST).read_text())
    manifest["files"]["../outside"] = "0"
    (folder / MANIFEST).write_text(json.dumps(manifest))
    with pytest.raises(StoreError, match=r"is missing|lie within"):
        verify(folder)
    (folder / MANIFEST).write_text("{}")
    with pytest.raises(StoreError, match="no manifest"):
        verify(folder)
    assert not (tmp_path / "new").exists()


def test_the_commands_say_what_they_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data, folder = tmp_path / "data", tmp_path / "backup"
    opened = open_database(data / "holdwatch.db", NOW)
    fill(opened.connection, seconds=10)
    opened.connection.close()
    opened.lock.release()
    config = tmp_path / "shop.toml"
    config.write_text('[site]\nname = "county-library"\ndata = "data"\n')
    for arguments, status, said in [
        (["backup", str(folder), "--config", str(config)], 0, "up to event 202"),
        (["restore", str(folder), "--data", str(tmp_path / "new")], 0, "go on with number 1"),
        (["salvage", str(data / "holdwatch.db"), "--out", str(tmp_path / "s.db")], 0, "Nothing"),
        (["restore", str(folder), "--data", str(tmp_path / "new")], 3, "exists already"),
    ]:
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == status
        told = capsys.readouterr()
        assert said in told.out + told.err
    assert (folder / "shop.toml").read_text() == config.read_text()


def test_tokens_are_in_no_backup_and_those_of_the_folder_stay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, folder = tmp_path / "data", tmp_path / "backup"
    access = data / backup.ACCESS
    assert access.name == tokens.FILE
    data.mkdir()
    for path in (access, data / f"{access.name}-wal", data / f"{access.name}-journal"):
        path.write_bytes(b"good until it is revoked")
    small_backup(data, folder)
    assert [name for name in verify(folder).files if "access" in name] == []
    # Made by an older version: what it holds of tokens is left where it is.
    old = folder / "data" / access.name
    old.write_bytes(b"of a token revoked since")
    manifest = json.loads((folder / MANIFEST).read_text())
    manifest["files"][f"data/{access.name}"] = hashlib.sha256(old.read_bytes()).hexdigest()
    (folder / MANIFEST).write_text(json.dumps(manifest))
    for path in data.glob("holdwatch.db*"):  # only the database is lost
        path.unlink()
    assert run_restore(folder, data=data, as_json=False) == 0
    assert access.read_bytes() == b"good until it is revoked"
    assert "go on being good" in capsys.readouterr().out
    assert run_restore(folder, data=tmp_path / "new", as_json=False) == 0
    assert not (tmp_path / "new" / access.name).exists()
    assert "holdwatch token new" in capsys.readouterr().out
