"""Who is not enrolled is shown and never recorded; who borrows an address is not believed."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest
from daemon_rig import events, eventually, shop_table
from system_parts import require

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter, BluetoothProbe
from holdwatch_adapters.bluetooth.scanning import scan
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_simulators import payloads
from holdwatch_simulators.air import FakeBluez, PrivateBus
from holdwatch_simulators.air.sealing import seal
from holdwatch_simulators.wire import (
    ENVIRONMENTAL_SENSING,
    PRESSURE,
    CharacteristicDescription,
    ProbeDescription,
    WireUpdate,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

KEY, WRONG_KEY = bytes(range(16)), bytes(16)
ROOM = ProbeDescription("room", "C0:00:00:00:00:03", "bthome")
STRANGER_PA = 777_000.0
STRANGER = ProbeDescription(
    "stranger",
    "C0:00:00:00:00:04",
    "gatt",
    (
        CharacteristicDescription(
            ENVIRONMENTAL_SENSING, PRESSURE, initial=payloads.gatt_pressure(STRANGER_PA)
        ),
    ),
    (ENVIRONMENTAL_SENSING,),
)


@pytest.fixture
async def air(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[FakeBluez]:
    require("dbus-daemon", "dbus")
    async with PrivateBus() as bus, FakeBluez(bus.address, [ROOM, STRANGER]) as air:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        yield air


def sealed(pressure_pa: int, counter: int, key: bytes) -> bytes:
    objects = b"\x04" + pressure_pa.to_bytes(3, "little")
    return seal(objects, key=key, address=ROOM.address, counter=counter)


def garage(tmp_path: Path) -> dict[str, Any]:
    room = {"name": "BM-room", "address": ROOM.address, "profile": "bthome", "key": KEY.hex()}
    table = shop_table(tmp_path / "data", probe=[room | {"pressure_reference": "absolute"}])
    table["bay"][0]["roles"] = {"barometer": "BM-room/pressure"}
    return table


async def stored(service: Service) -> list[tuple[str, float]]:
    await service.events.tell()
    await asyncio.sleep(0.4)  # readings are written in batches
    rows = await service.store.ask(
        lambda c: c.execute(
            "SELECT channels.name, value FROM readings JOIN channels ON channels.id = channel_id"
            " ORDER BY mono_ns"
        ).fetchall()
    )
    return [(name, value) for name, value in rows]


async def test_an_impostor_and_a_stranger_leave_no_trace_in_a_bay(
    air: FakeBluez, tmp_path: Path
) -> None:
    enrolled = BluetoothProbe("BM-room", ROOM.address, "bthome", "absolute", key=KEY)
    clock = SystemClock()
    adapter = BluetoothAdapter([enrolled], clock)
    async with Service(parse_config(garage(tmp_path)), clock, [adapter]) as service:
        state = service._book.states["BM-room"]

        async def hear(payload: bytes, count: int) -> None:
            def send_until() -> bool:
                air.update(WireUpdate(ROOM.name, None, payload))
                return state.readings >= count

            await eventually(send_until, every_s=0.05)

        await hear(sealed(98_350, 10, KEY), 1)
        for payload in (
            sealed(61_000, 11, WRONG_KEY),  # the address without the key
            payloads.bthome(pressure_pa=62_000.0),  # not even encrypted
            sealed(63_000, 9, KEY),  # an old packet, heard and sent again
            sealed(64_000, 2**32 - 1, WRONG_KEY),  # to spoil the counter
        ):
            air.impersonate(ROOM.name, payload)
            await asyncio.sleep(0.05)
        await hear(sealed(98_351, 12, KEY), 2)
        air.update(WireUpdate(STRANGER.name, PRESSURE, payloads.gatt_pressure(STRANGER_PA)))
        kept = await stored(service)
        told = [one for one in await events(service) if one.type == "holdwatch.reading.refused"]
        live = service.live("BM-bay1")
    assert kept == [("BM-room/pressure", 98_350.0), ("BM-room/pressure", 98_351.0)]
    assert [one.value for one in live.values] == [98_351.0]
    assert state.refused >= 1
    assert "key" in told[0].data["text"]
    assert air.calls.get("Connect", 0) == 0, "nobody connects to a stranger"


async def test_a_scan_shows_the_stranger_with_its_value(air: FakeBluez) -> None:
    seen = {one.name: one for one in await scan(0.5)}
    assert seen["stranger"].values[0].value_si == STRANGER_PA
    assert seen["stranger"].profile == "ess"
