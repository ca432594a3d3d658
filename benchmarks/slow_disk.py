"""A service on a slow disk: a sync takes seconds, a read takes long, or all stands still.

Run: ``python -m benchmarks run slow_disk [--only NAME ...] [--seed 1]``. It
needs gcc and Mosquitto. A process of the real service (SQLite, a real Mosquitto, the HTTP server,
signs of life to systemd, time-lapse probes) has a data folder whose every call waits. Meanwhile
people begin and extend holds, look at health, live values and history; in the end what they saw,
the store, and the verdicts are compared. Exit status 1 where anything was wrong.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fault_audit import Findings, check_numbers, compare_heard, compare_verdicts, report
from fault_broker import Broker
from fault_disk import Pace, SlowDisk
from fault_shop import (
    LEAKS_PA_PER_S,
    PREFIX,
    Filling,
    Place,
    Probes,
    World,
    WorldClock,
    places,
    shop_table,
)
from slow_disk_people import Asker, Manager, People, Screen, SignsOfLife, TimedEar

from holdwatch_cli.running import run_until_stopped
from holdwatch_cli.serve import _known_to_systemd, screen
from holdwatch_daemon.health.systemd import own_notifier
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import answers, writer
from holdwatch_physics.fluids import Fluids

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_physics.reading import ProbeNotice, Reading

SPEED: Final = 40.0
"""Simulated seconds a second."""
_WATCHDOG_S: Final = 20.0
"""As ``WatchdogSec``, but a third of what the shipped unit says, s."""
_PATIENCE_S: Final = 600.0
_STOP_S: Final = 200.0
_HEARD_S: Final = 30.0


AT_ONCE: Final = Pace()


@dataclass(frozen=True, slots=True)
class Case:
    """A disk.

    Attributes:
        name: Its row in the table.
        pace: How long each call takes.
        stalls: When it stands still and for how long, s since the first holds began.
        last_stall_s: Stands so long from the order to stop on, s.
        most_rows: Readings that memory has room for; the service's own number where None.
    """

    name: str
    pace: Pace = AT_ONCE
    stalls: tuple[tuple[float, float], ...] = ()
    last_stall_s: float = 0.0
    most_rows: int | None = None


CASES: Final = (
    Case("undisturbed"),
    Case("sync 0.2 s", Pace(sync_s=0.2)),
    Case("sync 1 s", Pace(sync_s=1.0)),
    Case("sync 5 s", Pace(sync_s=5.0)),
    Case("read 0.2 s", Pace(read_s=0.2)),
    Case("stalls of 60 s", stalls=((8.0, 60.0), (75.0, 60.0)), last_stall_s=12.0),
    Case("sync 1 s, read 0.1 s, stalls of 30 s", Pace(1.0, 0.01, 0.1), ((8.0, 30.0), (50.0, 30.0))),
    Case("stall of 60 s, memory for 3,000", stalls=((8.0, 60.0),), most_rows=3_000),
)


class Counted(Probes):
    """Probes that count what was taken from them."""

    sent = 0

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        async for item in super().stream():
            yield item
            self.sent += 1


def live(folder: Path, bays: tuple[Place, ...], port: int, seed: int, most_rows: int) -> None:
    """Be the service until SIGTERM; says on standard output where, and in the end what it sent."""
    logging.basicConfig(
        filename=folder / "log.txt", format="%(levelname)s %(name)s %(message)s", level="WARNING"
    )
    writer.MOST_PENDING_ROWS = most_rows or writer.MOST_PENDING_ROWS
    world = World(folder / "world", len(bays))
    clock = WorldClock(world, SPEED)
    shop = parse_config(shop_table(folder / "data", bays, port) | {"http": {"port": 0}})
    probes = Counted(world, clock, bays, seed)
    probes.sent = 0

    async def serve() -> None:
        notifier = own_notifier()
        service = Service(shop, clock, [probes], simulated=True, stall_s=0.5)
        async with service, screen(service, shop) as url:
            print(url, flush=True)
            async with _known_to_systemd(notifier, service, url):
                await asyncio.Event().wait()

    run_until_stopped(serve())
    print(probes.sent, flush=True)


@dataclass(slots=True)
class Run:
    """One shop on one disk.

    Attributes:
        case: The disk.
        seed: Of the noise.
        bays: The shop's.
        holds: How many are made in each bay, one after the other.
        folder: For its files.
        row: What was measured.
    """

    case: Case
    seed: int
    bays: tuple[Place, ...]
    holds: int
    folder: Path
    broker: Broker
    fluids: Fluids
    found: Findings = field(default_factory=Findings)
    row: dict[str, Any] = field(default_factory=dict)
    fillings: list[tuple[str, Filling]] = field(default_factory=list)

    def go(self) -> None:
        """Let the shop work on its disk, then look at what is left."""
        data = self.folder / "data"
        data.mkdir()
        world = World(self.folder / "world", len(self.bays))
        world.now_ns = 10**12
        disk = SlowDisk(data, self.folder)
        topics = (f"{PREFIX}/events", f"{PREFIX}/bay/+/events")
        ear = TimedEar(self.broker.port, world, SPEED, *topics)
        try:
            sent = self._first_life(world, disk, ear)
            sent += self._second_life(ear)
            self._audit(sent, ear)
        finally:
            ear.close()

    def _start(self, more: dict[str, str]) -> tuple[subprocess.Popen[str], str]:
        """Start the service; return its process and where it answers."""
        given = [str(self.folder), len(self.bays), self.broker.port, self.seed]
        process = subprocess.Popen(
            [sys.executable, __file__, "--live", json.dumps([*given, self.case.most_rows or 0])],
            env=os.environ | more,
            stdout=subprocess.PIPE,
            text=True,
        )
        if process.stdout is None:
            raise RuntimeError("the process has no output")
        return process, process.stdout.readline().strip()

    def _stop(self, process: subprocess.Popen[str]) -> int:
        """Ask a process to end; return how many readings it says its probes sent."""
        process.terminate()
        said = process.communicate(timeout=_STOP_S)[0]
        self.found.fault("ends that were not in order", said, abs(process.returncode))
        return int(said)

    def _first_life(self, world: World, disk: SlowDisk, ear: TimedEar) -> int:
        """Let the shop work on its disk."""
        signs = SignsOfLife(self.folder / "notify", _WATCHDOG_S)
        process, url = self._start(disk.environment() | signs.environment())
        row = self.row
        try:
            disk.go(self.case.pace)
            self._work(url, process.pid, world, disk, ear)
            signs.close()
            row["longest without a sign of life, s"] = signs.longest_s
            before = disk.calls()
            row["syncs, writes, reads"] = before.elsewhere
            row["loop's thread waited for the disk, s"] = before.main_s
            disk.stall(self.case.last_stall_s)
            began = time.monotonic()
            sent = self._stop(process)
            row["stopped within, s"] = time.monotonic() - began
            after = disk.calls()
            row["it waited while it stopped, s"] = after.main_s - before.main_s
            if after.main_s > before.main_s:
                row["for"] = after.main_path.rpartition("/")[2]
        finally:
            process.kill()
            signs.close()
        return sent

    def _second_life(self, ear: TimedEar) -> int:
        """Start once more, on a quick disk, until the last life's last events are out."""
        process, _ = self._start({})
        try:
            with contextlib.closing(answers.connect(self.folder / "data/holdwatch.db")) as store:
                newest = answers.newest_sequence(store)
            until = time.monotonic() + _HEARD_S
            while ear.newest < newest and time.monotonic() < until:
                time.sleep(0.05)
            sent = self._stop(process)
            time.sleep(1.0)
        finally:
            process.kill()
        return sent

    def _work(self, url: str, pid: int, world: World, disk: SlowDisk, ear: TimedEar) -> None:
        """Let people work until every hold has its verdict."""
        watchers = [Manager(url, pid), Screen(url), Asker(url)]
        ended = threading.Event()
        stalling = threading.Thread(target=self._stall, args=(disk, ended), daemon=True)
        people = [
            People(url, world, number, place, self._leaks(place), ear, self.fillings)
            for number, place in enumerate(self.bays)
        ]
        for each in (*watchers, *people):
            each.start()
        stalling.start()
        until = time.monotonic() + _PATIENCE_S
        for each in people:
            each.join(max(until - time.monotonic(), 0.0))
            self.found.fault("bays that did not end their holds", each.place.name, each.is_alive())
        time.sleep(2.0)
        ended.set()
        stalling.join()
        for watcher in watchers:
            watcher.end()
            self.row |= watcher.seen()
        commands = [each for person in people for each in person.answered_s]
        self.row |= {
            "commands": len(commands),
            "slowest command, s": max(commands, default=0.0),
            "told to ask again": sum(person.put_off for person in people),
        }

    def _leaks(self, place: Place) -> list[float]:
        tight, leaking = LEAKS_PA_PER_S[place.recipe]
        return [tight if n % 2 else leaking for n in range(self.holds)]

    def _stall(self, disk: SlowDisk, ended: threading.Event) -> None:
        began = time.monotonic()
        for at_s, long_s in self.case.stalls:
            if ended.wait(max(began + at_s - time.monotonic(), 0.0)):
                return
            disk.stall(long_s)

    def _audit(self, sent: int, ear: TimedEar) -> None:
        found, row = self.found, self.row
        log = (self.folder / "log.txt").read_text(encoding="utf-8")
        found.fault("errors in the log", log[-1500:], log.count("Traceback"))
        connection = answers.connect(self.folder / "data" / "holdwatch.db")
        with contextlib.closing(connection):
            (stored,) = connection.execute("SELECT COUNT(*) FROM readings").fetchone()
            (dropped,) = connection.execute(
                "SELECT COALESCE(SUM(json_extract(body, '$.data.readings')), 0) FROM events"
                " WHERE type = 'holdwatch.store.dropped'"
            ).fetchone()
            check_numbers(connection, found)
            compare_heard(connection, ear.heard, found)
            compare_verdicts(connection, self.bays, self.seed, self.fillings, self.fluids, found)
            told = Counter(kind for (kind,) in connection.execute("SELECT type FROM events"))
        row |= {"readings": sent, "stored": stored, "told as dropped": dropped}
        # The one under way at the end of each life may be stored uncounted.
        found.fault("readings lost untold", f"{row}", int(not 0 <= stored + dropped - sent <= 2))
        row["verdicts"] = found.seen["verdicts"]
        row["as undisturbed"] = found.seen["verdicts as undisturbed"]
        row["latest verdict, s"] = max(ear.late_s, default=0.0)
        row["told of the disk"] = {
            kind: count for kind, count in told.items() if kind.startswith("holdwatch.store")
        } | {"alarms": told["holdwatch.alarm.raised"], "stalls": told["holdwatch.service.stalled"]}


def campaign(
    cases: tuple[Case, ...], seed: int, *, bays: int = 3, holds: int = 2
) -> tuple[Findings, dict[str, dict[str, Any]]]:
    """Let a fresh shop work on each disk; return what was wrong, and the rows by case."""
    found, rows = Findings(), {}
    fluids = Fluids.load()
    for case in cases:
        with tempfile.TemporaryDirectory(prefix="holdwatch-slow-") as scratch:
            broker = Broker(Path(scratch))
            broker.start()
            try:
                run = Run(case, seed, places(bays), holds, Path(scratch), broker, fluids)
                run.go()
            finally:
                broker.stop()
        found.add(run.found)
        rows[case.name] = run.row
        print(f"{case.name}: wrong: {dict(run.found.wrong) or 'nothing'}", flush=True)
        for key, value in run.row.items():
            print(f"  {key}: {round(value, 2) if isinstance(value, float) else value}", flush=True)
    return found, rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="*", help="names of disks; all where none is given")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--live", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.live:
        folder, bays, port, seed, most_rows = json.loads(options.live)
        live(Path(folder), places(bays), port, seed, most_rows)
        return 0
    cases = tuple(case for case in CASES if not options.only or case.name in options.only)
    found, _ = campaign(cases, options.seed)
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
