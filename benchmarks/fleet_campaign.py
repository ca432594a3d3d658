"""Kills consumers, database and broker at random while two shops publish; counts what landed.

``PYTHONPATH=tests:cli python benchmarks/fleet_campaign.py [EVENTS] [SEED] [KINDS]``: a real
Mosquitto, a real PostgreSQL, two consumers of one group. Consumers and database are killed without
warning, the broker is stopped and started. At the end every event must have landed once; the exit
status says.
"""

from __future__ import annotations

import random
import signal
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path

import psycopg
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from fleet_rig import Consumer, told
from holdwatch_cli.fleet_base import Base
from mosquitto_fixture import HOST, Mosquitto
from postgres_fixture import Postgres, server

KINDS = ("consumer", "consumer", "database", "broker")
SITES = ("county-library", "harbour-garage")


def main() -> int:
    """Run the campaign; return the exit status."""
    events = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    chance = random.Random(seed)  # noqa: S311 - a campaign that repeats itself
    kinds = sys.argv[3].split(",") if len(sys.argv) > 3 else list(KINDS)
    with tempfile.TemporaryDirectory() as folder, server() as postgres:
        broker = Mosquitto(Path(folder))
        broker.start()
        dsn = postgres.dsn("postgres")
        with Base(dsn) as base:
            base.create()
        consumers = {name: Consumer(dsn, broker.port, name) for name in ("a", "b")}
        try:
            while not all(consumer.is_subscribed() for consumer in consumers.values()):
                time.sleep(0.2)
            shop = threading.Thread(target=_publish, args=(broker.port, events, chance.random()))
            shop.start()
            deaths = _disturb(chance, shop, broker, postgres, consumers, kinds)
            shop.join()
            return _count(dsn, events, deaths)
        finally:
            for consumer in consumers.values():
                consumer.kill()
            broker.close()


def _publish(port: int, events: int, seed: float) -> None:
    chance = random.Random(seed)  # noqa: S311 - the same
    client = Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(50)
    confirmed = threading.Semaphore(0)
    client.on_publish = lambda *_: confirmed.release()
    client.connect(HOST, port)
    client.loop_start()
    for number in range(1, events // 2 + 1):
        for site in SITES:
            body = told(number, site=site).model_dump_json(exclude_none=True)
            client.publish(f"holdwatch/{site}/events", body, qos=1)
        if number % 100 == 0:
            time.sleep(chance.random())
    for _ in range(events // 2 * len(SITES)):
        confirmed.acquire()
    client.disconnect()
    client.loop_stop()


def _disturb(
    chance: random.Random,
    shop: threading.Thread,
    broker: Mosquitto,
    postgres: Postgres,
    consumers: dict[str, Consumer],
    kinds: list[str],
) -> dict[str, int]:
    deaths = dict.fromkeys(kinds, 0)
    while shop.is_alive():
        time.sleep(chance.uniform(1.0, 4.0))
        what = chance.choice(kinds)
        deaths[what] += 1
        if what == "consumer":
            name = chance.choice(sorted(consumers))
            consumers[name].kill()
            time.sleep(chance.uniform(0.0, 1.0))
            consumers[name] = Consumer(postgres.dsn("postgres"), broker.port, name)
        elif what == "database":
            postgres.stop(signal.SIGQUIT)
            time.sleep(chance.uniform(0.0, 2.0))
            postgres.start()
        else:
            broker.stop()
            time.sleep(chance.uniform(0.0, 1.0))
            broker.start()
    return deaths


def _count(dsn: str, events: int, deaths: dict[str, int]) -> int:
    wanted, there = set(range(1, events // 2 + 1)), 0
    until = time.monotonic() + 120.0
    with psycopg.connect(dsn, autocommit=True) as asking:
        while there < events and time.monotonic() < until:
            time.sleep(1.0)
            ((there,),) = asking.execute("SELECT count(*) FROM holdwatch.events").fetchall()
        missing = 0
        for site in SITES:
            question = "SELECT sequence FROM holdwatch.events WHERE site = %s"
            found = {row[0] for row in asking.execute(question, (site,))}
            lost = sorted(wanted - found)
            missing += len(lost)
            if lost:
                print(f"{site}: missing {lost[0]} to {lost[-1]}")
        ((refused,),) = asking.execute("SELECT count(*) FROM holdwatch.refused").fetchall()
    with Base(dsn) as base, suppress(psycopg.Error):
        told_missing = sum(stream.missing for stream in base.streams())
    print(
        f"{events} events, killed or stopped: {deaths}; {there} rows, {missing} missing, "
        f"{told_missing} told as missing, {refused} refused"
    )
    return 0 if (there, missing, told_missing, refused) == (events, 0, 0, 0) else 1


if __name__ == "__main__":
    raise SystemExit(main())
