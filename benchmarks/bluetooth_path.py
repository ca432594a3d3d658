"""Latency and CPU of a notification from the simulated air to a reading.

Run: ``python -m benchmarks run bluetooth_path [probes] [per second] [seconds]``. Needs dbus-daemon.
The fake and the adapter share the process; the fake's own CPU is measured with nobody subscribed
and taken off.
"""

from __future__ import annotations

import asyncio
import os
import statistics
import sys
import time

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter, BluetoothProbe
from holdwatch_physics.reading import Reading
from holdwatch_simulators.air import FakeBluez, PrivateBus
from holdwatch_simulators.wire import (
    ENVIRONMENTAL_SENSING,
    PRESSURE,
    CharacteristicDescription,
    ProbeDescription,
    WireUpdate,
)


class WallClock:
    """The machine's own time."""

    def utc_ns(self) -> int:
        """Return wall-clock time, ns."""
        return time.time_ns()

    def mono_ns(self) -> int:
        """Return monotonic time, ns."""
        return time.monotonic_ns()

    async def sleep(self, seconds: float) -> None:
        """Wait in real time."""
        await asyncio.sleep(seconds)


async def send(air: FakeBluez, probes: int, rate: float, seconds: float) -> dict[int, int]:
    """Send numbered pressures; return when each left, by its raw value."""
    left: dict[int, int] = {}
    raw = 0
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        for n in range(probes):
            raw += 1
            left[raw] = time.monotonic_ns()
            air.update(WireUpdate(f"probe {n}", PRESSURE, raw.to_bytes(4, "little")))
        await asyncio.sleep(1.0 / rate)
    return left


async def main(probes: int, rate: float, seconds: float) -> None:
    described = [
        ProbeDescription(
            f"probe {n}",
            f"C0:00:00:00:01:{n:02X}",
            "gatt",
            (CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE),),
            (ENVIRONMENTAL_SENSING,),
        )
        for n in range(probes)
    ]
    enrolled = [BluetoothProbe(d.name, d.address, "ess") for d in described]
    async with PrivateBus() as bus, FakeBluez(bus.address, described) as air:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = bus.address
        stream = BluetoothAdapter(enrolled, WallClock()).stream()
        arrived: dict[int, int] = {}

        async def listen() -> None:
            async for item in stream:
                if isinstance(item, Reading):
                    arrived[round(item.value * 10)] = time.monotonic_ns()

        listening = asyncio.create_task(listen())
        began = time.monotonic()
        while not all(air.subscribed(d.name) for d in described):  # noqa: ASYNC110 - once, at the start
            await asyncio.sleep(0.01)
        print(f"{probes} probes connected and subscribed in {time.monotonic() - began:.2f} s")
        cpu = time.process_time()
        left = await send(air, probes, rate, seconds)
        await asyncio.sleep(0.2)
        cpu = time.process_time() - cpu
        listening.cancel()
        await asyncio.wait({listening})
        await stream.aclose()
        idle = time.process_time()
        await send(air, probes, rate, seconds)
        idle = time.process_time() - idle
    waits = sorted((arrived[raw] - left[raw]) / 1e6 for raw in left if raw in arrived)
    lost = len(left) - len(waits)
    p99 = waits[int(0.99 * len(waits))]
    print(f"{len(left)} notifications, {lost} lost, {len(left) / seconds:.0f} a second")
    print(
        f"latency p50 {statistics.median(waits):.2f} ms, p99 {p99:.2f} ms, max {waits[-1]:.2f} ms"
    )
    print(
        f"CPU {100 * cpu / seconds:.1f} %, {1e6 * (cpu - idle) / len(left):.0f} µs a notification"
    )


if __name__ == "__main__":
    numbers = [float(word) for word in sys.argv[1:]] + [10.0, 4.0, 10.0][len(sys.argv) - 1 :]
    asyncio.run(main(int(numbers[0]), numbers[1], numbers[2]))
