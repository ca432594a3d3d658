"""A shop of the campaign: the real service, its store, its way out and its API, in one process.

``python -m benchmarks run fleet_shop DATA SITE MQTT-PORT HTTP-PORT EVENTS A-SECOND``: writes notes
down until the store has so many events, and goes on serving until it is killed. While DATA.closed
is there, the API is closed. Begun again, it goes on where its store ends.
"""

from __future__ import annotations

import asyncio
import sys
import time
from contextlib import AsyncExitStack
from pathlib import Path
from random import Random

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store.events import Draft

TOGETHER = 20


async def keep_open(service: Service, port: int, closed: Path) -> None:
    """Serve the API for ever, except while a file says that it is closed."""
    while True:
        async with AsyncExitStack() as stack:
            if not (was_there := is_there(closed)):
                await stack.enter_async_context(serve(create_app(service), port=port))
            while is_there(closed) == was_there:  # noqa: ASYNC110 - another process makes it
                await asyncio.sleep(0.1)


def is_there(file: Path) -> bool:
    return file.exists()


async def run(data: Path, site: str, broker: int, door: int, events: int, rate: float) -> None:
    config = parse_config(
        {
            "site": {"name": site, "data": str(data), "altitude_m": 250.0},
            "mqtt": {"host": "127.0.0.1", "port": broker},
            "bay": [{"name": "BM-bay1", "roles": {}}],
        }
    )
    async with Service(config, SystemClock(), []) as service, asyncio.TaskGroup() as group:
        group.create_task(keep_open(service, door, data.with_suffix(".closed")))
        group.create_task(write(service, events, rate))


async def write(service: Service, events: int, rate: float) -> None:
    """Write notes down, unevenly, until there are so many events."""
    chance = Random()  # noqa: S311 - how a shop's day goes; what is killed when has the seed
    while (there := service.events.newest) < events:
        count = min(chance.randint(1, 2 * TOGETHER), events - there)
        notes = [
            Draft("holdwatch.hold.noted", time.time_ns(), {"text": f"note {there + n}"}, "BM-bay1")
            for n in range(count)
        ]
        await service.events.tell(*notes)
        await asyncio.sleep(chance.uniform(0.0, 2.0) * count / rate)


if __name__ == "__main__":
    place, name, mqtt, http, most, speed = sys.argv[1:]
    asyncio.run(run(Path(place), name, int(mqtt), int(http), int(most), float(speed)))
