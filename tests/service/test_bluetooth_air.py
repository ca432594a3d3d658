"""The simulated air behaves as a real Bluetooth daemon was measured to (bluetoothd 5.66)."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import time
from typing import TYPE_CHECKING, Any

import pytest
from bleak import BleakClient, BleakScanner
from bleak.exc import BleakDBusError, BleakError
from dbus_fast import Message, MessageType
from dbus_fast.aio import MessageBus
from system_parts import require

from holdwatch_simulators.air import FakeBluez, PrivateBus
from holdwatch_simulators.air.bus import PrivateBusError
from holdwatch_simulators.air.radio import Delays
from holdwatch_simulators.air.tree import Device
from holdwatch_simulators.wire import (
    BATTERY_LEVEL,
    BATTERY_SERVICE,
    ENVIRONMENTAL_SENSING,
    PRESENTATION_FORMAT,
    PRESSURE,
    TEMPERATURE,
    CharacteristicDescription,
    ProbeDescription,
    WireUpdate,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from bleak.backends.device import BLEDevice

PRESENTATION = bytes.fromhex("08ff2427010000")
GAUGE = ProbeDescription(
    "gauge",
    "C0:00:00:00:00:01",
    "gatt",
    (
        CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE, PRESENTATION, b"\x02\x76\x0f\0"),
        CharacteristicDescription(ENVIRONMENTAL_SENSING, TEMPERATURE, notify=False),
        CharacteristicDescription(BATTERY_SERVICE, BATTERY_LEVEL, initial=b"\x50"),
    ),
    (ENVIRONMENTAL_SENSING,),
)
CLAMP = ProbeDescription("clamp", "C0:00:00:00:00:02", "bthome")


@pytest.fixture
async def bus(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[PrivateBus]:
    require("dbus-daemon", "dbus-daemon")
    async with PrivateBus() as bus:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        yield bus
    await asyncio.sleep(0.05)  # bleak's own connection notices the end of the bus
    gc.collect()  # bleak leaves the errors of given-up connects unread: said here, not elsewhere


class Signals:
    """Everything that the fake says on the bus, in order."""

    def __init__(self, address: str) -> None:
        self._address = address
        self.heard: list[tuple[str, str, list[Any]]] = []

    async def __aenter__(self) -> list[tuple[str, str, list[Any]]]:
        self._bus = await MessageBus(bus_address=self._address).connect()
        self._bus.add_message_handler(self._take)
        await self._bus.call(
            Message(
                destination="org.freedesktop.DBus",
                path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus",
                member="AddMatch",
                signature="s",
                body=["type='signal',sender='org.bluez'"],
            )
        )
        return self.heard

    async def __aexit__(self, *_: object) -> None:
        self._bus.disconnect()
        with contextlib.suppress(Exception):
            await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    def _take(self, message: Message) -> None:
        if message.message_type is MessageType.SIGNAL:
            self.heard.append((message.member or "", message.path or "", message.body))


async def find(address: str) -> BLEDevice:
    device = await BleakScanner.find_device_by_address(address, timeout=5.0)
    assert device is not None
    return device


def told(signals: list[tuple[str, str, list[Any]]]) -> list[str]:
    """Return the signals of one device as short words, advertisements left out."""
    words = []
    for member, _, body in signals:
        if member == "PropertiesChanged":
            names = sorted(set(body[1]) - {"RSSI", "Discovering", "ServiceData"})
            words += [" ".join(names)] if names else []
        else:
            interfaces = body[1]
            words += [f"{member} {name.removeprefix('org.bluez.')}" for name in interfaces]
    return words


async def test_connecting_tells_its_steps_in_the_measured_order(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]):
        device = await find(GAUGE.address)
        async with Signals(bus.address) as signals:
            client = BleakClient(device)
            await client.connect()
            await asyncio.sleep(0.05)
            words = told(signals)
            await client.disconnect()
    assert words == [
        "Connected",
        "InterfacesAdded GattService1",
        "InterfacesAdded GattCharacteristic1",
        "InterfacesAdded GattCharacteristic1",
        "InterfacesAdded GattDescriptor1",
        "ServicesResolved UUIDs",
        "InterfacesAdded Battery1",
    ]


async def test_every_object_path_ends_in_four_hexadecimal_digits(bus: PrivateBus) -> None:
    async with (
        FakeBluez(bus.address, [GAUGE], battery_hidden=False),
        BleakClient(await find(GAUGE.address)) as client,
    ):
        found = [c for service in client.services for c in service.characteristics]
        assert sorted(c.uuid for c in found) == sorted([PRESSURE, TEMPERATURE, BATTERY_LEVEL])
        assert len({c.handle for c in found}) == 3
        descriptors = [d for c in found for d in c.descriptors]
        assert [d.uuid for d in descriptors] == [PRESENTATION_FORMAT]
        assert await client.read_gatt_descriptor(descriptors[0]) == PRESENTATION
        assert await client.read_gatt_char(BATTERY_LEVEL) == b"\x50"


async def test_a_local_disconnect_takes_its_time_and_data_keeps_coming(bus: PrivateBus) -> None:
    delays = Delays(local_disconnect=0.5)
    async with FakeBluez(bus.address, [GAUGE], delays=delays) as air:
        client = BleakClient(await find(GAUGE.address))
        await client.connect()
        heard: list[bytes] = []
        await client.start_notify(PRESSURE, lambda _, data: heard.append(bytes(data)))
        began = time.monotonic()
        ending = asyncio.create_task(client.disconnect())
        await asyncio.sleep(0.1)
        air.update(WireUpdate("gauge", PRESSURE, b"\x01\0\0\0"))
        await asyncio.sleep(0.1)
        assert heard == [b"\x01\0\0\0"]
        await ending
        assert time.monotonic() - began >= 0.5


async def test_reading_a_subscribed_characteristic_also_notifies(bus: PrivateBus) -> None:
    async with (
        FakeBluez(bus.address, [GAUGE]),
        BleakClient(await find(GAUGE.address)) as client,
    ):
        heard: list[bytes] = []
        await client.start_notify(PRESSURE, lambda _, data: heard.append(bytes(data)))
        assert await client.read_gatt_char(PRESSURE) == b"\x02\x76\x0f\0"
        await asyncio.sleep(0.05)
        assert heard == [b"\x02\x76\x0f\0"]


async def test_what_does_not_notify_refuses_a_subscription(bus: PrivateBus) -> None:
    async with (
        FakeBluez(bus.address, [GAUGE]),
        BleakClient(await find(GAUGE.address)) as client,
    ):
        with pytest.raises(BleakError):
            await client.start_notify(TEMPERATURE, lambda *_: None)


async def test_a_second_scan_on_one_connection_is_in_progress(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]), BleakScanner():
        with pytest.raises(BleakDBusError, match="InProgress"):
            await BleakScanner().start()


async def test_a_scan_filtered_by_service_does_not_hear_a_mere_broadcaster(
    bus: PrivateBus,
) -> None:
    async with FakeBluez(bus.address, [GAUGE, CLAMP]) as air:

        async def broadcast() -> None:
            while True:
                air.update(WireUpdate("clamp", None, bytes.fromhex("4002ca09")))
                await asyncio.sleep(0.02)

        sending = asyncio.create_task(broadcast())
        filtered = await BleakScanner.discover(0.3, service_uuids=[ENVIRONMENTAL_SENSING])
        everyone = await BleakScanner.discover(0.3)
        sending.cancel()
    assert {device.name for device in filtered} == {"gauge"}
    assert {device.name for device in everyone} == {"gauge", "clamp"}


async def test_a_connected_probe_does_not_advertise(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]):
        async with BleakClient(await find(GAUGE.address)):
            assert await BleakScanner.discover(0.3) == []
        assert len(await BleakScanner.discover(0.3)) == 1


async def test_after_a_killed_daemon_a_client_is_told_nothing(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]) as air:
        client = BleakClient(await find(GAUGE.address))
        await client.connect()
        await air.vanish()
        await asyncio.sleep(0.1)
        assert client.is_connected, "measured: the link looks alive for ever"
        await air.come_back()
        await asyncio.sleep(0.1)
        assert client.is_connected
        with contextlib.suppress(BleakError):
            await client.disconnect()


async def test_a_missing_daemon_program_is_one_clear_error() -> None:
    with pytest.raises(PrivateBusError, match="apt-get install dbus-daemon"):
        await PrivateBus("no-such-dbus-daemon").__aenter__()


async def test_an_unknown_probe_is_an_error(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]) as air:
        with pytest.raises(KeyError):
            air.update(WireUpdate("nobody", PRESSURE, b""))


def test_short_and_long_services_stand_each_in_a_structure_of_their_own() -> None:
    """Types 0x03 and 0x07, the least significant byte first (Core Specification Supplement)."""
    long = "6d1f0001-57b4-4c3e-9a51-0d3f2c7a9be0"
    services = ("0000181a-0000-1000-8000-00805f9b34fb", long)
    described = ProbeDescription("probe", "02:00:00:00:00:01", "gatt", (), services)
    device = Device(described, battery_hidden=False)
    sent = device.advertisement()
    assert sent[0x03] == bytes.fromhex("1a18")
    assert sent[0x07] == bytes.fromhex("e09b7a2c3f0d519a3e4cb45701001f6d")
