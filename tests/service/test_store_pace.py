"""A slow disk is found by how long it takes and told once; one that stands still is seen."""

from __future__ import annotations

import asyncio
import threading
import time
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import httpx
import pytest
from daemon_rig import (
    BAY,
    GAUGE,
    VACUUM,
    FedAdapter,
    TurnedClock,
    events,
    eventually,
    first_event,
    isolated,
    shop,
    start,
    vacuum_table,
)

from holdwatch_api.app import create_app
from holdwatch_api.routes import bays as routes
from holdwatch_daemon.bays import commands
from holdwatch_daemon.messages import ExtendHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.store import answers, disk, writer
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.writer import OVER_S, SLOW_S, STANDS_S, Pace

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import AsyncGenerator, Awaitable, Callable
    from pathlib import Path

    HeldUp = tuple[Service, str, httpx.AsyncClient, Callable[[], Awaitable[None]]]


def took(pace: Pace, began: float, asked_after: float, confirmed_after: float) -> float:
    """Let a transaction pass; return when it ended."""
    pace.begin(began)
    pace.ask(began + asked_after)
    ended = began + asked_after + confirmed_after
    pace.end(ended, confirmed=True)
    return ended


def test_a_confirmation_that_takes_long_is_slow_until_long_after_the_last() -> None:
    pace = Pace()
    ended = took(pace, 100.0, 0.1, SLOW_S)
    assert not pace.is_slow(ended)
    ended = took(pace, 200.0, 0.1, SLOW_S + 0.5)
    assert pace.slow == 1
    assert abs(pace.worst_s - SLOW_S - 0.6) < 1e-9
    assert pace.is_slow(ended + OVER_S - 1.0)
    assert not pace.is_slow(ended + OVER_S + 1.0)
    assert abs(pace.confirmed_s - 2 * SLOW_S - 0.5) < 1e-9


def test_a_confirmation_that_is_waited_for_is_slow_before_it_comes() -> None:
    pace = Pace()
    pace.begin(10.0)
    pace.ask(11.0)
    assert not pace.is_slow(11.0 + SLOW_S)
    assert pace.is_slow(11.5 + SLOW_S)
    assert not pace.stands(10.0 + STANDS_S)
    assert pace.stands(10.5 + STANDS_S)


def test_work_that_takes_long_is_not_the_disks_and_what_it_refused_is_told_elsewhere() -> None:
    pace = Pace()
    ended = took(pace, 10.0, STANDS_S - 1.0, 0.1)
    assert not pace.is_slow(ended)
    pace.begin(50.0)
    pace.ask(51.0)
    pace.end(51.0 + SLOW_S + 1.0, confirmed=False)
    assert not pace.is_slow(60.0)
    assert pace.waited_s(60.0) == 0.0


async def test_a_disk_that_stands_is_an_alarm_and_one_event_each_way_and_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "STANDS_S", 0.5)
    monkeypatch.setattr(writer, "OVER_S", 0.5)
    monkeypatch.setattr(disk, "LOOK_EVERY_S", 0.05)
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        stood = threading.Event()

        def stand(connection: sqlite3.Connection) -> None:
            del connection
            stood.wait(20.0)

        await start(service)
        waiting = service._writer.transact(stand)
        await eventually(lambda: "disk_slow" in {a.kind for a in service.bay_state(BAY).alarms})
        health = service.health()
        assert health["status"] == "degraded"
        assert isinstance(health["store"], dict)
        assert "stands still" in health["store"]["slow"]
        metrics = {each.name: each.value for each in service.metrics()}
        assert metrics["holdwatch_store_slow"] == 1.0
        assert metrics["holdwatch_store_waited_seconds"] > 0.4
        assert service.is_serving(0.0), "a new start would lose what waits in memory"
        assert await service.store.ask(lambda c: c.execute("SELECT 1").fetchone()[0]) == 1
        stood.set()
        await waiting
        began = time.monotonic()
        while service.health()["store"]["slow"] is not None:  # type: ignore[index]
            assert time.monotonic() - began < 20.0
            await asyncio.sleep(0.05)
        await first_event(service, "holdwatch.store.steady")
        told = [event.type for event in await events(service)]
    assert told.count("holdwatch.store.slow") == 1
    assert told.count("holdwatch.store.steady") == 1


async def test_who_looks_through_the_history_holds_up_no_command(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        let_go = threading.Event()
        long = [
            asyncio.ensure_future(service.store.browse(lambda _: let_go.wait(20.0)))
            for _ in range(8)
        ]
        try:
            async with asyncio.timeout(10.0):
                await start(service)
                assert await service.store.newest_sequence()
                assert await service.store.events_after(0), "a broker that is back waits for them"
        finally:
            let_go.set()
        await asyncio.gather(*long)


@asynccontextmanager
async def held_up(folder: Path) -> AsyncGenerator[HeldUp, None]:
    """A service in a hold whose disk takes nothing until it is let go; asked over HTTP."""
    async with Service(shop(folder), TurnedClock(), [FedAdapter()]) as service:
        stood = threading.Event()
        hold = await start(service)
        transport = httpx.ASGITransport(create_app(service), client=("127.0.0.1", 1))
        waiting = service._writer.transact(lambda _: stood.wait(20.0))

        async def let_go() -> None:
            stood.set()
            await waiting

        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            yield service, hold, client, let_go


async def test_a_command_that_the_disk_keeps_is_answered_by_then_and_in_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(routes, "PATIENCE_S", 0.3)
    async with held_up(tmp_path) as (service, hold, client, let_go):
        path = f"/api/v1/bays/{BAY}/command"
        wanted = {"command": "extend_hold", "id": "longer", "minutes": 5.0}
        answer = await client.post(path, json=wanted)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
        assert "being carried out" in answer.json()["detail"]
        await let_go()
        again = await client.post(path, json=wanted)
        assert (again.status_code, again.json()["ok"]) == (200, True)
        words = [mark.word for mark in await service.store.ask(lambda c: answers.marks(c, hold))]
    assert words == ["extended 5"], "once, however often it is asked"


async def test_a_stop_that_the_disk_keeps_is_answered_alike_when_it_is_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(routes, "PATIENCE_S", 0.3)
    async with held_up(tmp_path) as (_, hold, client, let_go):
        path, wanted = f"/api/v1/holds/{hold}/stop", {"id": "enough"}
        codes = [(await client.post(path, json=wanted)).status_code for _ in range(2)]
        assert codes == [503, 503], "it is under way, though the hold runs no more"
        await let_go()
        again = await client.post(path, json=wanted)
        other = await client.post(path, json={"id": "another"})
    assert (again.status_code, again.json()["ok"], again.json()["hold_id"]) == (200, True, hold)
    assert other.status_code == 409


async def test_a_verdict_that_the_disk_keeps_is_waited_for_by_who_asks_for_it(
    tmp_path: Path,
) -> None:
    async with held_up(tmp_path) as (service, hold, client, let_go):
        path = f"/api/v1/holds/{hold}"
        stopping = asyncio.create_task(client.post(f"{path}/stop", json={"id": "enough"}))
        await eventually(lambda: service.bay_state(BAY).doing == "verdict")
        asked = [asyncio.create_task(client.get(path + part)) for part in ("", "/curve", "/trace")]
        done, _ = await asyncio.wait(asked, timeout=0.3)
        assert not done, "what the bay shows already is not there yet"
        await let_go()
        detail, curve, trace = [await each for each in asked]
        assert (await stopping).json()["ok"]
    assert detail.json()["verdict"]["outcome"] == "inconclusive"
    assert (curve.status_code, trace.status_code) == (200, 200)


@pytest.mark.parametrize(("recipe", "taken"), [("vacuum", False), ("nitrogen", True)])
async def test_an_isolation_that_the_disk_kept_does_not_count_from_too_late(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, recipe: str, taken: bool
) -> None:
    monkeypatch.setattr(commands, "LATE_MARK_S", 0.2)
    clock, adapter = TurnedClock(), FedAdapter()
    config = shop(tmp_path, **vacuum_table(tmp_path, {"low_side": GAUGE, "vacuum": VACUUM}))
    async with Service(config, clock, [adapter]) as service:
        stood = threading.Event()
        hold = await start(service, recipe)
        waiting = service._writer.transact(lambda _: stood.wait(20.0))
        longer = ExtendHold(command="extend_hold", id="longer", minutes=5.0)
        first = asyncio.ensure_future(service.command(BAY, longer, by="test"))
        await asyncio.sleep(0.1)
        said = asyncio.ensure_future(isolated(service))
        await asyncio.sleep(0.3)
        stood.set()
        await asyncio.gather(waiting, first)
        assert (await said).ok is taken
        words = [mark.word for mark in await service.store.ask(lambda c: answers.marks(c, hold))]
        assert ("extended 5" in words, len(words)) == (True, 1 + taken)


async def test_a_disk_that_stands_after_the_write_stands_too(tmp_path: Path) -> None:
    async with Service(shop(tmp_path), TurnedClock(), [FedAdapter()]) as service:
        stood = threading.Event()

        def stand() -> None:
            stood.wait(20.0)

        waiting = service._writer.transact(lambda _: None, kept=stand)
        pace = service._writer.state.pace
        await eventually(lambda: pace.waited_s(time.monotonic()) > 0.5)
        stood.set()
        await waiting


async def test_a_slow_write_that_was_over_before_anybody_looked_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "OVER_S", 0.5)
    monkeypatch.setattr(disk, "LOOK_EVERY_S", 0.05)
    async with Service(shop(tmp_path), TurnedClock(), [FedAdapter()]) as service:
        pace = service._writer.state.pace
        pace.slow, pace.worst_s, pace._slow_at = 1, 3.0, time.monotonic()
        steady = await first_event(service, "holdwatch.store.steady")
    assert "within 0 min: 1; the longest took 3.0 s" in str(steady.data["text"])


async def test_nobody_hears_of_an_event_before_its_number_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with Service(shop(tmp_path), TurnedClock(), [FedAdapter()]) as service:
        await service.events.tell()
        noting, go_on = threading.Event(), threading.Event()

        def note(_: object) -> None:
            noting.set()
            go_on.wait(20.0)

        monkeypatch.setattr(service.events, "_note", note)
        before = service.events.newest
        told = service.events.tell(Draft("holdwatch.store.slow", 1, {"text": "x"}))
        await eventually(noting.is_set)
        assert await service.store.newest_sequence() == before + 1  # it is committed
        assert service.events.newest == before
        go_on.set()
        await told
        assert service.events.newest == before + 1
