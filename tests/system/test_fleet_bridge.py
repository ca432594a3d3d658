"""Two shops behind real bridges to a chain's broker, by the very files in deploy/."""

from __future__ import annotations

import asyncio
import subprocess
import time
from typing import TYPE_CHECKING

import pytest
from daemon_rig import GAUGE, START_UTC_NS, FedAdapter, TurnedClock, reading, shop, start, stop
from fleet_brokers import PASSWORDS, SITES, chain_broker, shop_broker, words_of_a_consumer
from fleet_rig import Consumer, asked, told, until
from mosquitto_fixture import HOST
from postgres_fixture import postgres, postgres_server
from system_parts import require

from holdwatch_daemon.service import Service
from holdwatch_daemon.store.events import Draft
from holdwatch_fleet.base import Base

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from fleet_brokers import Broker

__all__ = ["postgres", "postgres_server"]

PRESSURES = {"county-library": 1.5e6, "harbour-garage": 0.9e6}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture
def chain(folder: Path) -> Iterator[Broker]:
    """The chain's broker."""
    broker = chain_broker(folder)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def shops(folder: Path, chain: Broker) -> Iterator[dict[str, Broker]]:
    """Each shop's own broker, bridged."""
    made = {site: shop_broker(folder, site, chain) for site in SITES}
    for broker in made.values():
        broker.start()
    yield made
    for broker in made.values():
        broker.stop()


def publish(folder: Path, chain: Broker, user: str, topic: str, payload: str) -> None:
    """Publish at the chain's broker as one of its users."""
    program = require("mosquitto_pub", "mosquitto-clients")
    command = [program, "-h", HOST, "-p", str(chain.port), "--cafile", str(folder / "chain.pem")]
    command += ["-u", user, "-P", PASSWORDS[user], "-V", "5", "-q", "1", "-t", topic, "-m", payload]
    subprocess.run(command, check=False, timeout=20, capture_output=True)


def clock() -> TurnedClock:
    """A clock that stands near the true time: readings of another year would be refused."""
    made = TurnedClock()
    made.utc_zero_ns = time.time_ns() - made.now_ns
    return made


def noted(n: int, text: str) -> Draft:
    return Draft("holdwatch.hold.noted", START_UTC_NS, {"n": n, "text": text}, bay="BM-bay1")


async def test_two_shops_land_in_one_database_without_mixing_up(
    folder: Path, chain: Broker, shops: dict[str, Broker], postgres: str
) -> None:
    with Base(postgres) as base:
        base.create()
    words = [*words_of_a_consumer(folder), "--live-s", "1"]
    consumer = Consumer(postgres, chain.port, "a", *words)
    try:
        await asyncio.to_thread(until, consumer.is_subscribed)
        newest = await run_both(folder, chain, shops, postgres)
        await asyncio.to_thread(until, lambda: counts(postgres) == newest)
        # A shop that is not to be trusted: it may not speak on another's topic, and is not
        # believed when it speaks of another on its own.
        forged = told(999, site=SITES[1]).model_dump_json(exclude_none=True)
        publish(folder, chain, SITES[0], f"holdwatch/{SITES[1]}/events", forged)
        publish(folder, chain, SITES[0], f"holdwatch/{SITES[0]}/events", forged)
        question = "SELECT topic, reason FROM holdwatch.refused"
        await asyncio.to_thread(until, lambda: asked(postgres, question))
        assert consumer.stop() == 0
    finally:
        consumer.kill()
    ((topic, reason),) = asked(postgres, question)
    assert topic == f"holdwatch/{SITES[0]}/events"
    assert SITES[1] in reason
    assert counts(postgres) == newest
    assert_each_has_its_own(postgres)


async def run_both(
    folder: Path, chain: Broker, shops: dict[str, Broker], dsn: str
) -> dict[str, int]:
    """Let both shops work, the chain's broker being away for a while; return their numbers."""
    newest = {}
    for site in SITES:
        at, adapter = clock(), FedAdapter()
        config = shop(
            folder / f"data-{site}",
            mqtt={"host": HOST, "port": shops[site].port},
            site={"name": site, "data": str(folder / f"data-{site}"), "altitude_m": 250.0},
        )
        async with Service(config, at, [adapter]) as service:
            for n in range(50):
                service.events.tell(noted(n, site))
            await measure_until_landed(dsn, site, at, adapter)
            if site == SITES[0]:
                chain.stop()
            await start(service)
            await stop(service)
            for n in range(50, 100):
                service.events.tell(noted(n, site))
        if site == SITES[0]:
            chain.start()
        newest[site] = service.events.newest
    return newest


async def measure_until_landed(dsn: str, site: str, at: TurnedClock, adapter: FedAdapter) -> None:
    """Measure until a reading has gone all the way: live values are sent once, at QoS 0."""
    question = f"SELECT 1 FROM holdwatch.readings WHERE site = '{site}'"  # noqa: S608 - ours
    async with asyncio.timeout(60):
        while not await asyncio.to_thread(asked, dsn, question):
            adapter.put(reading(at, GAUGE, PRESSURES[site]))
            await asyncio.sleep(0.3)
            at.now_ns += 300_000_000


def counts(dsn: str) -> dict[str, int]:
    return dict(asked(dsn, "SELECT site, count(*) FROM holdwatch.events GROUP BY site"))


def assert_each_has_its_own(dsn: str) -> None:
    with Base(dsn) as base:
        streams = base.streams()
    assert [(each.site, each.missing) for each in streams] == [(site, 0) for site in SITES]
    assert len({each.store for each in streams}) == 2
    notes = asked(
        dsn,
        "SELECT site, count(*), count(DISTINCT sequence) FROM holdwatch.events"
        " WHERE type = 'holdwatch.hold.noted' AND data->>'text' = site GROUP BY site ORDER BY site",
    )
    assert notes == [(site, 100, 100) for site in SITES]
    verdicts = asked(dsn, "SELECT site, outcome, unit FROM holdwatch.verdicts ORDER BY site")
    assert verdicts == [(site, "inconclusive", "BM-03") for site in SITES]
    values = asked(dsn, "SELECT site, min(value), max(value) FROM holdwatch.readings GROUP BY site")
    spans = {site: (low, high) for site, low, high in values}
    assert spans == {site: (pressure, pressure) for site, pressure in PRESSURES.items()}
