"""What a power cut may leave on the disk, made by hand hundreds of times, and opened again.

Run: ``python -m benchmarks run power_cut [--cases 400]``. A kill leaves whatever
was written; a power cut may lose what the disk had not confirmed, sector by sector and in any
order. The real recorder writes; its files are copied between transactions, and from two copies
the states in between are made: a log that ends anywhere, sectors of it that were lost or torn, a
checkpoint half done, a log half begun anew. Each must open sound, with every confirmed event.
"""

from __future__ import annotations

import argparse
import asyncio
import sqlite3
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Final

from fault_audit import Findings, check_numbers, report

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store.events import Draft, EventLog, append_event
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.queries import Queries
from holdwatch_daemon.store.rows import FlaggedReading, Ids
from holdwatch_daemon.store.writer import Writer
from holdwatch_physics.reading import Quantity, Reading

SECTOR: Final = 512
_UTC_NS: Final = 1_790_000_000 * 10**9
_NOW: Final = "2026-09-21T14:13:20Z"


@dataclass(frozen=True, slots=True)
class Shot:
    """Both files between two transactions, and how many events were confirmed by then."""

    database: bytes
    log: bytes
    events: int


def _shot(path: Path, events: int) -> Shot:
    return Shot(path.read_bytes(), path.with_name(path.name + "-wal").read_bytes(), events)


async def record(path: Path, seed: int) -> tuple[Shot, Shot, Shot, Shot]:
    """Let the recorder write; return the files early, later, after a checkpoint, and after more."""
    opened = open_database(path, _NOW)
    # Its checkpoints are made by hand here, so that the copies are of known moments.
    opened.connection.execute("PRAGMA wal_autocheckpoint=0")
    queries = Queries(path)
    writer = Writer(opened.connection, Ids("boot-1", simulated=False))
    log = EventLog(
        writer, queries, site="county-library", database_id="x", simulated=False, newest=0
    )
    chance, mono_ns = Random(seed), 0  # noqa: S311 - a campaign repeats itself

    async def write(count: int) -> int:
        nonlocal mono_ns
        for _ in range(count):
            batch = []
            for _ in range(chance.randrange(40)):
                mono_ns += 10**9
                value = 1.5e6 + chance.random()
                reading = Reading(
                    "a/pressure", Quantity.PRESSURE_GAUGE, _UTC_NS + mono_ns, mono_ns, value
                )
                batch.append(FlaggedReading(reading))
            if batch:
                writer.write_readings(batch)
            data = {"text": "x" * chance.randrange(2_000)}
            await log.tell(Draft("holdwatch.hold.noted", _UTC_NS, data, bay="BM-01"))
        return log.newest

    early = _shot(path, await write(12))
    later = _shot(path, await write(12))
    other = sqlite3.connect(path)
    moved = other.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
    if moved[1] != moved[2]:
        raise RuntimeError(f"the checkpoint was not whole: {moved}")
    moved_over = _shot(path, log.newest)
    other.close()
    more = _shot(path, await write(6))
    await writer.close()
    await queries.close()
    opened.lock.release()
    return early, later, moved_over, more


class Cuts:
    """Makes states that a cut may leave between two copies.

    Args:
        seed: Of what was lost.
        shots: As :func:`record` returns them.
    """

    def __init__(self, seed: int, shots: tuple[Shot, Shot, Shot, Shot]) -> None:
        self._chance = Random(seed)  # noqa: S311 - a campaign repeats itself
        self.early, self.later, self.moved, self.more = shots
        if not self.later.log.startswith(self.early.log) or self.more.log == self.later.log:
            raise RuntimeError("the log did not grow as this campaign needs")

    def log_ends_anywhere(self) -> Shot:
        """The newest transactions reached the disk up to some byte."""
        end = self._chance.randrange(len(self.early.log), len(self.later.log) + 1)
        return Shot(self.early.database, self.later.log[:end], self.early.events)

    def sectors_lost(self) -> Shot:
        """Of the newest transactions some sectors reached the disk; others hold old bytes."""
        first = len(self.early.log)
        tail = self._mix(bytes(len(self.later.log) - first), self.later.log[first:], first)
        return Shot(self.early.database, self.early.log + tail, self.early.events)

    def sectors_torn(self) -> Shot:
        """As before, and one sector holds noise."""
        cut = self.sectors_lost()
        log = bytearray(cut.log)
        place = self._chance.randrange(len(self.early.log), max(len(log), len(self.early.log) + 1))
        noise = self._chance.randbytes(SECTOR)[: max(len(log) - place, 0)]
        log[place : place + len(noise)] = noise
        return Shot(cut.database, bytes(log), cut.events)

    def checkpoint_half_done(self) -> Shot:
        """Pages on their way from the log into the database: any of their sectors."""
        old = self.later.database.ljust(len(self.moved.database), b"\0")
        database = self._mix(old, self.moved.database, 0)
        # The file's length reaches the disk when it likes.
        kept = max(len(self.later.database), self._chance.randrange(len(database) + 1))
        return Shot(database[:kept], self.later.log, self.later.events)

    def log_half_begun_anew(self) -> Shot:
        """After a checkpoint the log is written from its beginning again; its head is confirmed."""
        new, old = self.more.log, self.later.log
        size = max(len(new), len(old))
        rest = self._mix(old.ljust(size, b"\0")[32:], new.ljust(size, b"\0")[32:], 32)
        return Shot(self.moved.database, new[:32] + rest, self.later.events)

    def _mix(self, old: bytes, new: bytes, first: int) -> bytes:
        """Take each sector, as it lies on the disk, from the old or the new bytes."""
        mixed = bytearray(old)
        share = self._chance.random()
        begin = 0
        while begin < len(new):
            end = min(begin + SECTOR - (first + begin) % SECTOR, len(new))
            if self._chance.random() < share:
                mixed[begin:end] = new[begin:end]
            begin = end
        return bytes(mixed)


def reopen(shot: Shot, folder: Path, found: Findings, where: str) -> None:
    """Open such files as the service does, check them, and write on."""
    path = folder / "holdwatch.db"
    for file in folder.iterdir():
        file.unlink()
    path.write_bytes(shot.database)
    path.with_name("holdwatch.db-wal").write_bytes(shot.log)
    found.seen["files opened"] += 1
    try:
        opened = open_database(path, _NOW)
    except StoreError as error:
        found.fault("not opened", f"{where}: {error}")
        return
    connection = opened.connection
    try:
        said = connection.execute("PRAGMA integrity_check").fetchone()[0]
        if said != "ok":
            found.fault("unsound databases", f"{where}: {said}")
        check_numbers(connection, found)
        (count,) = connection.execute("SELECT COUNT(*) FROM events").fetchone()
        if count < shot.events:
            found.fault("confirmed events lost", where, shot.events - count)
        found.seen["events beyond the confirmed ones kept"] += count - shot.events
        connection.execute("BEGIN IMMEDIATE")
        draft = Draft("holdwatch.service.started", _UTC_NS)
        event = append_event(connection, draft, source="/holdwatch/county-library", id_head="x")
        connection.execute("COMMIT")
        if event.sequence != count + 1:
            found.fault("gaps in numbering", f"{where}: {event.sequence} after {count}")
    except sqlite3.Error as error:
        found.fault("unsound databases", f"{where}: {error}")
    finally:
        connection.close()
        opened.lock.release()


def campaign(cases: int, seed: int) -> Findings:
    """Make and open so many states."""
    found = Findings()
    with tempfile.TemporaryDirectory(prefix="holdwatch-power-") as name:
        folder = Path(name)
        (folder / "cut").mkdir()
        for number in range(0, cases, 50):
            path = folder / f"{number}.db"
            cuts = Cuts(seed + number, asyncio.run(record(path, seed + number)))
            ways = (
                cuts.log_ends_anywhere,
                cuts.sectors_lost,
                cuts.sectors_torn,
                cuts.checkpoint_half_done,
                cuts.log_half_begun_anew,
            )
            for n in range(min(50, cases - number)):
                way = ways[n % len(ways)]
                found.seen[f"cuts: {way.__name__.replace('_', ' ')}"] += 1
                reopen(way(), folder / "cut", found, way.__name__)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = campaign(options.cases, options.seed)
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
