"""A second GATT implementation, bumble, as the peer: both ends in process, no radio.

bumble serves standard, self-describing and thermometer characteristics, and its own client
carries their bytes over ATT to our planner and readers.
"""

from __future__ import annotations

import asyncio
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest
from bumble.att import Attribute
from bumble.core import UUID
from bumble.device import Peer
from bumble.gatt import Characteristic, CharacteristicValue, Descriptor, Service
from bumble.testing.test_utils import TwoDevices

from holdwatch_adapters.bluetooth import gatt
from holdwatch_adapters.bluetooth.link import Plan, Planner
from holdwatch_adapters.decoding import Decoded

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

MAKERS_SERVICE = "6d1f0001-57b4-4c3e-9a51-0d3f2c7a9be0"
MAKERS_PRESSURE = "6d1f0003-57b4-4c3e-9a51-0d3f2c7a9be0"
READ_NOTIFY = Characteristic.Properties.READ | Characteristic.Properties.NOTIFY
READABLE = Attribute.Permissions.READABLE


def described(uuid: UUID, value: bytes) -> Descriptor:
    return Descriptor(uuid, READABLE, value)


def characteristic(
    uuid: str | int, value: bytes, *descriptors: Descriptor
) -> Characteristic[bytes]:
    name = UUID.from_16_bits(uuid) if isinstance(uuid, int) else UUID(uuid)
    return Characteristic(name, READ_NOTIFY, READABLE, value, list(descriptors))


def services() -> list[Service]:
    interval = described(UUID.from_16_bits(0x290C), bytes.fromhex("0000010000001e00000004"))
    highest = described(UUID.from_16_bits(0x290C), bytes.fromhex("00000400000000000000ff"))
    psi = described(UUID.from_16_bits(0x2904), struct.pack("<BbHBH", 0x10, -3, 0x27A5, 1, 0))
    return [
        Service(
            UUID.from_16_bits(0x181A),
            [
                characteristic(0x2A6D, struct.pack("<I", 1_013_250), interval),
                characteristic(0x2A6E, struct.pack("<h", 2137)),
                characteristic(0x2A6E, struct.pack("<h", 9999), highest),
            ],
        ),
        Service(UUID.from_16_bits(0x1809), [characteristic(0x2A1C, bytes.fromhex("006c0100ff"))]),
        Service(
            UUID(MAKERS_SERVICE), [characteristic(MAKERS_PRESSURE, struct.pack("<i", -14_695), psi)]
        ),
    ]


@dataclass(frozen=True)
class Shown:
    """One of bumble's characteristics or descriptors, in the words that bleak uses."""

    proxy: Any
    uuid: str
    handle: int
    service_uuid: str = ""
    properties: tuple[str, ...] = ()
    descriptors: tuple[Shown, ...] = ()
    characteristics: tuple[Shown, ...] = ()


def in_words(uuid: UUID) -> str:
    return (
        str(uuid.to_hex_str("-")).lower()
        if len(uuid.uuid_bytes) == 16
        else gatt.full_uuid(int.from_bytes(uuid.uuid_bytes, "little"))
    )


class BumbleClient:
    """What the planner asks of a client, answered by bumble's."""

    def __init__(self, services: tuple[Shown, ...]) -> None:
        self.services = services

    @classmethod
    async def discovered(cls, peer: Peer) -> BumbleClient:
        shown = []
        for service in await peer.discover_services():
            found = []
            for one in await service.discover_characteristics():
                await one.discover_descriptors()
                descriptors = tuple(Shown(d, in_words(d.type), d.handle) for d in one.descriptors)
                words = {
                    Characteristic.Properties.READ: "read",
                    Characteristic.Properties.NOTIFY: "notify",
                }
                offered = tuple(word for flag, word in words.items() if one.properties & flag)
                found.append(
                    Shown(
                        one,
                        in_words(one.uuid),
                        one.handle,
                        in_words(service.uuid),
                        offered,
                        descriptors,
                    )
                )
            shown.append(
                Shown(service, in_words(service.uuid), service.handle, characteristics=tuple(found))
            )
        return cls(tuple(shown))

    async def read_gatt_descriptor(self, descriptor: Shown) -> bytes:
        return bytes(await descriptor.proxy.read_value())


@pytest.fixture
async def peer() -> AsyncIterator[Peer]:
    devices = TwoDevices()
    devices[1].add_services(services())
    await devices.setup_connection()
    connection = devices.connections[0]
    assert connection is not None
    yield Peer(connection)
    await connection.disconnect()


async def planned(peer: Peer) -> Plan:
    client = await BumbleClient.discovered(peer)
    return await Planner(client, (), 5.0).plan()  # type: ignore[arg-type]


async def test_the_plan_for_bumbles_device_is_the_one_meant(peer: Peer) -> None:
    plan = await planned(peer)
    found = [
        (one.characteristic.uuid, one.readers[0][0].kind, one.readers[0][1], one.interval_s)
        for one in plan.watched
    ]
    assert found == [
        (gatt.PRESSURE, "pressure", 1, 30.0),
        (gatt.TEMPERATURE, "temperature", 1, None),
        (gatt.TEMPERATURE_MEASUREMENT, "temperature", 2, None),
        (MAKERS_PRESSURE, "pressure", 2, None),
    ]
    assert [note for note in plan.notes if "maximum" in note]


async def test_bumble_carries_the_values_that_were_set(peer: Peer) -> None:
    plan = await planned(peer)
    values = []
    for one in plan.watched:
        payload = bytes(await one.characteristic.proxy.read_value())  # type: ignore[attr-defined]
        values.append(one.readers[0][0].read(payload))
    assert values[:3] == [
        Decoded("pressure", 101_325.0),
        Decoded("temperature", 294.52),
        Decoded("temperature", 309.55),
    ]
    assert values[3] is not None
    assert values[3].value_si == pytest.approx(-101_318.46, abs=0.01)


async def test_bumble_notifies_what_our_reader_reads() -> None:
    devices = TwoDevices()
    value = CharacteristicValue(read=lambda _: b"\0\0\0\0")
    pressure: Any = Characteristic(UUID.from_16_bits(0x2A6D), READ_NOTIFY, READABLE, value)
    devices[1].add_services([Service(UUID.from_16_bits(0x181A), [pressure])])
    await devices.setup_connection()
    connection = devices.connections[0]
    assert connection is not None
    peer = Peer(connection)
    (service,) = await peer.discover_service(UUID.from_16_bits(0x181A))
    (found,) = await service.discover_characteristics()
    heard: asyncio.Queue[bytes] = asyncio.Queue()
    await found.subscribe(lambda data: heard.put_nowait(bytes(data)))
    for tenths in (0, 667, 1_013_250):
        await devices[1].notify_subscribers(pressure, struct.pack("<I", tenths))
        data = await asyncio.wait_for(heard.get(), 5.0)
        assert gatt.decode(gatt.PRESSURE, data) == Decoded("pressure", tenths / 10)
    await connection.disconnect()
