"""What a chain's database costs: bytes an event and a reading, and processor time to land them.

``python -m benchmarks run fleet_size SHOP.db DSN``: takes the events of a shop's SQLite file (the
demo's will do), lands them under two hundred shops' names in an empty PostgreSQL database, once
more as a second consumer does, lands as many live readings, and prints what each takes. ``holdwatch
fleet`` does the landing.
"""

from __future__ import annotations

import json
import sys
import time
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg

from holdwatch_fleet.base import Base, Batch
from holdwatch_fleet.fill import events_in_store
from holdwatch_fleet.message import LiveReading, read_event

if TYPE_CHECKING:
    from collections.abc import Iterator

SHOPS = 200
TOGETHER = 500
READINGS = 100_000
SLOT_S = 10


def main() -> None:
    """Measure and print."""
    database, dsn = Path(sys.argv[1]), sys.argv[2]
    bodies = list(events_in_store(database, 0))
    by_type: dict[str, list[int]] = defaultdict(list)
    for body in bodies:
        by_type[json.loads(body)["type"]].append(len(body))
    for kind, sizes in sorted(by_type.items()):
        print(f"{kind:32} {len(sizes):5} of {sum(sizes) / len(sizes):6.0f} bytes")
    total = sum(len(body) for body in bodies)
    print(f"{len(bodies)} events, {total / len(bodies):.0f} bytes each")
    with Base(dsn) as base, psycopg.connect(dsn, autocommit=True) as asking:
        base.create()
        _measure(base, asking, "events", _events(bodies))
        _measure(base, asking, "events that have landed", _events(bodies))
        _measure(base, asking, "readings", _readings())


def _measure(
    base: Base, asking: psycopg.Connection, table: str, batches: Iterator[tuple[int, Batch]]
) -> None:
    wall, processor, rows = time.perf_counter(), 0.0, 0
    for count, batch in batches:
        before = time.process_time()
        base.land(batch)
        processor += time.process_time() - before
        rows += count
    wall = time.perf_counter() - wall
    size = 0
    names = ["events", "verdicts"] if table.startswith("events") else []
    if not names:
        found = asking.execute(
            "SELECT inhrelid::regclass::text FROM pg_inherits"
            " WHERE inhparent = 'holdwatch.readings'::regclass"
        )
        names = [row[0].removeprefix("holdwatch.") for row in found]
    for name in names:
        question = "SELECT pg_total_relation_size(%s::regclass)"
        (part,) = asking.execute(question, (f"holdwatch.{name}",)).fetchone() or (0,)
        size += part
    print(
        f"{table}: {rows} rows, {size / rows:.0f} bytes a row with indexes, "
        f"{1e6 * processor / rows:.0f} us of the consumer's processor a row, "
        f"{rows / wall:.0f} rows a second"
    )


def _events(bodies: list[bytes]) -> Iterator[tuple[int, Batch]]:
    site = json.loads(bodies[0])["source"].removeprefix("/holdwatch/")
    batch = Batch("mqtt")
    for number in range(SHOPS):
        for body in bodies:
            other = body.replace(site.encode(), f"shop-{number:04}".encode())
            batch.events.append(read_event(other, f"shop-{number:04}"))
            if len(batch) == TOGETHER:
                yield TOGETHER, batch
                batch = Batch("mqtt")
    yield len(batch), batch


def _readings() -> Iterator[tuple[int, Batch]]:
    zero = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=2)
    roles = ("low_side", "high_side", "pipe_temperature", "barometer")
    batch = Batch("mqtt")
    for number in range(READINGS):
        slot = zero + timedelta(seconds=SLOT_S * (number // (4 * SHOPS)))
        role = roles[number % 4]
        batch.readings.append(
            LiveReading(
                site=f"shop-{number // 4 % SHOPS:04}",
                bay="bay-1",
                role=role,
                slot=slot,
                time=slot + timedelta(seconds=3.217),
                channel=f"bay-1-{role}/pressure",
                quantity="pressure_gauge",
                value=1.5e6 + number,
                unit="Pa",
                quality="good",
                simulated=False,
            )
        )
        if len(batch) == TOGETHER:
            yield TOGETHER, batch
            batch = Batch("mqtt")


if __name__ == "__main__":
    main()
