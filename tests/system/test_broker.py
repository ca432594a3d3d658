"""A broker that flaps, is away for long, or forgets what it had confirmed: nothing is lost."""

from __future__ import annotations

import asyncio
import json
import logging
import sqlite3
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from broker_flapping import flap
from daemon_rig import START_UTC_NS, TurnedClock, broker_of, connected, eventually, shop
from fault_audit import Ear
from fault_broker import Broker
from fault_shop import PREFIX
from system_parts import require

from holdwatch_daemon.outlets import redelivery as repeating
from holdwatch_daemon.service import Service
from holdwatch_daemon.store.events import Draft

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.mark.timeout(400)  # it waits more than it works; a busy machine makes it long
def test_a_flapping_broker_and_a_long_absence_lose_nothing_and_keep_the_order() -> None:
    require("mosquitto", "mosquitto")
    found = flap(4, 500, 4)
    assert not found.wrong, found.notes
    assert found.seen["outages"] == 4
    assert found.seen["events queued in the long absence"] >= 500
    assert found.seen["status checked"] == 4


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker that writes nothing down by itself, as in its first half hour."""
    require("mosquitto", "mosquitto")
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Broker(folder, writes_down_s=1_800)
    broker.start()
    yield broker
    broker.stop()


def noted(n: int) -> Draft:
    return Draft("holdwatch.hold.noted", START_UTC_NS + n * 10**9, {"n": n}, bay="BM-bay1")


def numbers(ear: Ear) -> list[int]:
    """The numbers of the events as they were heard first."""
    return list(dict.fromkeys(json.loads(message.payload)["sequence"] for message in ear.heard))


async def test_what_a_killed_broker_had_confirmed_and_forgot_is_told_again(
    broker: Broker, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The customer was away, and the broker had its events in memory alone."""
    topic = f"{PREFIX}/events"
    away = await asyncio.to_thread(Ear, broker.port, "archive", topic)
    away.close()
    broker.write_down()
    await asyncio.sleep(0.5)
    config = shop(tmp_path / "data", mqtt={"host": "127.0.0.1", "port": broker.port})
    with caplog.at_level(logging.ERROR):
        async with Service(config, TurnedClock(), []) as service:
            await connected(service)
            await asyncio.gather(*[service.events.tell(noted(n)) for n in range(50)])
            await eventually(lambda: broker_of(service)["behind"] == 0)
            await asyncio.to_thread(broker.stop, kill=True)
            await eventually(lambda: broker_of(service)["state"] == "refused")
            await asyncio.to_thread(broker.start)
            back = await asyncio.to_thread(Ear, broker.port, "archive", topic)
            await connected(service)
            newest = service.events.newest
            await eventually(lambda: newest in numbers(back))
        back.close()
    assert numbers(back)[:newest] == list(range(1, newest + 1))
    assert not caplog.messages, "one line of warning, no error"


async def test_a_break_repeats_the_newest_half_hour_and_an_end_in_order_nothing(
    broker: Broker, tmp_path: Path
) -> None:
    ear = await asyncio.to_thread(Ear, broker.port, "archive", f"{PREFIX}/events")
    config = shop(tmp_path / "data", mqtt={"host": "127.0.0.1", "port": broker.port})
    async with Service(config, TurnedClock(), []) as service:
        await connected(service)
        await asyncio.gather(*[service.events.tell(noted(n)) for n in range(20)])
        # Two hours later: what was told and confirmed before the last half hour stays so.
        early = service.events.newest
        await eventually(lambda: early in numbers(ear))
        assert service._outbox is not None
        service._outbox._trail = repeating.Trail(early)
        await asyncio.gather(*[service.events.tell(noted(7_200 + n)) for n in range(10)])
        told = service.events.newest
        await eventually(lambda: told in numbers(ear))
        await asyncio.sleep(0.5)  # for the customer's own confirmations
        await asyncio.to_thread(broker.stop)
        await eventually(lambda: broker_of(service)["state"] == "refused")
        ear.heard.clear()
        await asyncio.to_thread(broker.start)
        await eventually(lambda: told in numbers(ear), within_s=30.0)
        assert numbers(ear) == list(range(told - 9, told + 1))
    await eventually(lambda: told + 1 in numbers(ear))
    ear.heard.clear()
    async with Service(config, TurnedClock(), []) as service:
        await connected(service)
        await eventually(lambda: told + 2 in numbers(ear))
    ear.close()
    assert numbers(ear)[0] == told + 2, "`started`, and nothing again"


async def test_a_long_past_is_repeated_in_part(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(repeating, "MOST_REPEATED", 200)
    ear = await asyncio.to_thread(Ear, broker.port, "archive", f"{PREFIX}/events")
    config = shop(tmp_path / "data", mqtt={"host": "127.0.0.1", "port": broker.port})
    async with Service(config, TurnedClock(), []) as service:
        await connected(service)
        await asyncio.gather(*[service.events.tell(noted(n)) for n in range(250)])
        told = service.events.newest
        await eventually(lambda: told in numbers(ear))
        await asyncio.sleep(0.5)  # for the customer's own confirmations
        await asyncio.to_thread(broker.stop)
        await eventually(lambda: broker_of(service)["state"] == "refused")
        ear.heard.clear()
        await asyncio.to_thread(broker.start)
        await eventually(lambda: told in numbers(ear), within_s=30.0)
    ear.close()
    assert numbers(ear)[0] == told - 199


def past(*minutes_ago: float) -> sqlite3.Connection:
    """Return a store of events, numbered from 1, told so long ago."""
    connection = sqlite3.connect(":memory:")
    connection.row_factory = sqlite3.Row
    connection.execute("CREATE TABLE events (sequence INTEGER, type TEXT, time TEXT)")
    now = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
    times = [(now - timedelta(minutes=minutes)).isoformat() for minutes in minutes_ago]
    connection.executemany(
        "INSERT INTO events VALUES (?, 'holdwatch.hold.noted', ?)", enumerate(times, start=1)
    )
    return connection


def test_what_was_told_or_confirmed_within_half_an_hour_is_repeated(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    connection = past(9000.0, 8000.0, 7000.0, 40.0, 20.0, 0.0)
    assert repeating.repeat_after(connection, 6, 6) == 4
    assert repeating.repeat_after(connection, 4, 4) == 3
    # After days without a broker all of them were confirmed a moment ago, but for the first.
    assert repeating.repeat_after(connection, 6, 1) == 1
    monkeypatch.setattr(repeating, "MOST_REPEATED", 3)
    assert repeating.repeat_after(connection, 6, 1) == 3


def test_confirmation_is_remembered_for_as_long_as_a_broker_may_forget_it() -> None:
    trail = repeating.Trail(5)
    for second in range(3_000):
        trail.note(float(second), 10 + second)
    assert trail.settled(2_999.0) == 10 + 1_199
    assert trail.settled(2_999.0 + 1_799.0) == 10 + 2_998
    assert trail.settled(10_000.0) == 10 + 2_999
