"""The payload feed: the radio's decoders without a radio, and what they say of bad payloads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_adapters.bluetooth.gatt import BATTERY_LEVEL, PRESSURE, TEMPERATURE
from holdwatch_adapters.bluetooth.probe import Payload, PayloadAdapter
from holdwatch_adapters.bluetooth.settings import BluetoothProbe
from holdwatch_physics.reading import ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

GAUGE = BluetoothProbe("BM-bay1-gauge", "C0:00:00:00:00:01", "ess")
VACUUM = BluetoothProbe("BM-bay1-vacuum", "C0:00:00:00:00:02", "ess", "absolute")
CLAMP = BluetoothProbe("BM-bay1-clamp", "C0:00:00:00:00:03", "bthome")


class Ticking:
    """A clock that moves one second at each look."""

    def __init__(self) -> None:
        self.now = 0

    def utc_ns(self) -> int:
        return self.now

    def mono_ns(self) -> int:
        self.now += 1_000_000_000
        return self.now

    async def sleep(self, seconds: float) -> None:
        raise AssertionError(f"decoding waits for nothing, not {seconds} s")


async def told(*payloads: tuple[str, str | None, str]) -> list[Reading | ProbeNotice]:
    async def feed() -> AsyncIterator[Payload]:
        for probe, uuid, payload in payloads:
            yield probe, uuid, bytes.fromhex(payload)

    adapter = PayloadAdapter([GAUGE, VACUUM, CLAMP], Ticking(), feed())
    return [item async for item in adapter.stream()]


async def readings(*payloads: tuple[str, str | None, str]) -> list[tuple[str, str, float]]:
    return [
        (item.channel, item.quantity.value, item.value)
        for item in await told(*payloads)
        if isinstance(item, Reading)
    ]


async def notices(*payloads: tuple[str, str | None, str]) -> list[ProbeNotice]:
    heard = await told(*payloads)
    return [i for i in heard if isinstance(i, ProbeNotice) and i.kind != "connected"]


async def test_a_pressure_means_what_its_probe_declares() -> None:
    assert await readings(
        (GAUGE.name, PRESSURE, "02760f00"), (VACUUM.name, PRESSURE, "9b020000")
    ) == [
        ("BM-bay1-gauge/pressure", Quantity.PRESSURE_GAUGE.value, 101_325.0),
        ("BM-bay1-vacuum/pressure", Quantity.PRESSURE_ABSOLUTE.value, 66.7),
    ]


async def test_two_values_of_a_kind_are_two_channels() -> None:
    heard = await readings((CLAMP.name, None, "40000102ca0902cf09"))
    assert [channel for channel, _, _ in heard] == [
        "BM-bay1-clamp/temperature",
        "BM-bay1-clamp/temperature.2",
    ]


async def test_an_advertisement_heard_again_is_no_new_reading() -> None:
    again = (CLAMP.name, None, "40000902ca09")
    assert len(await readings(again, again, (CLAMP.name, None, "40000a02ca09"))) == 2


async def test_a_probe_that_is_not_enrolled_is_not_believed() -> None:
    assert await told(("somebody else's", PRESSURE, "02760f00")) == []


async def test_a_value_not_known_is_no_reading_but_a_word() -> None:
    assert await readings((GAUGE.name, TEMPERATURE, "0080")) == []
    (notice,) = await notices((GAUGE.name, TEMPERATURE, "0080"))
    assert notice.kind == "malformed"
    assert "temperature is not known" in notice.detail


async def test_a_babbling_probe_is_named_once_until_it_is_well() -> None:
    bad, good = (GAUGE.name, PRESSURE, "0276"), (GAUGE.name, PRESSURE, "02760f00")
    heard = await notices(bad, bad, bad, good, bad)
    assert [notice.kind for notice in heard] == ["malformed", "malformed"]
    assert "4 bytes, not 2" in heard[0].detail


async def test_an_encrypted_probe_is_refused_with_the_reason() -> None:
    (notice,) = await notices((CLAMP.name, None, "41a47266c95f730011223378237214"))
    assert notice.kind == "refused"
    assert "key is needed" in notice.detail


async def test_a_battery_is_told_when_it_changes() -> None:
    heard = await notices(
        (GAUGE.name, BATTERY_LEVEL, "50"),
        (GAUGE.name, BATTERY_LEVEL, "50"),
        (GAUGE.name, BATTERY_LEVEL, "4f"),
    )
    assert [(notice.kind, notice.value) for notice in heard] == [("battery", 80), ("battery", 79)]
