"""Kills everything of a chain at random while two shops write events; counts what landed.

``python -m benchmarks run fleet_campaign [--events 6000] [--seed 1]``: two shops
(the real service with its store and API), each with its own Mosquitto and the bridge of
``deploy/``, the chain's Mosquitto with TLS, a real PostgreSQL, two consumers. All of them are
killed without warning, up to three at a time, the brokers also stopped in order, the shops' APIs
closed for a while; consumers and shops that ended come back as systemd brings them. What the shops
write last comes while nobody can land it, and the chain's broker dies with it. Then PostgreSQL must
hold the events of the shops' stores, each once and unaltered; the exit status says.
``--broker-only`` gives the consumers no addresses of shops, so that nothing is fetched by number.
"""

from __future__ import annotations

import argparse
import json
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from random import Random
from typing import Any, Final, Protocol

import psycopg
from fleet_brokers import SITES, Broker, chain_broker, shop_broker, words_of_a_consumer
from fleet_rig import Consumer
from mosquitto_fixture import free_port
from postgres_fixture import Postgres, server

from holdwatch_daemon.store.answers import connect
from holdwatch_fleet.base import Base

HERE: Final = Path(__file__).parent
RESTART_S: Final = 2.0
"""How long what ended by itself stays away; systemd's units wait 5 s and 10 s."""


class Victim(Protocol):
    """What can be taken away and brought back."""

    def down(self) -> None: ...

    def up(self) -> None: ...


class Kept:
    """A process that is killed, and comes back also where it ended by itself."""

    def __init__(self) -> None:
        self.ended = 0
        self._wanted = False
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._watch = threading.Thread(target=self._keep, daemon=True)
        self._watch.start()

    def down(self) -> None:
        with self._lock:
            self._wanted = False
            self.kill()

    def up(self) -> None:
        with self._lock:
            self._wanted = True
            self.begin()

    def close(self) -> None:
        self._stopping.set()
        self._watch.join()
        self.down()

    def _keep(self) -> None:
        while not self._stopping.wait(RESTART_S):
            with self._lock:
                if self._wanted and self.has_ended():
                    self.ended += 1
                    self.begin()

    def kill(self) -> None:
        raise NotImplementedError

    def begin(self) -> None:
        raise NotImplementedError

    def has_ended(self) -> bool:
        raise NotImplementedError


class Landing(Kept):
    """One consumer."""

    def __init__(self, dsn: str, port: int, name: str, words: list[str]) -> None:
        self._made = partial(Consumer, dsn, port, name, *words)
        self._now: Consumer | None = None
        self.said = ""
        super().__init__()

    def begin(self) -> None:
        self.kill()
        self._now = self._made()

    def kill(self) -> None:
        if self._now is not None:
            self.said += self._now.said()
            self._now.kill()
            self._now = None

    def has_ended(self) -> bool:
        return self._now is None or self._now.process.poll() is not None

    def is_subscribed(self) -> bool:
        with self._lock:
            return self._now is not None and self._now.is_subscribed()


class Shop(Kept):
    """One shop's service."""

    def __init__(self, data: Path, site: str, mqtt: int, *pace: str) -> None:
        self.url = f"http://127.0.0.1:{(http := free_port())}/"
        self.database = data / "holdwatch.db"
        self.closed = data.with_suffix(".closed")
        self._command = [sys.executable, str(HERE / "fleet_shop.py"), str(data), site]
        self._command += [str(mqtt), str(http), *pace]
        self._log = data.with_suffix(".log")
        self._now: subprocess.Popen[bytes] | None = None
        super().__init__()

    def begin(self) -> None:
        with self._log.open("ab") as log:
            self._now = subprocess.Popen(self._command, stderr=log, stdout=log)

    def kill(self) -> None:
        if self._now is not None:
            self._now.kill()
            self._now.wait()

    def has_ended(self) -> bool:
        return self._now is None or self._now.poll() is not None

    def events(self) -> dict[int, tuple[str, Any]]:
        """Return type and data of what its store holds, by number."""
        connection = connect(self.database)
        try:
            rows = connection.execute("SELECT sequence, type, body FROM events").fetchall()
        finally:
            connection.close()
        return {row[0]: (row[1], json.loads(row[2]).get("data", {})) for row in rows}

    def newest(self) -> int:
        try:
            connection = sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)
            ((newest,),) = connection.execute("SELECT coalesce(max(sequence), 0) FROM events")
            connection.close()
        except sqlite3.Error:
            return 0
        return int(newest)


class Door:
    """A shop's API, closed and opened while the shop goes on."""

    def __init__(self, shop: Shop) -> None:
        self._closed = shop.closed

    def down(self) -> None:
        self._closed.touch()

    def up(self) -> None:
        self._closed.unlink()


class Stopped:
    """A broker that is stopped in order."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self.up = broker.start

    def down(self) -> None:
        self._broker.stop()


class Killed(Stopped):
    """A broker that is killed: what it has not written down since it last did is lost."""

    def down(self) -> None:
        self._broker.kill()


class Database:
    """PostgreSQL, which ends as in a crash."""

    def __init__(self, postgres: Postgres) -> None:
        self._postgres = postgres
        self.up = postgres.start

    def down(self) -> None:
        self._postgres.stop(signal.SIGQUIT)


def main() -> int:
    """Run the campaign; return the exit status."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--events", type=int, default=6_000)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--rate", type=float, default=40.0, help="events a second and shop")
    words.add_argument("--kinds", default="", help="what is taken away, with commas; else all")
    words.add_argument("--broker-only", action="store_true")
    words.add_argument("--fill-after-s", default="5")
    words.add_argument("--ask-after-s", default="15")
    words.add_argument("--patience-s", type=float, default=300.0)
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as place, server() as postgres, ExitStack() as stack:
        folder, dsn = Path(place), postgres.dsn("postgres")
        with Base(dsn) as base:
            base.create()
        chain = chain_broker(folder)
        brokers = {site: shop_broker(folder, site, chain) for site in SITES}
        pace = (str(asked.events // len(SITES)), str(asked.rate))
        shops = {
            site: Shop(folder / f"data-{site}", site, brokers[site].port, *pace) for site in SITES
        }
        how = words_of_a_consumer(folder)
        if not asked.broker_only:
            addresses = folder / "shops.toml"
            addresses.write_text("".join(f'[site.{s}]\nurl = "{shops[s].url}"\n' for s in SITES))
            how += ["--shops", str(addresses), "--fill-after-s", asked.fill_after_s]
            how += ["--ask-after-s", asked.ask_after_s]
        landings = [Landing(dsn, chain.port, name, how) for name in ("a", "b")]
        for broker in (chain, *brokers.values()):
            stack.callback(broker.stop)
            broker.start()
        for landing in landings:
            stack.callback(landing.close)
            landing.up()
        while not all(landing.is_subscribed() for landing in landings):
            time.sleep(0.1)  # before that the broker owes them nothing
        for shop in shops.values():
            stack.callback(shop.close)
            shop.up()
        victims: dict[str, list[Victim]] = {
            "consumer": [*landings],
            "database": [Database(postgres)],
            "broker": [Stopped(chain)],
            "broker-killed": [Killed(chain)],
            "shop": [*shops.values()],
            "shop-broker": [Stopped(each) for each in brokers.values()],
            "shop-broker-killed": [Killed(each) for each in brokers.values()],
            "api": [Door(each) for each in shops.values()],
        }
        kinds = [kind for kind in asked.kinds.split(",") if kind] or list(victims)
        deaths = _disturb(Random(asked.seed), {k: victims[k] for k in kinds}, shops, int(pace[0]))  # noqa: S311 - a campaign that repeats itself
        print(f"seed {asked.seed}: taken away {deaths}", flush=True)
        return _account(dsn, shops, landings, asked.patience_s)


def _disturb(
    chance: Random, victims: dict[str, list[Victim]], shops: dict[str, Shop], events: int
) -> dict[str, int]:
    """Take away up to three at a time until the shops have nearly written all, then the end."""
    deaths, most = dict.fromkeys(victims, 0), min(3, len(victims))
    while any(shop.newest() < 0.9 * events for shop in shops.values()):
        time.sleep(chance.uniform(1.0, 4.0))
        away: list[Victim] = []
        # One of each at most: a broker that was stopped cannot be killed.
        kinds = {
            kind.partition("-killed")[0]: kind for kind in chance.sample(sorted(victims), most)
        }
        for kind in list(kinds.values())[: chance.randint(1, most)]:
            deaths[kind] += 1
            victim = chance.choice(victims[kind])
            victim.down()
            away.append(victim)
            time.sleep(chance.uniform(0.0, 0.5))
        _bring_back(chance, away)
    # The end: nobody lands what the shops write last, and the chain's broker dies with it.
    lost = ("consumer", "database", "api")
    last = {kind: each for kind, each in victims.items() if kind in lost}
    _take_away(last, deaths)
    while any(shop.newest() < events for shop in shops.values()):
        time.sleep(0.1)
    time.sleep(5.0)
    # Killed rather than stopped, where both are wanted.
    for kind in sorted(kind for kind in victims if kind.startswith("broker"))[-1:]:
        _take_away({kind: victims[kind]}, deaths)
        last[kind] = victims[kind]
    _bring_back(chance, [victim for each in last.values() for victim in each])
    return deaths


def _take_away(victims: dict[str, list[Victim]], deaths: dict[str, int]) -> None:
    for kind, all_of_it in victims.items():
        deaths[kind] += len(all_of_it)
        for victim in all_of_it:
            victim.down()


def _bring_back(chance: Random, away: list[Victim]) -> None:
    chance.shuffle(away)
    for victim in away:
        time.sleep(chance.uniform(0.0, 2.5))
        victim.up()


def _account(dsn: str, shops: dict[str, Shop], landings: list[Landing], patience_s: float) -> int:
    """Wait until all has landed, and compare; return the exit status."""
    end = time.monotonic()
    with psycopg.connect(dsn, autocommit=True) as asking:

        def ask(question: str) -> list[tuple[Any, ...]]:
            return asking.execute(question.encode()).fetchall()

        def missing() -> dict[str, int]:
            there = dict(ask("SELECT site, count(*) FROM holdwatch.events GROUP BY 1"))
            return {site: shop.newest() - there.get(site, 0) for site, shop in shops.items()}

        while any(missing().values()) and time.monotonic() - end < patience_s:
            time.sleep(0.2)
        took_s = time.monotonic() - end
        lacking = missing()
        rows = ask("SELECT site, sequence, type, data FROM holdwatch.events")
        ways = dict(ask("SELECT via, count(*) FROM holdwatch.events GROUP BY 1"))
        ((refused,),) = ask("SELECT count(*) FROM holdwatch.refused")
    written = {(s, n): event for s, shop in shops.items() for n, event in shop.events().items()}
    landed = {(site, number): (kind, data) for site, number, kind, data in rows}
    altered = sum(written.get(key) != event for key, event in landed.items())
    command = [sys.executable, "-m", "holdwatch_cli", "fleet", "gaps", "--postgres", dsn]
    gaps = subprocess.run(command, capture_output=True, text=True, check=False)
    for site in shops:
        lost = sorted(number for key, number in written.keys() - landed.keys() if key == site)
        if lost:
            print(f"{site}: missing {lost[:20]}{' and more' if len(lost) > 20 else ''}")
    broken = sum(landing.said.count("Traceback") for landing in landings)
    print(
        f"{len(written)} events written, {len(rows)} landed {ways}, missing {lacking}, "
        f"{altered} altered, {refused} refused, {took_s:.1f} s after the last came back\n"
        f"{gaps.stdout.strip()} (exit status {gaps.returncode}); consumers began again by "
        f"themselves {sum(each.ended for each in landings)} times, {broken} tracebacks"
    )
    good = written == landed and len(rows) == len(landed)
    return 0 if good and gaps.returncode == refused == broken == 0 else 1


if __name__ == "__main__":
    raise SystemExit(main())
