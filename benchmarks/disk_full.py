"""A disk that fills up under a running service, for real: a small tmpfs, filled and emptied again.

sudo python -m benchmarks run disk_full [--megabytes 64]

Mounts a tmpfs (hence as root), puts four months of readings with a hold in it, and lets a service
record eight channels meanwhile: first until the oldest readings give way, then with every byte of
the file system taken until readings are dropped, then with the room given back. Printed: what was
sent, stored, waiting, dropped and thinned, and whether what must stay has stayed.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import answers, writer
from holdwatch_daemon.store import retention as keeping
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

CHANNELS = 8
DAY_S = 86_400
NOW_S = 1_790_000_000
OLD_S = NOW_S - 120 * DAY_S
OLD_READINGS = 400_000
EVERY_S = 25
CITED = (1_000, 5_000)
FILL = """
WITH RECURSIVE place(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM place WHERE n + 1 < ?1)
INSERT INTO readings SELECT 1, 1, n * ?2 * 1000000000, (?3 + n * ?2) * 1000000000,
                            1.5e6 + n % 97, 'good', NULL FROM place
"""


class Clock:
    """Time that the benchmark turns."""

    boot_id, simulated, speed = "full", False, 1.0
    now_ns = 10**12

    def utc_ns(self) -> int:
        return NOW_S * 10**9 + self.now_ns

    def mono_ns(self) -> int:
        return self.now_ns

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class Feed:
    """Eight gauges at 1 Hz, as fast as they are taken."""

    name = "feed"

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.sent = 0
        self.wanted = 0

    async def stream(self) -> AsyncIterator[Reading]:
        while True:
            while self.sent >= self.wanted:  # noqa: ASYNC110 - a benchmark may look now and then
                await asyncio.sleep(0.01)
            self.clock.now_ns += 10**9
            for number in range(CHANNELS):
                self.sent += 1
                yield Reading(
                    f"gauge-{number}/pressure",
                    Quantity.PRESSURE_GAUGE,
                    self.clock.utc_ns(),
                    self.clock.mono_ns(),
                    1.5e6 + self.sent % 13,
                    Quality.GOOD,
                )


def prepared(path: Path) -> None:
    opened = open_database(path, rfc3339(OLD_S * 10**9))
    connection = opened.connection
    connection.execute("INSERT INTO boots VALUES (1, 'old', 'then', 0)")
    connection.execute("INSERT INTO channels VALUES (1, 'old/p', 'old', 'pressure_gauge', 'Pag')")
    connection.execute(FILL, (OLD_READINGS, EVERY_S, OLD_S))
    connection.execute(
        "INSERT INTO holds (id, bay, procedure, recipe_toml, started, started_utc_ns, ended,"
        " end_t_ns, outcome, sentence, version) VALUES ('old-hold', 'bay-1', 'pressure-decay',"
        " '', 'then', 0, 'later', ?, 'pass', 'Pass.', '0')",
        ((CITED[1] - CITED[0]) * EVERY_S * 10**9,),
    )
    connection.execute("INSERT INTO hold_channels VALUES ('old-hold', 'low_side', 'old/p')")
    start = CITED[0] * EVERY_S * 10**9
    connection.execute("INSERT INTO hold_segments VALUES ('old-hold', 1, ?, ?)", (start, start))
    roll_all(connection, Ids("other", simulated=False))
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    opened.lock.release()


def free_kb(folder: Path) -> int:
    found = os.statvfs(folder)
    return found.f_bavail * found.f_frsize // 1000


def take_room(folder: Path, leave_kb: int) -> None:
    with (folder / "other-program").open("ab") as file:
        file.write(bytes(max(free_kb(folder) - leave_kb, 0) * 1000))


async def go(folder: Path) -> None:
    keeping.LOOK_EVERY_S = 0.1
    writer.RETRY_S = 0.1
    probes = [
        {"name": f"gauge-{n}", "address": f"02:00:00:00:00:{n + 1:02x}", "profile": "ess"}
        for n in range(CHANNELS)
    ]
    table = {
        "site": {"name": "garage", "data": str(folder), "altitude_m": 250.0},
        "keeping": {"low_disk_mb": 2, "least_days": 1},
        "probe": probes,
        "bay": [{"name": "bay-1", "roles": {"low_side": "gauge-0/pressure"}}],
    }
    clock = Clock()
    feed = Feed(clock)
    async with Service(parse_config(table), clock, [feed]) as service:
        state = service._writer.state  # noqa: SLF001 - what the benchmark is about

        async def send(count: int, until: str) -> None:
            feed.wanted = feed.sent + count
            while feed.sent < feed.wanted or (  # noqa: ASYNC110 - as above
                until == "stored" and state.pending_rows
            ):
                await asyncio.sleep(0.05)
            await asyncio.sleep(0.5)
            alarms = {alarm.kind for alarm in service.bay_state("bay-1").alarms}
            print(
                f"  sent {feed.sent}, stored {state.written_rows}, waiting {state.pending_rows},"
                f" dropped {state.dropped_rows}, free {free_kb(folder)} kB,"
                f" failing: {state.failing}, alarms: {', '.join(sorted(alarms)) or 'none'}"
            )

        print("1. room enough")
        await send(20_000, "stored")
        print("2. another program takes all but 1 MB: the oldest readings give way")
        take_room(folder, 1_000)
        await send(160_000, "stored")
        print("3. it takes every byte that the reserve and the log leave, again and again")
        await asyncio.sleep(0.5)
        connection = answers.connect(folder / "holdwatch.db")
        take_room(folder, 0)
        # The rule is switched off, as where nothing may give way any more.
        service._writer.relieve = None  # noqa: SLF001
        kept = service._recorder._keeper._disk  # type: ignore[union-attr]  # noqa: SLF001
        kept.keeping = kept.keeping.model_copy(update={"thin_when_low": False})
        feed.wanted = feed.sent + 10**7
        while not state.dropped_rows:
            take_room(folder, 0)
            await asyncio.sleep(0.05)
        await send(4_000, "sent")
        print("4. the room is given back: no restart")
        (folder / "other-program").unlink()
        await send(8_000, "stored")
        while state.dropped_rows and not any(  # noqa: ASYNC110 - as above
            event.type == "holdwatch.store.dropped"
            for event in await service.store.events_after(0, 10_000)
        ):
            await asyncio.sleep(0.1)
        tell(connection, feed.sent, state.dropped_rows)
        connection.close()


def tell(connection: object, sent: int, dropped: int) -> None:
    ask = connection.execute  # type: ignore[attr-defined]
    (new,) = ask("SELECT COUNT(*) FROM readings WHERE boot_id <> 1").fetchone()
    (old,) = ask("SELECT COUNT(*) FROM readings WHERE boot_id = 1").fetchone()
    (cited,) = ask("SELECT COUNT(*) FROM hold_readings WHERE hold_id = 'old-hold'").fetchone()
    (summed,) = ask(
        "SELECT SUM(count) FROM tiers WHERE width_s = 600 AND channel_id = 1"
    ).fetchone()
    numbers = [row[0] for row in ask("SELECT sequence FROM events ORDER BY sequence")]
    thinned = ask(
        "SELECT SUM(json_extract(body, '$.data.readings')) FROM events"
        " WHERE type = 'holdwatch.store.thinned'"
    ).fetchone()[0]
    gone = OLD_READINGS - old
    print(f"new readings: sent {sent} = stored {new} + dropped {dropped}: {sent == new + dropped}")
    print(f"old readings: {old} left, {gone} gave way, {thinned} told: {thinned == gone}")
    print(f"cited readings: {cited} of {CITED[1] - CITED[0] + 1}")
    print(f"summaries count {summed} of {OLD_READINGS} old readings")
    print(f"events: {len(numbers)}, without a gap: {numbers == list(range(1, len(numbers) + 1))}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--megabytes", type=int, default=64)
    given = parser.parse_args()
    if os.geteuid() != 0:
        sys.exit("mounting a tmpfs needs the superuser: run it with sudo")
    with tempfile.TemporaryDirectory() as scratch:
        size = f"size={given.megabytes}m"
        subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", scratch], check=True)
        try:
            prepared(Path(scratch) / "holdwatch.db")
            asyncio.run(go(Path(scratch)))
        finally:
            subprocess.run(["umount", "-l", scratch], check=True)


if __name__ == "__main__":
    main()
