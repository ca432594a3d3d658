"""A month of one shop with twelve bays, through the real service, in minutes.

Run: ``python -m benchmarks run shop_month [--days 30] [--holds 1] [--trace]``.
On each working day every bay holds once or more, idle probes send every minute, the broker is away
for a while, screens come and go, probes fall silent. It prints a line a day: memory,
files, tasks, threads, bytes of log, events, size of the store; in the end the verdicts against the
truth. Exit status 1 where a verdict was wrong or something has grown that should not.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import logging
import os
import sys
import tempfile
import threading
import time
import tracemalloc
from contextlib import aclosing
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Final

from fault_audit import Findings, check_numbers, report
from fault_broker import Broker
from fault_shop import (
    LEAKS_PA_PER_S,
    ROOM,
    STEP_NS,
    Filling,
    Place,
    World,
    WorldClock,
    places,
    room_pa,
    shop_table,
    values,
)

from holdwatch_daemon.messages import AcknowledgeAlarm, SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import answers
from holdwatch_physics.reading import Channel, ProbeNotice, Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

DAY_S: Final = 86_400
IDLE_S: Final = 60
_HOLD_HOURS: Final = (9, 13, 17)
_BROKER_AWAY_H: Final = (11, 12)
_SILENT_S: Final = 900
_WAITING: Final = 100
"""Readings that may wait in the service before time goes on."""


@dataclass(frozen=True, slots=True)
class Day:
    """What was counted at the end of a day."""

    day: int
    rss_mb: float
    objects: int
    traced_mb: float
    files: int
    tasks: int
    threads: int
    log_kb: float
    events: int
    store_mb: float
    verdicts: int
    cpu_s: float

    def line(self) -> str:
        """The day as a line of a table."""
        return (
            f"day {self.day:2}  rss {self.rss_mb:6.1f} MB  objects {self.objects:7}  "
            f"traced {self.traced_mb:5.1f} MB  files {self.files:3}  tasks {self.tasks:3}  "
            f"threads {self.threads:2}  log {self.log_kb:6.1f} kB  events {self.events:6}  "
            f"store {self.store_mb:7.1f} MB  verdicts {self.verdicts:4}  cpu {self.cpu_s:6.0f} s"
        )


class _LogBytes(logging.Handler):
    """Counts what would be written to a log, and keeps errors."""

    def __init__(self) -> None:
        super().__init__(logging.INFO)
        self.bytes = 0
        self.errors: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.bytes += len(self.format(record)) + 40  # time, level and name before it
        if record.name == "holdwatch_daemon.health.loop_watch":
            return  # a busy machine does that to any process; it is told, and no error
        if record.levelno >= logging.ERROR:
            self.errors.append(record.getMessage())


class Month:
    """The shop's month: probes, people and mishaps, driven by one round over simulated time.

    Args:
        folder: For store and broker.
        bays: How many.
        seed: Of noise and mishaps.
        holds: How many in each bay on a working day, at most three.
    """

    name = "month"

    def __init__(self, folder: Path, bays: int, seed: int, holds: int) -> None:
        self.found = Findings()
        self.days: list[Day] = []
        self._bays = places(bays)
        self._world = World(folder / "world", bays)
        self._clock = WorldClock(self._world, 1.0)
        self._broker = Broker(folder)
        self._broker.start()
        table = shop_table(folder / "data", self._bays, self._broker.port)
        for probe in table["probe"]:
            probe["stale_s"] = 3.0 * IDLE_S
        self._config = parse_config(table)
        self._seed = seed
        self._hours = _HOLD_HOURS[:holds]
        self._chance = Random(seed)  # noqa: S311 - a benchmark repeats itself
        self._truth: dict[str, str] = {}
        self._filled: dict[int, Filling] = {}
        self._silent_until: dict[str, int] = {}
        self._log = _LogBytes()
        self._commands = 0
        self._begun = asyncio.Event()
        self._over = asyncio.Event()

    async def run(self, days: int) -> Findings:
        """Run so many days and compare verdicts with the truth."""
        self._last_s = days * DAY_S
        root = logging.getLogger()
        root.addHandler(self._log)
        root.setLevel(logging.INFO)
        try:
            async with Service(self._config, self._clock, [self], simulated=True) as service:
                self._service = service
                self._begun.set()
                await self._over.wait()
        finally:
            root.removeHandler(self._log)
            self._broker.stop()
        self._audit()
        return self.found

    # -- the probes ---------------------------------------------------------------------------

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        await self._begun.wait()
        second = 0
        while second < self._last_s:
            second += 1 if self._is_busy(second) else IDLE_S - second % IDLE_S
            self._world.now_ns = second * STEP_NS
            for item in self._due(second):
                yield item
            while len(self._service._inbox) > _WAITING:  # noqa: SLF001, ASYNC110 - time must not run ahead
                await asyncio.sleep(0)
            await self._people(second)
        await asyncio.sleep(1.0)
        self._over.set()

    def _is_busy(self, second: int) -> bool:
        """Whether somebody holds, or is about to fill or start."""
        soon = any(0 <= second % DAY_S - hour * 3_600 < 90 for hour in self._hours)
        return soon or any(bay.runner is not None for bay in self._service.bays.values())

    def _due(self, second: int) -> Iterator[Reading | ProbeNotice]:
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        is_whole = second % IDLE_S == 0
        any_hold = False
        for number, place in enumerate(self._bays):
            holds = self._service.bays[place.name].runner is not None
            any_hold = any_hold or holds
            if not (holds or is_whole) or self._silent_until.get(place.name, 0) > second:
                continue
            for channel, quantity, value in self._values(number, place, second):
                yield Reading(channel, quantity, utc_ns, mono_ns, value, Quality.GOOD)
        if any_hold or is_whole:
            room = room_pa(self._seed, second * STEP_NS)
            yield Reading(ROOM, Quantity.PRESSURE_ABSOLUTE, utc_ns, mono_ns, room, Quality.GOOD)
        if second % 21_600 == 0:
            for place in self._bays:
                probe = Channel.parse(place.clamp).probe
                yield ProbeNotice(probe, "battery", utc_ns, mono_ns, value=80.0 - second / 1e6)

    def _values(
        self, number: int, place: Place, second: int
    ) -> Iterator[tuple[str, Quantity, float]]:
        filling = self._filled.get(number)
        if filling is not None:
            yield from values(self._seed, place, filling, second * STEP_NS)
            return
        for channel, quantity, value in values(self._seed, place, (0, 0, 0.0), second * STEP_NS):
            # Nothing is connected: the room's pressure, and a vacuum gauge above its range.
            is_pressure = quantity is not Quantity.TEMPERATURE
            idle = 2_500.0 if quantity is Quantity.PRESSURE_ABSOLUTE else second % 3 * 100.0
            yield channel, quantity, idle if is_pressure else value

    # -- the people and the mishaps -------------------------------------------------------------

    async def _people(self, second: int) -> None:
        day, of_day = divmod(second, DAY_S)
        is_working = day % 7 < 5
        for hour in self._hours if is_working else ():
            if of_day == hour * 3_600 + 30:
                self._fill()
            elif of_day == hour * 3_600 + 60:
                await self._start_all(second)
        for number, place in enumerate(self._bays):
            bay = self._service.bays[place.name]
            if number in self._filled and of_day % 3_600 > 120 and bay.runner is None:
                del self._filled[number]
        if of_day % 3_600 == 0:
            await self._hour(of_day // 3_600, second)
        if of_day == 0:
            await self._end_day(day)

    def _fill(self) -> None:
        for number, place in enumerate(self._bays):
            leak = self._chance.choice(LEAKS_PA_PER_S[place.recipe])
            self._filled[number] = (self._world.now_ns, self._commands + number + 1, leak)

    async def _start_all(self, second: int) -> None:
        for number, place in enumerate(self._bays):
            self._commands += 1
            start = StartHold(command="start_hold", id=f"s{self._commands}", recipe=place.recipe)
            reply = await self._service.command(place.name, start, by="benchmark")
            if reply.hold_id is None:
                self.found.seen[f"refused: {reply.text[:60]}"] += 1
                del self._filled[number]
                continue
            said = SayIsolated(command="say_isolated", id=f"i{self._commands}")
            await self._service.command(place.name, said, by="benchmark")
            self._truth[reply.hold_id] = "pass" if self._filled[number][2] == 0.0 else "fail"
        if self._chance.random() < 0.3:
            place = self._chance.choice(self._bays)
            self._silent_until[place.name] = second + 300 + _SILENT_S
            self.found.seen["probes silent in a hold"] += 1

    async def _hour(self, hour: int, _: int) -> None:
        if hour == _BROKER_AWAY_H[0]:
            await asyncio.to_thread(self._broker.stop)
        elif hour == _BROKER_AWAY_H[1]:
            await asyncio.to_thread(self._broker.start)
        for _ in range(4):  # screens that come and go
            async with aclosing(self._service.feed.follow()) as changes:
                async for _frames in changes:
                    break
            async with aclosing(self._service.events.subscribe(0)) as events:
                async for _event in events:
                    break
        for name, bay in self._service.bays.items():
            for alarm in bay.alarms.standing():
                self._commands += 1
                known = AcknowledgeAlarm(
                    command="acknowledge_alarm", id=f"a{self._commands}", alarm=alarm.id
                )
                await self._service.command(name, known, by="benchmark")

    async def _end_day(self, day: int) -> None:
        await asyncio.sleep(0.3)
        gc.collect()
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])  # noqa: ASYNC240 - a file of the kernel's
        database = self._config.database
        size = sum(file.stat().st_size for file in database.parent.glob(database.name + "*"))
        traced = tracemalloc.get_traced_memory()[0] if tracemalloc.is_tracing() else 0
        counted = Day(
            day=day,
            rss_mb=pages * os.sysconf("SC_PAGE_SIZE") / 1e6,
            objects=len(gc.get_objects()),
            traced_mb=traced / 1e6,
            files=len(os.listdir("/proc/self/fd")),  # noqa: PTH208 - names are not needed
            tasks=len(asyncio.all_tasks()),
            threads=threading.active_count(),
            log_kb=self._log.bytes / 1e3,
            events=self._service.events.newest,
            store_mb=size / 1e6,
            verdicts=len(self._truth),
            cpu_s=time.process_time(),
        )
        self.days.append(counted)
        print(counted.line(), flush=True)

    # -- the audit ------------------------------------------------------------------------------

    def _audit(self) -> None:
        found = self.found
        found.fault("errors in the log", str(self._log.errors[:2]), len(self._log.errors))
        connection = answers.connect(self._config.database)
        check_numbers(connection, found)
        for hold, truth in self._truth.items():
            verdict = answers.verdict(connection, hold)
            outcome = "none" if verdict is None else verdict["outcome"]
            found.seen[f"holds: truth {truth}, verdict {outcome}"] += 1
            if outcome not in {truth, "inconclusive"}:
                found.fault("wrong verdicts", f"{hold}: {outcome}, truth {truth}")
        connection.close()
        self._growth()

    def _growth(self) -> None:
        """Nothing that lives may grow from the first full week to the last."""
        if len(self.days) < 14:
            return
        first, last = self.days[6], self.days[-1]
        for what, most in (("files", 4), ("tasks", 4), ("threads", 2), ("objects", 20_000)):
            grown = getattr(last, what) - getattr(first, what)
            if grown > most:
                self.found.fault("grown", f"{what} by {grown}")
        if last.rss_mb - first.rss_mb > 30.0:
            self.found.fault("grown", f"memory by {last.rss_mb - first.rss_mb:.0f} MB")


async def _month(days: int, bays: int, seed: int, holds: int) -> Findings:
    with tempfile.TemporaryDirectory(prefix="holdwatch-month-") as folder:
        return await Month(Path(folder), bays, seed, holds).run(days)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--bays", type=int, default=12)
    parser.add_argument("--holds", type=int, default=1, choices=(1, 2, 3), help="a day and bay")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--trace", action="store_true", help="trace memory; two to three times slower"
    )
    options = parser.parse_args()
    if options.trace:
        tracemalloc.start()
    found = asyncio.run(_month(options.days, options.bays, options.seed, options.holds))
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
