"""Keeping the store in order while the service runs: readings rolled into tiers."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import time
from typing import TYPE_CHECKING

from holdwatch_daemon.store.rolling import STEP_ROWS, Roller

if TYPE_CHECKING:
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.store.rows import Ids
    from holdwatch_daemon.store.writer import Writer

log = logging.getLogger(__name__)

ROLL_EVERY_S = 10.0
"""Pause between looks for new readings, s."""
REST_SHARE = 3.0
"""After a piece of work the writer is left alone for so many times as long."""
_LAG_NS = 5_000_000_000
"""The newest readings are left for the next look: others of their time may still come, ns."""


class Keeper:
    """Keeps the store in order, a small piece at a time between the writer's other work.

    Args:
        writer: The recorder's writer, whose thread does each piece.
        ids: The store's numbers.
        clock: The one that stamps readings.
    """

    def __init__(self, writer: Writer, ids: Ids, clock: ServiceClock) -> None:
        self._writer = writer
        self._clock = clock
        self._roller = Roller(ids, clock.boot_id)
        self._failing = False

    async def run(self) -> None:
        """Work until cancelled."""
        while True:
            pause = ROLL_EVERY_S
            try:
                pause = await self._roll()
                self._failing = False
            except sqlite3.Error as error:
                self._roller.undone()
                if not self._failing:
                    log.error("readings cannot be rolled: %s", error)  # noqa: TRY400 - the disk's fault
                self._failing = True
            await asyncio.sleep(pause)

    async def _roll(self) -> float:
        """Roll one piece; return how long to rest, s."""
        upto_ns = self._clock.mono_ns() - _LAG_NS

        def work(connection: sqlite3.Connection) -> tuple[int, float]:
            began = time.perf_counter()
            done = self._roller.step(connection, upto_ns)
            return done, time.perf_counter() - began

        done, took_s = await self._writer.transact(work)
        return ROLL_EVERY_S if done < STEP_ROWS else took_s * REST_SHARE
