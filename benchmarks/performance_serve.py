"""A serving process watched from outside and inside: its idle CPU, and how long its loop stands."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holdwatch_cli.running import settle
from holdwatch_cli.serve import screen
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import Channel, Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_daemon.settings.shop import ShopConfig

BAYS = 12
ROLES = ("low_side", "pipe_temperature", "ambient_temperature", "barometer")
CHANNELS = (
    ("gauge-{}/pressure", Quantity.PRESSURE_GAUGE, 4.8e5),
    ("clamp-{}/temperature", Quantity.TEMPERATURE, 294.0),
    ("room-{}/temperature", Quantity.TEMPERATURE, 295.0),
    ("barometer-{}/pressure", Quantity.PRESSURE_ABSOLUTE, 98_000.0),
)
BEAT_S = 0.01
START_S = 8.0
WARM_S = 8.0
WATCH_S = 20.0


class Gauges:
    """Readings of 48 channels, four times a second, their times a little apart."""

    name = "gauges"

    async def stream(self) -> AsyncIterator[Reading]:
        while True:
            for bay in range(BAYS):
                for channel, quantity, value in CHANNELS:
                    name = channel.format(bay)
                    wall, steady = time.time_ns(), time.monotonic_ns()
                    yield Reading(name, quantity, wall, steady, value, Quality.GOOD)
                await asyncio.sleep(0.25 / BAYS)


def shop(folder: Path) -> ShopConfig:
    """Return twelve bays of four channels each."""
    probes: list[dict[str, Any]] = []
    bays = []
    for bay in range(BAYS):
        roles = {}
        for role, (channel, quantity, _) in zip(ROLES, CHANNELS, strict=True):
            name = channel.format(bay)
            absolute = quantity is Quantity.PRESSURE_ABSOLUTE
            probes.append(
                {
                    "name": Channel.parse(name).probe,
                    "address": f"02:00:00:00:00:{len(probes):02X}",
                    "profile": "ess",
                    "pressure_reference": "absolute" if absolute else "vented",
                }
            )
            roles[role] = name
        unit = {"name": f"BM-{bay + 1:02}", "refrigerant": "R134a", "volume_l": 2.5}
        bays.append({"name": f"bay-{bay}", "roles": roles, "unit_under_test": unit})
    site = {"name": "benchmark", "data": str(folder)}
    return parse_config({"site": site, "probe": probes, "bay": bays})


def idle_share(folder: Path) -> float:
    """Return the share of a core that 12 bays with 48 channels at 4 Hz take."""
    process = _server("idle", folder / "share")
    try:
        time.sleep(WARM_S)
        before, began = cpu_s(process.pid), time.monotonic()
        time.sleep(WATCH_S)
        return (cpu_s(process.pid) - before) / (time.monotonic() - began)
    finally:
        process.terminate()
        process.wait(30)


def feed_share() -> float:
    """Return the share of a core that making those readings takes by itself."""

    async def take() -> float:
        before, began = time.process_time(), time.monotonic()
        async for _ in Gauges().stream():
            if time.monotonic() - began > WATCH_S:
                break
        return (time.process_time() - before) / (time.monotonic() - began)

    return asyncio.run(take())


def cpu_s(pid: int) -> float:
    """Return the CPU time of a process so far, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def longest_stand_ms(folder: Path) -> float:
    """Return the longest time that nothing else ran in the loop of a starting service, ms."""
    process = _server("start", folder / "stand")
    out, _ = process.communicate(timeout=120)
    return float(out.split()[-1])


def _server(what: str, folder: Path) -> subprocess.Popen[str]:
    folder.mkdir()
    words = [sys.executable, __file__, what, str(folder)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True)


async def _idle(folder: Path) -> None:
    table, stop = shop(folder), asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    async with (
        Service(table, SystemClock(), [Gauges()]) as service,
        screen(service, table),
    ):
        await stop.wait()


async def _start(folder: Path) -> None:
    table = shop(folder)
    longest = 0.0

    async def beat() -> None:
        nonlocal longest
        while True:
            began = time.perf_counter()
            await asyncio.sleep(BEAT_S)
            longest = max(longest, time.perf_counter() - began - BEAT_S)

    settle()
    async with Service(table, SystemClock(), [Gauges()]) as service:
        # What came before has no readings to keep waiting.
        beating = asyncio.create_task(beat())
        async with screen(service, table):
            await asyncio.sleep(START_S)
        beating.cancel()
    print(longest * 1e3)


if __name__ == "__main__":
    asyncio.run({"idle": _idle, "start": _start}[sys.argv[1]](Path(sys.argv[2])))
