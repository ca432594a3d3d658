"""Consumers as real processes between a real Mosquitto and a real PostgreSQL, and their deaths."""

from __future__ import annotations

import asyncio
import signal
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import psycopg
import pytest
from daemon_rig import START_UTC_NS, TurnedClock, shop
from fleet_rig import Consumer, asked, told, until
from mosquitto_fixture import HOST, Mosquitto, mosquitto
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from postgres_fixture import Postgres, postgres, postgres_server

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.service import Service
from holdwatch_daemon.store.events import Draft
from holdwatch_fleet.base import Base

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["mosquitto", "postgres", "postgres_server"]


SOON = ("--fill-after-s", "1", "--ask-after-s", "2")
"""Fills and asks at once."""


@pytest.fixture
def tables(postgres: str) -> str:
    """A database with the tables."""
    with Base(postgres) as base:
        base.create()
    return postgres


@contextmanager
def consumers(dsn: str, broker: Mosquitto, *words: str) -> Iterator[tuple[Consumer, Consumer]]:
    """Two consumers, subscribed."""
    with ExitStack() as stack:
        both = []
        for name in ("a", "b"):
            consumer = Consumer(dsn, broker.port, name, *words)
            stack.callback(consumer.kill)
            both.append(consumer)
        until(lambda: all(consumer.is_subscribed() for consumer in both))
        yield both[0], both[1]


class Publisher:
    """Publishes as a shop's bridge does: at QoS 1, many in flight."""

    def __init__(self, port: int) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(200)
        self._client.connect(HOST, port)
        self._client.loop_start()

    def publish(self, numbers: range, site: str = "county-library") -> None:
        until(self._client.is_connected)
        for number in numbers:
            body = told(number, site=site).model_dump_json(exclude_none=True)
            sent = self._client.publish(f"holdwatch/{site}/events", body, qos=1)
        sent.wait_for_publish(30)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def publisher(mosquitto: Mosquitto) -> Iterator[Publisher]:
    made = Publisher(mosquitto.port)
    yield made
    made.close()


def landed(dsn: str) -> list[int]:
    return [row[0] for row in asked(dsn, "SELECT sequence FROM holdwatch.events ORDER BY 1")]


def count(dsn: str) -> int:
    return int(asked(dsn, "SELECT count(*) FROM holdwatch.events")[0][0])


@contextmanager
def nothing_commits(dsn: str) -> Iterator[None]:
    """Hold up every landing: messages are handed out and cannot be confirmed."""
    with psycopg.connect(dsn) as holding:
        holding.execute("LOCK TABLE holdwatch.streams IN EXCLUSIVE MODE")
        yield


def waiting(dsn: str) -> int:
    """How many landings stand at that lock, or behind one that does."""
    question = "SELECT count(*) FROM pg_locks WHERE NOT granted"
    return int(asked(dsn, question)[0][0])


def test_a_consumer_killed_midway_and_begun_again_loses_and_doubles_nothing(
    tables: str, mosquitto: Mosquitto, publisher: Publisher
) -> None:
    with consumers(tables, mosquitto) as (first, second):
        publisher.publish(range(1, 301))
        with nothing_commits(tables):
            publisher.publish(range(301, 901))
            until(lambda: waiting(tables) == 2)
            first.kill()
        until(lambda: count(tables) == 900)  # it took nothing with it
        again = Consumer(tables, mosquitto.port, "a")
        try:
            publisher.publish(range(901, 1_001))
            until(lambda: count(tables) == 1_000)
            assert landed(tables) == list(range(1, 1_001))
            with Base(tables) as base:
                assert [each.missing for each in base.streams()] == [0]
            until(again.is_subscribed)
            assert again.stop() == 0
            assert second.stop() == 0
        finally:
            again.kill()


def test_the_database_may_be_killed_and_come_back(
    tables: str, mosquitto: Mosquitto, publisher: Publisher, postgres_server: Postgres
) -> None:
    consumer = Consumer(tables, mosquitto.port, "a")
    try:
        until(consumer.is_subscribed)
        publisher.publish(range(1, 201))
        postgres_server.stop(signal.SIGQUIT)
        publisher.publish(range(201, 1_801))
        postgres_server.start()
        until(lambda: count(tables) == 1_800)
        assert landed(tables) == list(range(1, 1_801))
        assert consumer.stop() == 0
    finally:
        consumer.kill()


def test_the_broker_may_go_and_come_back(
    tables: str, mosquitto: Mosquitto, publisher: Publisher
) -> None:
    consumer = Consumer(tables, mosquitto.port, "a")
    try:
        until(consumer.is_subscribed)
        publisher.publish(range(1, 101))
        with nothing_commits(tables):
            publisher.publish(range(101, 201))
            until(lambda: waiting(tables) == 1)
            mosquitto.stop()
            mosquitto.start()
        publisher.publish(range(201, 301))
        until(lambda: count(tables) == 300)
        assert landed(tables) == list(range(1, 301))
    finally:
        consumer.kill()


def test_what_a_restarted_broker_is_told_before_a_consumer_is_back_lands(
    tables: str, mosquitto: Mosquitto, publisher: Publisher
) -> None:
    before = Consumer(tables, mosquitto.port, "a")
    until(before.is_subscribed)
    before.kill()
    mosquitto.stop()
    mosquitto.start()
    publisher.publish(range(1, 301))
    consumer = Consumer(tables, mosquitto.port, "a")
    try:
        until(lambda: count(tables) == 300)
        assert landed(tables) == list(range(1, 301))
    finally:
        consumer.kill()


async def test_what_the_broker_lost_is_fetched_from_the_shop(
    tables: str, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    config = shop(tmp_path / "data", mqtt={"host": HOST, "port": mosquitto.port})
    shops = tmp_path / "shops.toml"
    async with (
        Service(config, TurnedClock(), []) as service,
        serve(create_app(service), port=0) as serving,
    ):
        shops.write_text(f'[site.county-library]\nurl = "{serving.url}"\n')
        # Nobody has subscribed yet: the broker confirms these, and drops them.
        await asyncio.gather(*[service.events.tell(noted(n)) for n in range(50)])
        await asyncio.to_thread(until, lambda: behind(service) == 0)
        consumer = Consumer(tables, mosquitto.port, "a", "--shops", str(shops), *SOON)
        try:
            await asyncio.to_thread(until, consumer.is_subscribed)
            await asyncio.gather(*[service.events.tell(noted(n)) for n in range(50, 100)])
            newest = service.events.newest
            await asyncio.to_thread(until, lambda: count(tables) == newest)
        finally:
            consumer.kill()
    # The end of the service is told after the consumer has left.
    assert landed(tables) == list(range(1, newest + 1))
    ways = dict(asked(tables, "SELECT via, count(*) FROM holdwatch.events GROUP BY 1"))
    assert ways["http"] >= 50
    assert ways["mqtt"] > 10


def behind(service: Service) -> int:
    """How many events the broker has not confirmed."""
    return next(int(each.value) for each in service.metrics() if each.name.endswith("_behind"))


def noted(n: int) -> Draft:
    return Draft("holdwatch.hold.noted", START_UTC_NS, {"n": n}, bay="BM-bay1")
