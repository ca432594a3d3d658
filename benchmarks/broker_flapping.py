"""A broker that is stopped, killed and frozen again and again, and one that is away for days.

Run: ``python -m benchmarks run broker_flapping [--outages 60] [--away 10000]``.
A service with three bays in time lapse tells events all the while; a customer with a lasting
session listens at QoS 1. In the end the two are compared. Exit status 1 where anything was wrong.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import sys
import tempfile
import time
import tracemalloc
from contextlib import suppress
from pathlib import Path
from random import Random
from typing import Final

from fault_audit import Ear, Findings, check_numbers, compare_heard, report
from fault_broker import Broker
from fault_shop import PREFIX, Probes, World, WorldClock, places, shop_table

from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.outlets import mqtt as outbox
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import answers
from holdwatch_daemon.store.events import Draft

SPEED: Final = 20.0
PACE_S: Final = 0.01
"""Time between two events of the talker, s."""
WAYS: Final = ("stop", "stop", "kill", "freeze", "freeze", "blink")


class _Errors(logging.Handler):
    """Keeps what was logged as an error; nothing should be."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.name == "holdwatch_daemon.health.loop_watch":
            return  # a busy machine does that to any process
        self.lines.append(f"{record.name}: {record.getMessage()}"[:300])


class Flapping:
    """The campaign.

    Args:
        folder: For store and broker.
        seed: Of the outages.
    """

    def __init__(self, folder: Path, seed: int) -> None:
        self.found = Findings()
        self._chance = Random(seed)  # noqa: S311 - a campaign repeats itself
        self._broker = Broker(folder)
        self._data = folder / "data"
        self._world = World(folder / "world", 3)
        self._seed = seed

    async def run(self, outages: int, away: int) -> Findings:
        """Flap, then be away while so many events are told; audit."""
        bays = places(3)
        self._broker.start()
        ear = Ear(
            self._broker.port,
            "archive",
            *(f"{PREFIX}/{each}" for each in ("events", "bay/+/events", "status")),
        )
        clock = WorldClock(self._world, SPEED)
        config = parse_config(shop_table(self._data, bays, self._broker.port))
        errors = _Errors()
        logging.getLogger().addHandler(errors)
        probes = Probes(self._world, clock, bays, self._seed)
        try:
            async with Service(config, clock, [probes], simulated=True) as service:
                self._service = service
                await self._connected()
                await self._begin_holds()
                talker = asyncio.create_task(self._talk())
                for _ in range(outages):
                    await self._outage()
                talker.cancel()
                with suppress(asyncio.CancelledError):
                    await talker
                await self._absence(away)
                newest = service.events.newest
            await self._heard_up_to(ear, newest + 1)
        finally:
            ear.close()
            self._broker.stop()
        self.found.fault("errors in the log", str(errors.lines[:2]), len(errors.lines))
        connection = answers.connect(config.database)
        check_numbers(connection, self.found)
        compare_heard(connection, ear.heard, self.found)
        connection.close()
        return self.found

    async def _begin_holds(self) -> None:
        await asyncio.sleep(0.5)
        for name, bay in self._service.bays.items():
            recipe = "vacuum" if "vacuum" in bay.roles else "nitrogen"
            start = StartHold(command="start_hold", id=f"start-{name}", recipe=recipe)
            await self._service.command(name, start, by="benchmark")
            await self._service.command(
                name, SayIsolated(command="say_isolated", id=f"isolated-{name}"), by="benchmark"
            )

    async def _talk(self) -> None:
        number = 0
        while True:
            number += 1
            await self._service.events.tell(self._note(number))
            await asyncio.sleep(PACE_S)

    def _note(self, number: int) -> Draft:
        bay = f"BM-{number % 3 + 1:02}"
        return Draft(
            "holdwatch.hold.noted", self._service.clock.utc_ns(), {"n": number}, bay, "benchmark"
        )

    async def _outage(self) -> None:
        """Take the broker away for a moment in one of the ways, and see it come back."""
        way = self._chance.choice(WAYS)
        away_s = self._chance.uniform(0.05, 1.5)
        await asyncio.sleep(self._chance.uniform(0.0, 0.5))
        if way == "freeze":
            self._broker.freeze()
            await asyncio.sleep(away_s * 2.0)
            self._broker.thaw()
        else:
            for _ in range(3 if way == "blink" else 1):
                await asyncio.to_thread(self._broker.stop, kill=way == "kill")
                await asyncio.sleep(away_s if way != "blink" else 0.05)
                await asyncio.to_thread(self._broker.start)
        self.found.seen["outages"] += 1
        self.found.seen[f"outages: {way}"] += 1
        await self._connected()
        await self._check_status()

    async def _connected(self) -> None:
        until = time.monotonic() + 60.0
        while self._state() != "connected" and time.monotonic() < until:  # noqa: ASYNC110 - looks from outside
            await asyncio.sleep(0.02)
        # A frozen broker that thaws may still cut what it knew before.
        await asyncio.sleep(0.2)
        if time.monotonic() > until:
            self.found.fault("never connected again", str(self._service.health()["broker"]))

    def _state(self) -> object:
        broker = self._service.health()["broker"]
        return broker["state"] if isinstance(broker, dict) else None

    async def _check_status(self) -> None:
        newcomer = await asyncio.to_thread(Ear, self._broker.port, None, f"{PREFIX}/#")
        until = time.monotonic() + 30.0
        said, states, bays = "", set[str](), len(self._service.bays)
        while (said != "online" or len(states) < bays) and time.monotonic() < until:
            await asyncio.sleep(0.05)
            status = [m for m in newcomer.heard if m.topic == f"{PREFIX}/status"]
            said = status[-1].payload.decode() if status else ""
            states = {m.topic for m in newcomer.heard if m.topic.endswith("/state")}
        newcomer.close()
        self.found.seen["status checked"] += 1
        if said != "online":
            self.found.fault("wrong retained state", f"status {said!r}")
        if len(states) != bays:
            self.found.fault("wrong retained state", f"states {sorted(states)}")

    async def _absence(self, count: int) -> None:
        """Be away for days: so many events are told with no broker, then all are heard."""
        await asyncio.to_thread(self._broker.stop)
        await asyncio.sleep(1.0)
        tracemalloc.start()
        before, _ = tracemalloc.get_traced_memory()
        for first in range(0, count, 500):
            notes = [self._note(first + n) for n in range(500)]
            await asyncio.gather(*(self._service.events.tell(note) for note in notes))
        after, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        confirmed = self._confirmed()
        await asyncio.to_thread(self._broker.start)
        began, cpu = time.monotonic(), time.process_time()
        until = began + 3_600.0
        while self._confirmed() < self._service.events.newest and time.monotonic() < until:  # noqa: ASYNC110 - the same
            await asyncio.sleep(0.05)
        taken = self._confirmed() - confirmed
        spent = time.monotonic() - began
        print(
            f"away: {taken} events queued, memory +{(after - before) / 1e6:.1f} MB while queued, "
            f"peak +{(most - before) / 1e6:.1f} MB; then told at {taken / spent:.0f} a second, "
            f"at most {outbox.MOST_UNCONFIRMED} unconfirmed "
            f"({(time.process_time() - cpu) / taken * 1e3:.2f} ms of CPU each)"
        )
        self.found.seen["events queued in the long absence"] += taken

    def _confirmed(self) -> int:
        broker = self._service.health()["broker"]
        behind = broker["behind"] if isinstance(broker, dict) else 0
        return self._service.events.newest - int(behind)

    async def _heard_up_to(self, ear: Ear, newest: int) -> None:
        until = time.monotonic() + 120.0
        while time.monotonic() < until:
            ours = next((m for m in reversed(ear.heard) if m.topic == f"{PREFIX}/events"), None)
            if ours is not None and json.loads(ours.payload)["sequence"] >= newest:
                return
            await asyncio.sleep(0.1)


def flap(outages: int, away: int, seed: int, timeout_s: float = 1.0) -> Findings:
    """Run the campaign in a folder of its own.

    Args:
        outages: How often the broker is taken away.
        away: Events told in the long absence.
        seed: Of the outages.
        timeout_s: How long the service waits for a confirmation; 10 s in use, shorter here so
            that a frozen broker is noticed within the campaign's outages.
    """
    usual, outbox._TIMEOUT_S = outbox._TIMEOUT_S, timeout_s  # noqa: SLF001 - said above
    try:
        with tempfile.TemporaryDirectory(prefix="holdwatch-flaps-") as folder:
            return asyncio.run(Flapping(Path(folder), seed).run(outages, away))
    finally:
        outbox._TIMEOUT_S = usual  # noqa: SLF001 - the same


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--outages", type=int, default=60)
    parser.add_argument("--away", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = flap(options.outages, options.away, options.seed)
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
