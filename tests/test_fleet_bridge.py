"""Two shops behind real bridges to a chain's broker, by the very files in deploy/."""

from __future__ import annotations

import asyncio
import getpass
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from daemon_rig import GAUGE, START_UTC_NS, FedAdapter, TurnedClock, reading, shop, start, stop
from fleet_rig import Consumer, asked, told, until
from holdwatch_cli.fleet_base import Base
from holdwatch_daemon.events import Draft
from holdwatch_daemon.service import Service
from mosquitto_fixture import HOST, free_port
from postgres_fixture import postgres, postgres_server
from system_parts import require

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["postgres", "postgres_server"]

DEPLOY = Path(__file__).parents[1] / "deploy"
SITES = ("county-library", "harbour-garage")
PRESSURES = {"county-library": 1.5e6, "harbour-garage": 0.9e6}
PASSWORDS = {name: f"word-of-{name}" for name in (*SITES, "fleet")}


class Broker:
    """A Mosquitto made of a file of ours with its capitals replaced."""

    def __init__(self, folder: Path, file: str, **words: str) -> None:
        folder.mkdir()
        self.port = free_port()
        text = (DEPLOY / file).read_text()
        for word, value in words.items():
            text = text.replace(word.replace("_", "-"), value)
        text = text.replace("/var/lib/mosquitto/", f"{folder}/")
        text = text.replace("listener 1883", f"listener {self.port}")
        text = text.replace("listener 8883", f"listener {self.port} {HOST}")
        text = text.replace("#topic", "topic")  # live values too
        text = text.replace("restart_timeout 2 60", "restart_timeout 1 1")
        self._config = folder / "mosquitto.conf"
        # Started by the superuser it would become a user who may not enter the test's folder.
        self._config.write_text(f"{text}\nuser {getpass.getuser()}\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        program = require("mosquitto", "mosquitto")
        log = self._config.with_suffix(".log").open("ab")
        command = [program, "-c", str(self._config)]
        self._process = subprocess.Popen(command, stdout=log, stderr=log)
        log.close()

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def said(self) -> str:
        return self._config.with_suffix(".log").read_text()


def certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate of this machine that is its own authority."""
    made, key = folder / "chain.pem", folder / "chain.key"
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    words += f" -subj /CN=chain -addext subjectAltName=IP:{HOST}"
    ways = ["-out", str(made), "-keyout", str(key)]
    command = [require("openssl", "openssl"), *words.split(), *ways]
    subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
    return made, key


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture
def chain(folder: Path) -> Iterator[Broker]:
    """The chain's broker, with TLS, passwords and its access list."""
    made, key = certificate(folder)
    passwords = folder / "passwords"
    program = require("mosquitto_passwd", "mosquitto")
    for name, password in PASSWORDS.items():
        new = [] if passwords.exists() else ["-c"]
        command = [program, "-b", *new, str(passwords), name, password]
        subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
        (folder / f"{name}.password").write_text(password)
    broker = Broker(
        folder / "chain",
        "mosquitto-chain.conf",
        CA_FILE=str(made),
        CERTIFICATE=str(made),
        PRIVATE_KEY=str(key),
        PASSWORD_FILE=str(passwords),
        ACL_FILE=str(DEPLOY / "mosquitto-chain.acl"),
    )
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def shops(folder: Path, chain: Broker) -> Iterator[dict[str, Broker]]:
    """Each shop's own broker, bridged."""
    made: dict[str, Broker] = {}
    for site in SITES:
        made[site] = Broker(
            folder / site,
            "mosquitto-bridge.conf",
            SITE=site,
            PASSWORD=PASSWORDS[site],
            CHAIN_BROKER=HOST,
        )
        config = made[site]._config
        text = config.read_text().replace(f"{HOST}:8883", f"{HOST}:{chain.port}")
        config.write_text(
            text.replace("/etc/ssl/certs/ca-certificates.crt", str(folder / "chain.pem"))
        )
        made[site].start()
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
    words = ["--tls", "--ca-file", str(folder / "chain.pem"), "--username", "fleet"]
    words += ["--password-file", str(folder / "fleet.password"), "--live-s", "1"]
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
