"""Keeps the store in order while the service runs: rolled, thinned by rule, the disk watched."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import time
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.store import thinning
from holdwatch_daemon.store.disk import DAY_NS, PaceWatch, reusable_bytes
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.rolling import STEP_ROWS, Roller
from holdwatch_daemon.store.thinning import Limits, Thinner
from holdwatch_daemon.store.trusted_time import note_known
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.wording import Say, as_written, render

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable

    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.store.bay import RecordedBay
    from holdwatch_daemon.store.disk import Disk
    from holdwatch_daemon.store.events import EventLog, Telling
    from holdwatch_daemon.store.queries import Queries
    from holdwatch_daemon.store.rows import Ids
    from holdwatch_daemon.store.writer import Writer

log = logging.getLogger(__name__)

LOOK_EVERY_S = 10.0
"""Pause between looks for new readings and at the disk, s."""
THIN_EVERY_S = 3600.0
"""Pause between passes of the policy, s."""
REST_SHARE = 3.0
"""After a piece of work the writer is left alone for so many times as long."""
DISK = "disk"
CLOCK = "clock"
"""The alarms' kinds."""
_ENOUGH = 1.25
"""The alarm's cause is gone above so many times the threshold."""
_LAG_NS = 5_000_000_000
"""The newest readings are left for the next look: others of their time may still come, ns."""


class Keeper:
    """Keeps the store in order, a small piece at a time between the writer's other work.

    Args:
        writer: The recorder's writer, whose thread does each piece.
        events: Where what was done is told.
        store: Where it is looked up.
        ids: The store's numbers.
        clock: The one that stamps readings.
        disk: The disk under the database, with the policy.
        bays: Where alarms are raised.
    """

    def __init__(
        self,
        writer: Writer,
        events: EventLog,
        store: Queries,
        ids: Ids,
        clock: ServiceClock,
        disk: Disk,
        bays: Iterable[RecordedBay],
    ) -> None:
        self.roller = Roller(ids, clock.boot_id)
        self._writer = writer
        self._events = events
        self._store = store
        self._clock = clock
        self._disk = disk
        self._bays = tuple(bays)
        self._pass: Thinner | None = None
        self._pass_due = time.monotonic()
        self._low = False
        self._slowness = PaceWatch(writer.state.pace, events, clock, self._bays)
        self._dropped = 0

    async def run(self) -> None:
        """Work until cancelled."""
        # Apart: a piece of work waits as long as the disk refuses, and the alarm must not.
        async with asyncio.TaskGroup() as group:
            group.create_task(self._repeat(self._look_at_disk))
            group.create_task(self._repeat(self._slowness.look))
            group.create_task(self._repeat(self._look_at_clock))
            group.create_task(self._repeat(self._work))

    async def _repeat(self, look: Callable[[], Awaitable[float]]) -> None:
        failed = ""
        while True:
            try:
                pause = await look()
                failed = ""
            except (sqlite3.Error, OSError) as error:
                self.roller.undone()
                pause = LOOK_EVERY_S
                if str(error) != failed:
                    log.error("the store cannot be kept in order: %s", error)  # noqa: TRY400 - not ours
                failed = str(error)
            await asyncio.sleep(pause)

    async def _work(self) -> float:
        return min(await self._roll(), await self._thin())

    async def _timed(self, work: Callable[[sqlite3.Connection], Any]) -> tuple[Any, float]:
        """Do a piece of work in the writer's thread; return its result and how long to rest, s."""

        def run(connection: sqlite3.Connection) -> tuple[Any, float]:
            began = time.perf_counter()
            result = work(connection)
            return result, (time.perf_counter() - began) * REST_SHARE

        # While the disk refuses, nothing is handed in: it would wait, and not in vain.
        if self._writer.state.failing is not None:
            return None, LOOK_EVERY_S
        # What a power cut undoes is done again.
        return await self._writer.transact(run, durable=False)

    async def _roll(self) -> float:
        upto_ns = self._clock.mono_ns() - _LAG_NS
        done, rest_s = await self._timed(lambda c: self.roller.step(c, upto_ns))
        return rest_s if done and done >= STEP_ROWS else LOOK_EVERY_S

    # -- thinning ---------------------------------------------------------------------------

    async def _thin(self) -> float:
        if self._pass is None:
            limits = await self._limits()
            if limits is None:
                # The writer itself may have made room.
                if not (await self._store.ask(thinning.to_tell)).is_nothing:
                    await self._tell_thinned()
                return LOOK_EVERY_S
            self._pass = Thinner(limits)
        more, rest_s = await self._timed(self._pass.step)
        if more is None:
            self._pass = None  # the disk refuses; another look decides anew
        elif not more:
            self._pass = None
            await self._tell_thinned()
            return LOOK_EVERY_S if not self._low else rest_s
        return rest_s

    async def _limits(self) -> Limits | None:
        """Return what is to go now: by policy once an hour, else the oldest while room is low."""
        keeping = self._disk.keeping
        if time.monotonic() >= self._pass_due:
            self._pass_due = time.monotonic() + THIN_EVERY_S
            now = self._disk.time.utc_ns()
            await self._note_known()
            if keeping.raw_days is not None:
                fine = keeping.fine_days
                return Limits(
                    now - round(keeping.raw_days * DAY_NS),
                    None if fine is None else now - round(fine * DAY_NS),
                    self._disk.recent(),
                )
        if not self._low:
            return None
        return await self._store.ask(self._disk.limits_when_low)

    async def _tell_thinned(self) -> None:
        now = self._clock.utc_ns()

        def work(telling: Telling) -> None:
            gone = thinning.to_tell(telling.connection)
            if gone.is_nothing:
                return
            thinning.told(telling.connection)
            data: dict[str, object] = {
                "readings": gone.readings,
                "summaries": gone.summaries,
                "first": None if gone.first_utc_ns is None else rfc3339(gone.first_utc_ns),
                "last": None if gone.last_utc_ns is None else rfc3339(gone.last_utc_ns),
                "text": (
                    f"{gone.readings} older readings that no hold cites and {gone.summaries} fine "
                    "summaries were deleted by rule; coarser summaries are kept."
                ),
            }
            telling.tell(Draft("holdwatch.store.thinned", now, data))
            log.info("thinned %d readings and %d summaries", gone.readings, gone.summaries)

        await self._events.transact(work)

    # -- the clock --------------------------------------------------------------------------

    async def _look_at_clock(self) -> float:
        """Raise the alarm of a clock that is doubted; believe it once someone acknowledges."""
        time_of_day = self._disk.time
        time_of_day.utc_ns()
        now = self._clock.utc_ns()
        alarms = [bay.alarms for bay in self._bays]
        seen = any(a.kind == CLOCK and a.acknowledged for each in alarms for a in each.standing())
        if time_of_day.is_doubtful and seen:
            time_of_day.believe()
            await self._note_known()
            log.info("the clock is believed: its alarm was acknowledged")
        matters = self._disk.keeping.raw_days is not None or self._low
        for bay in self._bays:
            if not time_of_day.is_doubtful:
                bay.alarms.cause_gone(CLOCK, now)
            elif matters and bay.alarms.raise_(CLOCK, as_written(time_of_day.doubt()), now):
                log.warning("bay %s alarm %s: %s", bay.name, CLOCK, time_of_day.doubt())
        return LOOK_EVERY_S

    async def _note_known(self) -> None:
        known_ns = self._disk.time.known_ns()
        await self._timed(lambda connection: note_known(connection, known_ns))

    # -- the disk ---------------------------------------------------------------------------

    async def _look_at_disk(self) -> float:
        """Raise or settle the alarm of a disk that is full, refuses, or soon will."""
        failing = self._writer.state.failing
        free = await asyncio.to_thread(self._disk.free_bytes)
        threshold = self._disk.keeping.low_disk_mb * 1e6
        inside = 0
        if free is not None and free < threshold * _ENOUGH:
            inside = await self._store.ask(reusable_bytes)
        room = None if free is None else free + inside
        if room is not None:
            self._low = room < threshold * (_ENOUGH if self._low else 1.0)
        what = None
        if failing is not None:
            what = Say("alarm.disk_refuses", error=str(failing))
        elif free is not None and free < threshold:
            what = Say("alarm.disk_full", free_mb=free / 1e6)
        now = self._clock.utc_ns()
        for bay in self._bays:
            if what is not None:
                if bay.alarms.raise_(DISK, what, now):
                    log.warning("bay %s alarm %s: %s", bay.name, DISK, render(what))
            elif not self._low:
                bay.alarms.cause_gone(DISK, now)
        # A writer that has just been given the reserve must not meet a new one at its next try:
        # given up again and again, it would keep that writer from ever saying that it cannot write.
        if not self._writer.state.refused and not self._low:
            await asyncio.to_thread(self._disk.make_reserve)
        self._tell_dropped()
        return LOOK_EVERY_S

    def _tell_dropped(self) -> None:
        state = self._writer.state
        count = state.dropped_rows - self._dropped
        if not count or state.takes_nothing:
            return
        self._dropped = state.dropped_rows
        first, last = state.dropped_utc_ns
        data = {
            "readings": count,
            "first": rfc3339(first),
            "last": rfc3339(last),
            "text": (
                f"The disk refused or stood still for so long that {count} readings were neither "
                "stored nor judged; a hold that was running counts them as a gap."
            ),
        }
        self._events.tell(Draft("holdwatch.store.dropped", self._clock.utc_ns(), data))
