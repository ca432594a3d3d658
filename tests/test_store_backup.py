"""Backups under load, the way back, and numbers that are never given twice."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from typing import TYPE_CHECKING, Any

import pytest

from daemon_rig import BAY, TurnedClock, events, shop, start, stop
from holdwatch_cli.main import main
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.messages import StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.store.backup import GAP, MANIFEST, back_up, restore, verify
from holdwatch_daemon.store.counters import SqliteCounters
from holdwatch_daemon.store.numbers import ToldNumbers
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.store.writer import FlaggedReading, Writer
from holdwatch_physics.reading import Quality, Quantity, Reading
from store_shop import contents, fill

if TYPE_CHECKING:
    from pathlib import Path

NOW = "2026-09-21T14:00:00.000Z"
NOW_NS = 1_790_000_000 * 10**9


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

    backup, number = restore(folder, restored, NOW_NS)
    assert (backup.newest_event, backup.made, number) == (made.newest_event, made.made, GAP)
    source, copy = rows(data / "holdwatch.db"), rows(restored / "holdwatch.db")
    told = [event for event in copy["events"] if event[0] >= GAP]
    assert [event[2] for event in told] == ["holdwatch.store.restored"]
    assert len(source["events"]) > made.newest_event, "the source went on"
    # Up to the moment all tables are equal: events by their number, readings by what they tell of.
    moment = next(float(row[7]) for row in source["events"] if row[0] == made.newest_event)
    (load_id,) = [row[0] for row in source["channels"] if row[1] == "load/p"]
    for name in source.keys() - {"event_floors"}:
        wanted, found = source[name], copy[name]
        if name == "events":
            wanted = [row for row in wanted if row[0] <= made.newest_event]
            found = [row for row in found if row[0] < GAP]
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
        assert [event.sequence for event in later] == [GAP + n for n in range(len(later))]
        again = StartHold(command="start_hold", id="another", recipe="nitrogen")
        assert (await service.command(BAY, again, by="test")).ok
        of_bay = [e.baysequence for e in await events(service) if e.bay == BAY and e.sequence > GAP]
        assert of_bay[0] == GAP
        assert of_bay == [GAP + n for n in range(len(of_bay))]
        follower = service.events.subscribe(after=seen)
        assert (await anext(follower)).sequence == GAP
        await follower.aclose()
        newest = service.events.newest
    # A second loss, restored where the counters of the first restore still lie: behind those.
    (lost / "holdwatch.db").unlink()
    assert ToldNumbers(lost / "counters.db").read()[""] >= newest
    _, number = restore(folder, lost, NOW_NS)
    assert number == 2 * GAP


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
        (["restore", str(folder), "--data", str(tmp_path / "new")], 0, "number 1000000"),
        (["salvage", str(data / "holdwatch.db"), "--out", str(tmp_path / "s.db")], 0, "Nothing"),
        (["restore", str(folder), "--data", str(tmp_path / "new")], 3, "exists already"),
    ]:
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == status
        told = capsys.readouterr()
        assert said in told.out + told.err
    assert (folder / "shop.toml").read_text() == config.read_text()
