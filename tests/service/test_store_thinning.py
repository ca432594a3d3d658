"""What gives way by rule and when the disk is full, and what never does."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

import pytest
from daemon_rig import (
    BAY,
    GAUGE,
    FedAdapter,
    TurnedClock,
    events,
    eventually,
    first_event,
    reading,
    run_hold,
    settled,
    shop,
    start,
)
from store_shop import START_S, contents, fill

from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import disk, thinning, writer
from holdwatch_daemon.store import retention as keeping
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import Roller, roll_all
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.store.thinning import Limits, Thinned, Thinner, oldest_free_ns, to_tell

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator
    from pathlib import Path

NOW = "2026-09-21T14:00:00.000Z"
DAY_S = 86_400
CITED = ((600, 1500), (1400, 1600), (4000, 4100))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("made") / "holdwatch.db"
    opened = open_database(path, NOW)
    opened.connection.execute("PRAGMA synchronous=OFF")
    fill(opened.connection, seconds=7200, holds=CITED)
    opened.connection.close()  # the log goes into the file
    opened.lock.release()
    return path


@pytest.fixture
def database(tmp_path: Path, made: Path) -> Iterator[sqlite3.Connection]:
    shutil.copy2(made, tmp_path)
    opened = open_database(tmp_path / made.name, NOW)
    opened.connection.execute("PRAGMA synchronous=OFF")
    yield opened.connection
    opened.connection.close()
    opened.lock.release()


def thinned(connection: sqlite3.Connection, limits: Limits) -> tuple[int, Thinned]:
    thinner = Thinner(limits)
    steps, more = 0, True
    while more:
        connection.execute("BEGIN")
        more = thinner.step(connection)
        connection.execute("COMMIT")
        steps += 1
    return steps, thinner.done


def is_cited(row: tuple[Any, ...]) -> bool:
    second = row[2] // 10**9
    return row[0] == 1 and any(first <= second <= last for first, last in CITED)


@pytest.mark.parametrize("step_rows", [50, 4_000])
def test_older_readings_go_but_cited_ones_events_and_summaries_stay(
    database: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch, step_rows: int
) -> None:
    monkeypatch.setattr(thinning, "STEP_ROWS", step_rows)
    roll_all(database, Ids("other", simulated=False))
    before = contents(database)
    limit = 5_000
    steps, done = thinned(database, Limits((START_S + limit) * 10**9))
    after = contents(database)
    wanted = [row for row in before["readings"] if row[2] >= limit * 10**9 or is_cited(row)]
    assert after["readings"] == wanted
    assert done.readings == len(before["readings"]) - len(wanted)
    assert done.first_utc_ns == START_S * 10**9
    assert done.last_utc_ns == (START_S + limit - 1) * 10**9
    assert steps >= done.readings // step_rows, "a bounded piece at a time"
    for name in before.keys() - {"readings", "about"}:
        assert after[name] == before[name], name
    # Counted until it is told, and a second pass finds nothing.
    assert to_tell(database) == done
    assert thinned(database, Limits((START_S + limit) * 10**9))[1].is_nothing
    hold = database.execute(
        "SELECT COUNT(*) FROM hold_readings WHERE hold_id = 'bay-1-600'"
    ).fetchone()
    assert hold == (901,)


def test_what_is_not_rolled_yet_stays(database: sqlite3.Connection) -> None:
    assert thinned(database, Limits(2**62))[1].is_nothing
    assert oldest_free_ns(database) is None
    Roller(Ids("other", simulated=False), "other").step(database, 0, 1_000)
    assert oldest_free_ns(database) == START_S * 10**9
    _, done = thinned(database, Limits(2**62))
    assert 0 < done.readings <= 1_000


def test_fine_summaries_go_by_whole_hours_and_the_coarse_ones_stay(
    database: sqlite3.Connection,
) -> None:
    roll_all(database, Ids("other", simulated=False))
    _, done = thinned(database, Limits(None, (START_S + 5_000) * 10**9))
    left = dict(database.execute("SELECT width_s, COUNT(*) FROM tiers GROUP BY width_s"))
    assert left == {10: 2 * 360, 60: 2 * 60, 600: 24, 3600: 4}
    assert done == Thinned(summaries=2 * (360 + 60))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"fine_days": 30}, "`fine_days` must not be shorter"),
        ({"raw_days": 30, "fine_days": 20}, "`fine_days` must not be shorter"),
        ({"raw_days": 5}, "`least_days` must not be longer"),
        ({"raw_days": 0}, "greater than or equal to 1"),
        ({"days": 3}, "known here: fine_days, least_days"),
    ],
)
def test_a_policy_that_cannot_be_meant_is_told(table: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        parse_config({"keeping": table})


async def test_the_service_thins_by_policy_and_tells_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "LOOK_EVERY_S", 0.02)
    opened = open_database(tmp_path / "holdwatch.db", NOW)
    fill(opened.connection, seconds=3_000, holds=CITED, story=False)
    roll_all(opened.connection, Ids("other", simulated=False))  # what is not rolled goes later
    opened.connection.close()
    opened.lock.release()
    monkeypatch.setattr(keeping, "THIN_EVERY_S", 0.05)
    clock = TurnedClock()
    clock.utc_zero_ns = (START_S + 1_000 + 30 * DAY_S) * 10**9 - clock.now_ns
    config = shop(tmp_path, keeping={"raw_days": 30})
    async with Service(config, clock, []) as service:
        told = await first_event(service, "holdwatch.store.thinned")
        left = await service.store.ask(
            lambda c: c.execute("SELECT COUNT(*), MIN(mono_ns) FROM readings").fetchone()
        )
        # 1000 s of two channels less the 400 cited seconds of one of them.
        assert told.data["readings"] == 2 * 1_000 - 400
        assert tuple(left) == (6_000 - 1_600, 600 * 10**9)
        assert told.data["first"] == "2026-09-21T14:00:00.000Z"
        assert "no hold cites" in told.data["text"]
        assert await service.store.ask(to_tell) == Thinned()


# -- the disk is full -----------------------------------------------------------------------


async def limit_pages(service: Service, more: int) -> None:
    """Let the file grow by so many pages and no more: SQLite then says that the disk is full."""

    def work(connection: sqlite3.Connection) -> None:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count={pages + more}")

    # Waited for: in one transaction with what the disk refuses it would be done again and again.
    await service._writer.transact(work)


async def test_a_full_disk_is_told_outlived_and_loses_nothing_that_fits_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "LOOK_EVERY_S", 0.02)
    monkeypatch.setattr(writer, "RETRY_S", 0.02)
    monkeypatch.setattr(writer, "MOST_PENDING_ROWS", 300)
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        await start(service)
        await run_hold(service, clock, adapter, 20)
        await limit_pages(service, 0)
        fed = 0

        def feed() -> None:
            nonlocal fed
            for _ in range(20):
                clock.now_ns += 10**9
                adapter.put(reading(clock, GAUGE, 1.5e6 + fed))
                fed += 1

        state = service._writer.state
        while state.failing is None:
            feed()
            await settled(service, adapter)
        await eventually(lambda: "disk" in {each.kind for each in service.bay_state(BAY).alarms})
        while not state.dropped_rows:
            feed()
            await settled(service, adapter)
        assert state.pending_rows < 300 + 40, "and what was on its way"
        assert service.live(BAY).values, "the screen goes on"
        dropped = state.dropped_rows
        # Room returns: no restart, and what was in memory is written.
        service._writer._connection.execute("PRAGMA max_page_count=1000000")
        told = await first_event(service, "holdwatch.store.dropped")
        assert told.data["readings"] == dropped
        kept = await service.store.ask(
            lambda c: c.execute(
                "SELECT COUNT(*) FROM readings JOIN channels ON id = channel_id WHERE name = ?",
                (GAUGE,),
            ).fetchone()[0]
        )
        assert kept == 20 + fed - dropped
        numbers = [event.sequence for event in await events(service)]
        assert numbers == list(range(1, len(numbers) + 1))
        standing = {each.kind for each in service.bay_state(BAY).alarms}
        assert "disk" in standing, "until somebody has seen it"


async def test_on_a_full_disk_the_oldest_uncited_readings_give_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "LOOK_EVERY_S", 0.02)
    monkeypatch.setattr(writer, "RETRY_S", 0.02)
    opened = open_database(tmp_path / "holdwatch.db", NOW)
    fill(opened.connection, seconds=5_000, holds=CITED, story=False)
    before = contents(opened.connection)
    roll_all(opened.connection, Ids("other", simulated=False))
    opened.connection.close()
    opened.lock.release()
    clock, adapter = TurnedClock(), FedAdapter()
    clock.utc_zero_ns = (START_S + 20 * DAY_S) * 10**9 - clock.now_ns
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        await limit_pages(service, 2)
        state = service._writer.state
        for _ in range(60):
            for _ in range(50):
                clock.now_ns += 10**9
                adapter.put(reading(clock, GAUGE, 1.5e6))
            await settled(service, adapter)
            await eventually(lambda: state.pending_rows == 0, every_s=0.005)
        assert state.written_rows == 3_000
        after = await service.store.ask(contents)
        old = [row for row in after["readings"] if row[1] == 1]
        cited = [row for row in before["readings"] if is_cited(row)]
        assert set(cited) <= set(old)
        assert len(old) < len(before["readings"])
        # The rest are the newest: what went was the oldest.
        assert {row[1] for row in after["readings"]} == {1, 2}
        assert state.dropped_rows == 0
        told = await first_event(service, "holdwatch.store.thinned")
        assert told.data["readings"] > 0
        for name in ("holds", "verdicts", "hold_marks", "curve_points"):
            assert after[name] == before[name], name
        assert set(before["events"]) <= set(after["events"])


def test_room_within_the_file_counts(database: sqlite3.Connection) -> None:
    assert disk.reusable_bytes(database) == 0
    database.execute("DELETE FROM readings")
    assert disk.reusable_bytes(database) > 400_000
