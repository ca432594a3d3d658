"""Watches the disk under the database: its room, a reserve for hard times, and its pace."""

from __future__ import annotations

import contextlib
import logging
import shutil
import sqlite3
import time
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.thinning import Limits, Recent, Thinner, oldest_free_ns
from holdwatch_procedures.wording import Say, render

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.settings.shop import KeepingConfig
    from holdwatch_daemon.store.bay import RecordedBay
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.trusted_time import TrustedTime
    from holdwatch_daemon.store.writer import Pace


log = logging.getLogger(__name__)

RESERVE_BYTES: Final = 8 * 2**20
"""A file of this size is given up when the disk is full: deleting takes room too."""
DAY_NS: Final = 86_400 * 10**9
_MOST_STEPS: Final = 10


class Disk:
    """The disk under a database.

    Args:
        database: The SQLite file.
        keeping: The policy.
        clock: The one that stamps readings.
        time: The time to delete by.
    """

    def __init__(
        self, database: Path, keeping: KeepingConfig, clock: ServiceClock, time: TrustedTime
    ) -> None:
        self.keeping = keeping
        self.time = time
        self._database = database
        self._reserve = database.with_name(database.name + ".reserve")
        self._clock = clock

    def free_bytes(self) -> int | None:
        """Return what the file system has free; None where it does not say."""
        try:
            return shutil.disk_usage(self._database.parent).free
        except OSError:
            return None

    def make_reserve(self) -> None:
        """Make the reserve where it is missing and there is room for it."""
        free = self.free_bytes()
        low = self.keeping.low_disk_mb * 1e6
        if free is None or self._reserve.exists() or free < low + 2 * RESERVE_BYTES:
            return
        with contextlib.suppress(OSError):
            # Zeros that are written, not a hole: the room must be there.
            self._reserve.write_bytes(bytes(RESERVE_BYTES))

    def give_reserve(self) -> bool:
        """Give the reserve up; return whether there was one."""
        try:
            self._reserve.unlink()
        except OSError:
            return False
        return True

    def relieve(self, connection: sqlite3.Connection) -> bool:
        """Make room for a writer whose transaction the full disk refused.

        Called in the writer's thread, outside of a transaction.

        Returns:
            Whether another try is worth it at once.
        """
        gave = self.give_reserve()
        if gave:
            log.warning("disk full: the reserve of %d MB is given up", RESERVE_BYTES >> 20)
        return self._thin(connection) or gave

    def recent(self) -> Recent:
        """Return which readings are younger than ``least_days``, whatever the wall clock says."""
        least_ns = round(self.keeping.least_days * DAY_NS)
        return Recent(self._clock.boot_id, self._clock.mono_ns() - least_ns)

    def limits_when_low(self, connection: sqlite3.Connection) -> Limits | None:
        """Return what gives way next: the oldest day of what may; None where nothing may."""
        if not self.keeping.thin_when_low:
            return None
        floor_ns = self.time.utc_ns() - round(self.keeping.least_days * DAY_NS)
        recent = self.recent()
        oldest = oldest_free_ns(connection, recent)
        if oldest is None or oldest >= floor_ns:
            return None
        return Limits(min(oldest + DAY_NS, floor_ns), recent=recent)

    def _thin(self, connection: sqlite3.Connection) -> bool:
        """Thin a bounded piece; return whether anything went."""
        thinner: Thinner | None = None
        try:
            limits = self.limits_when_low(connection)
            if limits is None:
                return False
            thinner = Thinner(limits)
            for _ in range(_MOST_STEPS):
                connection.execute("BEGIN IMMEDIATE")
                more = thinner.step(connection)
                connection.execute("COMMIT")
                if not more or thinner.done.readings:
                    break
        except sqlite3.Error as error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            log.debug("nothing could be thinned: %s", error)
            return False
        return thinner.done.readings > 0


def reusable_bytes(connection: sqlite3.Connection) -> int:
    """Return how much room a database has inside itself, from what was deleted."""
    (pages,) = connection.execute("PRAGMA freelist_count").fetchone()
    (size,) = connection.execute("PRAGMA page_size").fetchone()
    return int(pages) * int(size)


LOOK_EVERY_S: Final = 1.0
"""Pause between two looks, s."""
DISK_SLOW: Final = "disk_slow"
"""The alarm's kind."""


class PaceWatch:
    """Watches the pace of a disk.

    A slow disk is one event; one that stands still is an alarm in every bay too, which shows on
    the screens at once: the events themselves wait for the disk.

    Args:
        pace: Of the recorder's disk.
        events: Where it is told.
        clock: The one that stamps readings.
        bays: Where the alarm is raised.
    """

    def __init__(
        self, pace: Pace, events: EventLog, clock: ServiceClock, bays: Iterable[RecordedBay]
    ) -> None:
        self._pace = pace
        self._events = events
        self._clock = clock
        self._bays = tuple(bays)
        self._since: float | None = None
        self._before = pace.slow

    async def look(self) -> float:
        """Look once; return the pause until the next look, s."""
        pace, now = self._pace, time.monotonic()
        if pace.stands(now):
            self._alarm(pace.waited_s(now))
        is_slow = pace.is_slow(now)
        if is_slow and self._since is None:
            self._since = now
            took_s = max(pace.waited_s(now), pace.worst_s)
            text = (
                f"The recorder's disk is slow: a write has taken {took_s:.1f} s. Holds go on and "
                "readings wait in memory; answers and events come late."
            )
            self._tell(Draft("holdwatch.store.slow", self._clock.utc_ns(), _data(text, took_s)))
        elif not is_slow:
            self._settle(now)
        return LOOK_EVERY_S

    def _alarm(self, waited_s: float) -> None:
        what = Say("alarm.disk_stands_still", waited_s=waited_s)
        for bay in self._bays:
            if bay.alarms.raise_(DISK_SLOW, what, self._clock.utc_ns()):
                log.warning("bay %s alarm %s: %s", bay.name, DISK_SLOW, render(what))

    def _settle(self, now: float) -> None:
        """Note that the disk keeps pace."""
        pace, utc_ns = self._pace, self._clock.utc_ns()
        for bay in self._bays:
            bay.alarms.cause_gone(DISK_SLOW, utc_ns)
        if self._since is None:
            return
        since, self._since = self._since, None
        # One that was over before it was seen counts too.
        late, self._before = pace.slow - self._before, pace.slow
        worst_s, pace.worst_s = pace.worst_s, 0.0
        text = (
            f"The recorder's disk keeps pace again. Slow writes within {(now - since) / 60:.0f} "
            f"min: {late}; the longest took {worst_s:.1f} s."
        )
        self._tell(Draft("holdwatch.store.steady", utc_ns, _data(text, worst_s)))

    def _tell(self, draft: Draft) -> None:
        log.warning("%s", draft.data["text"])
        self._events.tell(draft)


def _data(text: str, seconds: float) -> dict[str, object]:
    return {"seconds": round(seconds, 3), "text": text}
