"""How long the record of a month takes to answer: 8 channels at 1 Hz, 20.7 million readings.

python -m benchmarks run history_month [--days 30] [--channels 8] [--keep FILE]

The readings are written by one SQL statement a channel; the tiers are rolled by the product's own
code. Then a real service over that file is asked over HTTP. Printed: rows and size of the file, how
long the rolling took, and for each span the milliseconds of the query alone and of the whole
answer, the median of five.
"""

from __future__ import annotations

import argparse
import asyncio
import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import httpx

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import answers, history
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import Roller
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    import sqlite3

START_S = 1_790_000_000 // 3600 * 3600
POINTS = 1500
ROUNDS = 5
# A slow wave, a daily one, and noise that is different in every second.
FILL = """
WITH RECURSIVE second(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM second WHERE n + 1 < ?2)
INSERT INTO readings (channel_id, boot_id, mono_ns, utc_ns, value, quality, flag)
SELECT ?1, 1, (5000 + n) * 1000000000 + ?1, (?3 + n) * 1000000000 + ?1,
       1.5e6 + 2000.0 * sin(n / 13750.0) + (n * 7919 % 1009) * 0.3, 'good', NULL FROM second
"""


def filled(path: Path, days: float, channels: int) -> float:
    """Write the readings; return the seconds it took."""
    opened = open_database(path, rfc3339(START_S * 10**9))
    connection = opened.connection
    connection.execute("PRAGMA synchronous=OFF")
    connection.execute("INSERT INTO boots VALUES (1, 'month', ?, 0)", [rfc3339(START_S * 10**9)])
    began = time.perf_counter()
    for number in range(1, channels + 1):
        probe = f"gauge-{number}"
        connection.execute(
            "INSERT INTO channels VALUES (?, ?, ?, 'pressure_absolute', 'Pa')",
            (number, f"{probe}/pressure", probe),
        )
        connection.execute(FILL, (number, round(days * 86400), START_S))
    took = time.perf_counter() - began
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    opened.lock.release()
    return took


def rolled(path: Path) -> tuple[int, float, float]:
    """Roll step by step as the service does; return the steps, seconds, and the longest step."""
    opened = open_database(path, rfc3339(START_S * 10**9))
    roller = Roller(Ids("other", simulated=False), "other")
    steps, longest, began = 0, 0.0, time.perf_counter()
    while True:
        step = time.perf_counter()
        opened.connection.execute("BEGIN IMMEDIATE")
        done = roller.step(opened.connection, 0)
        opened.connection.execute("COMMIT")
        longest = max(longest, time.perf_counter() - step)
        if not done:
            break
        steps += 1
    took = time.perf_counter() - began
    opened.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    opened.connection.close()
    opened.lock.release()
    return steps, took, longest


def query_ms(connection: sqlite3.Connection, first_s: float, last_s: float) -> tuple[float, float]:
    """Return the median milliseconds of a query, by the wall's clock and of the thread's own."""
    times = []
    own = time.thread_time()
    for _ in range(ROUNDS):
        began = time.perf_counter()
        asked = history.channels(connection)
        history.history(connection, asked, round(first_s * 1e9), round(last_s * 1e9), POINTS)
        times.append(time.perf_counter() - began)
    return statistics.median(times) * 1e3, (time.thread_time() - own) / ROUNDS * 1e3


async def answers_of(path: Path, spans: dict[str, tuple[float, float]]) -> None:
    table = {"site": {"name": "garage", "data": str(path.parent), "altitude_m": 250.0}}
    connection = answers.connect(path)
    async with (
        Service(parse_config(table), SystemClock(), []) as service,
        serve(create_app(service), port=0) as serving,
        httpx.AsyncClient(base_url=serving.url, timeout=60) as client,
    ):
        for name, (first, last) in spans.items():
            query = {
                "from": rfc3339(round(first) * 10**9),
                "to": rfc3339(round(last) * 10**9),
                "points": str(POINTS),
            }
            times, size, body = [], 0, {}
            for _ in range(ROUNDS):
                began = time.perf_counter()
                answer = await client.get("/api/v1/history", params=query)
                times.append(time.perf_counter() - began)
                answer.raise_for_status()
                size, body = len(answer.content), answer.json()
            points = max(len(each["t_s"]) for each in body["series"])
            wall_ms, own_ms = await asyncio.to_thread(query_ms, connection, first, last)
            print(
                f"{name:>8}: width {body['width_s']:5d} s, {points:5d} points a channel,"
                f" query {wall_ms:6.1f} ms ({own_ms:.1f} of them its own work),"
                f" HTTP {statistics.median(times) * 1e3:6.1f} ms, {size / 1e3:.0f} kB"
            )
    connection.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--channels", type=int, default=8)
    parser.add_argument("--keep", type=Path, help="a folder for the file, which stays")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        path = folder / "holdwatch.db"
        if not path.exists():
            took = filled(path, given.days, given.channels)
            before = path.stat().st_size
            print(f"filled in {took:.0f} s, {before / 1e6:.0f} MB")
            steps, took, longest = rolled(path)
            print(f"rolled in {took:.0f} s, {steps} steps, the longest {longest * 1e3:.0f} ms")
        connection = answers.connect(path)
        (rows,) = connection.execute("SELECT COUNT(*) FROM readings").fetchone()
        tiers = connection.execute(
            "SELECT width_s, COUNT(*) FROM tiers GROUP BY width_s ORDER BY width_s"
        ).fetchall()
        connection.close()
        counts = ", ".join(f"{row[1]:,} of {row[0]} s" for row in tiers)
        print(f"{rows:,} readings; tiers: {counts}; {path.stat().st_size / 1e6:.0f} MB")
        end = START_S + given.days * 86400
        middle = START_S + given.days * 43200
        spans = {
            "all": (START_S, end),
            "a week": (middle, middle + 7 * 86400),
            "a day": (middle, middle + 86400),
            "an hour": (middle, middle + 3600),
            "15 min": (middle, middle + 900),
        }
        asyncio.run(answers_of(path, spans))


if __name__ == "__main__":
    main()
