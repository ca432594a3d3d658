"""Live readings of a few channels as their devices say them: from the air, or from ``serve``."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections import defaultdict
from typing import TYPE_CHECKING

from holdwatch_adapters.settings import CalibrationSettings
from holdwatch_cli.adapters import adapters_for
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.intake import last_calibrations
from holdwatch_daemon.store import ProcessLock
from holdwatch_physics.reading import Calibration, Channel, ProbeNotice, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator
    from pathlib import Path

    from holdwatch_adapters.ports import Adapter
    from holdwatch_daemon.settings import ShopConfig

PATIENCE_S = 45.0
"""How long to wait for the first reading, s: a probe must be found and linked."""
_LOOK_AGAIN_S = 0.5
_NEWER = """
SELECT readings.value, readings.mono_ns FROM readings
WHERE readings.channel_id IN (SELECT id FROM channels WHERE name = ?)
  AND readings.boot_id = (SELECT id FROM boots WHERE boot = ?)
  AND readings.mono_ns > ?
ORDER BY readings.mono_ns
"""


async def listen(
    shop: ShopConfig, channels: frozenset[str], wanted: str, seconds: float
) -> dict[str, list[float]]:
    """Return what devices say for a time, in Pa or K, uncalibrated, by channel.

    Where ``serve`` is using the shop's database it has the probes, and its records are read;
    else the probes are read directly.

    Args:
        shop: The configuration.
        channels: What to listen for.
        wanted: The channel whose first reading begins the time.
        seconds: How long to listen from then on, s.

    Raises:
        AdapterError: There is no way to the probe.
    """
    heard: defaultdict[str, list[float]] = defaultdict(list)
    source = _of_serve(shop, channels) if _is_served(shop.database) else _of_air(shop, channels)
    async with contextlib.aclosing(source):
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(PATIENCE_S) as patience:
                async for channel, value in source:
                    if channel == wanted and not heard[wanted]:
                        patience.reschedule(asyncio.get_running_loop().time() + seconds)
                    heard[channel].append(value)
    return dict(heard)


def _is_served(database: Path) -> bool:
    if not database.exists():
        return False
    try:
        ProcessLock(database).release()
    except StoreError as error:
        return "another holdwatch process" in str(error)
    return False


async def _of_air(
    shop: ShopConfig, channels: frozenset[str]
) -> AsyncGenerator[tuple[str, float], None]:
    names = {Channel.parse(channel).probe for channel in channels}
    few = shop.model_copy(
        update={"probe": tuple(probe for probe in shop.probe if probe.name in names)}
    )
    queue: asyncio.Queue[Reading | ProbeNotice | Exception] = asyncio.Queue()
    tasks = [
        asyncio.create_task(_pour(adapter, queue)) for adapter in adapters_for(few, SystemClock())
    ]
    try:
        while True:
            item = await queue.get()
            if isinstance(item, Exception):
                raise item
            if isinstance(item, Reading) and item.channel in channels:
                yield item.channel, item.value
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _pour(adapter: Adapter, queue: asyncio.Queue[Reading | ProbeNotice | Exception]) -> None:
    try:
        async for item in adapter.stream():
            queue.put_nowait(item)
    except Exception as error:  # noqa: BLE001 - raised again where the readings are awaited
        queue.put_nowait(error)


async def _of_serve(
    shop: ShopConfig, channels: frozenset[str]
) -> AsyncGenerator[tuple[str, float], None]:
    """Follow what ``serve`` records, with its calibration taken off again."""
    connection = sqlite3.connect(f"file:{shop.database}?mode=ro", uri=True)
    try:
        lines = {
            channel: _told_line(data) for channel, data in last_calibrations(connection).items()
        }
        clock = SystemClock()
        after_ns = dict.fromkeys(channels, clock.mono_ns())
        while True:
            for channel in channels:
                given = [channel, clock.boot_id, after_ns[channel]]
                for value, mono_ns in connection.execute(_NEWER, given).fetchall():
                    after_ns[channel] = mono_ns
                    yield channel, lines.get(channel, Calibration()).undo(value)
            await asyncio.sleep(_LOOK_AGAIN_S)
    finally:
        connection.close()


def _told_line(data: dict[str, object]) -> Calibration:
    keys = ("offset", "scale", "unit")
    return CalibrationSettings.model_validate({key: data[key] for key in keys}).line(None)
