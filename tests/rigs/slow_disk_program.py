"""A service that a test starts on a slow disk: works while the disk stands, and says what it saw.

``python slow_disk_program.py FOLDER``: says ``up``, waits for a line while the disk is made to
stand, works, says as JSON what it saw, and once the disk goes on what came of it; then it waits for
another line, and ends.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from pathlib import Path
from typing import Any

from daemon_rig import BAY, FedAdapter, TurnedClock, eventually, first_event, run_hold, shop, start
from daemon_rig import events as events_of

from holdwatch_daemon.messages import ExtendHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.store import writer

LONGER = ExtendHold(command="extend_hold", id="longer", minutes=5.0)
SECONDS = 100
"""Simulated ones of a hold, with three readings in each."""


def say(what: object) -> None:
    """Say a line to the test."""
    print(json.dumps(what), flush=True)  # noqa: T201 - it is what the test reads


class Beat:
    """Notes the longest time that the event loop does nothing else, s."""

    longest_s = 0.0

    async def run(self) -> None:
        before = time.monotonic()
        while True:
            await asyncio.sleep(0.01)
            now = time.monotonic()
            self.longest_s, before = max(self.longest_s, now - before), now


async def work(folder: Path) -> None:
    writer.STANDS_S, writer.SLOW_S = 0.5, 0.25  # type: ignore[misc]
    clock, adapter, beat = TurnedClock(), FedAdapter(), Beat()
    async with Service(shop(folder), clock, [adapter]) as service:
        await start(service)
        say("up")
        await asyncio.to_thread(sys.stdin.readline)
        beating = asyncio.create_task(beat.run())
        extending = asyncio.create_task(service.command(BAY, LONGER, by="test"))
        history = asyncio.create_task(service.store.list_holds())
        await run_hold(service, clock, adapter, SECONDS)
        await eventually(lambda: "disk_slow" in {a.kind for a in service.bay_state(BAY).alarms})
        store: Any = service.health()["store"]
        seen = {
            "health": store["slow"],
            "waiting": store["pending_rows"],
            "values": len(service.live(BAY).values),
            "answered": extending.done() or history.done(),
            "serving": service.is_serving(0.0),
        }
        say(seen)
        replied = await extending
        await history
        await first_event(service, "holdwatch.store.slow", within_s=20.0)
        beating.cancel()
        told = await events_of(service)
        seen = {
            "extended": replied.ok,
            "longest beat, s": beat.longest_s,
            "numbers": [event.sequence for event in told],
            "told": [event.type for event in told],
        }
        say(seen)
        await asyncio.to_thread(sys.stdin.readline)


if __name__ == "__main__":
    asyncio.run(work(Path(sys.argv[1])))
