"""What the Bluetooth adapter's tests share: probes on the air, an adapter that listens."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import random
from typing import TYPE_CHECKING, Any

import pytest
from adapter_rig import Ear, WallClock
from system_parts import require

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter, BluetoothProbe
from holdwatch_adapters.bluetooth.link import LinkTiming
from holdwatch_simulators.air import FakeBluez, PrivateBus
from holdwatch_simulators.wire import (
    BATTERY_LEVEL,
    BATTERY_SERVICE,
    ENVIRONMENTAL_SENSING,
    PRESSURE,
    TEMPERATURE,
    CharacteristicDescription,
    ProbeDescription,
    WireUpdate,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from types import TracebackType


def sensor(name: str, address: str, *uuids: str) -> ProbeDescription:
    described = [CharacteristicDescription(ENVIRONMENTAL_SENSING, uuid) for uuid in uuids]
    battery = CharacteristicDescription(BATTERY_SERVICE, BATTERY_LEVEL, initial=b"\x50")
    return ProbeDescription(name, address, "gatt", (*described, battery), (ENVIRONMENTAL_SENSING,))


GAUGE_ON_AIR = sensor("pressure gauge", "C0:00:00:00:00:01", PRESSURE, TEMPERATURE)
VACUUM_ON_AIR = sensor("vacuum gauge", "C0:00:00:00:00:02", PRESSURE)
CLAMP_ON_AIR = ProbeDescription("clamp", "C0:00:00:00:00:03", "bthome", rssi_dbm=-71)
STRANGER_ON_AIR = sensor("stranger", "C0:00:00:00:00:04", PRESSURE)
ON_AIR = [GAUGE_ON_AIR, VACUUM_ON_AIR, CLAMP_ON_AIR, STRANGER_ON_AIR]

GAUGE = BluetoothProbe("BM-bay1-gauge", GAUGE_ON_AIR.address, "ess", silence_s=0.6)
VACUUM = BluetoothProbe("BM-bay1-vacuum", "c0:00:00:00:00:02", "ess", "absolute")
CLAMP = BluetoothProbe("BM-bay1-clamp", CLAMP_ON_AIR.address, "bthome", silence_s=0.6)

QUICK = LinkTiming(
    connect=3.0,
    call=2.0,
    disconnect=2.0,
    backoff_first=0.05,
    backoff_last=0.2,
    scanner_silence=1.0,
    daemon_return=5.0,
)


@pytest.fixture
async def bus(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[PrivateBus]:
    require("dbus-daemon", "dbus-daemon")
    async with PrivateBus() as bus:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        yield bus
    await asyncio.sleep(0.05)  # bleak's own connection notices the end of the bus
    gc.collect()  # bleak leaves the errors of given-up connects unread: said here, not elsewhere


@pytest.fixture
async def air(bus: PrivateBus) -> AsyncIterator[FakeBluez]:
    async with FakeBluez(bus.address, ON_AIR) as air:
        yield air


class Sending:
    """Probes that measure 20 times a second for as long as the block lasts."""

    def __init__(self, air: FakeBluez) -> None:
        self._air = air
        self._count = 0

    async def __aenter__(self) -> None:
        self._task = asyncio.create_task(self._send())

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def _send(self) -> None:
        while True:
            for update in self._updates():
                self._air.update(update)
            self._count = (self._count + 1) % 256
            await asyncio.sleep(0.05)

    def _updates(self) -> list[WireUpdate]:
        packet = b"\x40\x00" + bytes([self._count]) + bytes.fromhex("02ca09")
        return [
            WireUpdate(GAUGE_ON_AIR.name, PRESSURE, bytes.fromhex("80969800")),
            WireUpdate(GAUGE_ON_AIR.name, TEMPERATURE, bytes.fromhex("5908")),
            WireUpdate(VACUUM_ON_AIR.name, PRESSURE, bytes.fromhex("9b020000")),
            WireUpdate(STRANGER_ON_AIR.name, PRESSURE, bytes.fromhex("01000000")),
            WireUpdate(CLAMP_ON_AIR.name, None, packet),
        ]


class Listening(Ear[BluetoothAdapter]):
    """An ear for a Bluetooth adapter of its own."""

    def __init__(self, *probes: BluetoothProbe, timing: LinkTiming = QUICK, **options: Any) -> None:
        source = random.Random(1)
        super().__init__(
            BluetoothAdapter(probes, WallClock(), timing=timing, random_source=source, **options)
        )
