"""What a probe may be and how it is believed, with unmodified bleak over simulated air."""

from __future__ import annotations

import asyncio
import contextlib
import random
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from bleak import BleakScanner
from bluetooth_rig import (
    CLAMP,
    CLAMP_ON_AIR,
    GAUGE,
    GAUGE_ON_AIR,
    QUICK,
    Listening,
    Sending,
    air,
    bus,
)

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter, BluetoothProbe, scan
from holdwatch_adapters.bluetooth.gatt import (
    HEALTH_THERMOMETER,
    SENSING_MEASUREMENT,
    SENSING_TRIGGER,
    TEMPERATURE_MEASUREMENT,
    full_uuid,
)
from holdwatch_adapters.bluetooth.probe import Translator
from holdwatch_adapters.bluetooth.settings import LayoutSettings
from holdwatch_adapters.ports import AdapterError, MemoryCounters
from holdwatch_physics.reading import ProbeNotice, Reading
from holdwatch_simulators.air import FakeBluez
from holdwatch_simulators.air.sealing import seal
from holdwatch_simulators.wire import (
    ENVIRONMENTAL_SENSING,
    PRESSURE,
    TEMPERATURE,
    CharacteristicDescription,
    ProbeDescription,
    WireUpdate,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdwatch_simulators.air import PrivateBus

__all__ = ["air", "bus"]

# Invented for these tests: no maker's.
MAKERS_SERVICE = "6d1f0001-57b4-4c3e-9a51-0d3f2c7a9be0"
MAKERS_VALUES = "6d1f0002-57b4-4c3e-9a51-0d3f2c7a9be0"
MAKERS_PRESSURE = "6d1f0003-57b4-4c3e-9a51-0d3f2c7a9be0"
PSI_THOUSANDTHS = bytes.fromhex("10fda527010000")

KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
WRONG_KEY = bytes.fromhex("814aac74c4f17b6c1581e1ab87816b99")


def device(*characteristics: CharacteristicDescription, **more: Any) -> ProbeDescription:
    services = tuple(sorted({c.service_uuid for c in characteristics}))
    return ProbeDescription("device", GAUGE.address, "gatt", characteristics, services, **more)


def enrolled(**more: Any) -> BluetoothProbe:
    more = {"silence_s": 0.6, "poll_s": 0.05} | more
    return BluetoothProbe("probe", GAUGE.address, "gatt", **more)


class Saying:
    """One device that says the same again and again."""

    def __init__(self, air: FakeBluez, *values: tuple[str, str]) -> None:
        self._air = air
        self.updates = [WireUpdate("device", uuid, bytes.fromhex(data)) for uuid, data in values]

    async def __aenter__(self) -> None:
        self._task = asyncio.create_task(self._say())

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def _say(self) -> None:
        while True:
            for update in self.updates:
                self._air.update(update)
            await asyncio.sleep(0.05)


async def test_a_characteristic_that_describes_itself_is_read_without_code(
    bus: PrivateBus, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    fake = device(
        CharacteristicDescription(MAKERS_SERVICE, MAKERS_PRESSURE, PSI_THOUSANDTHS),
        CharacteristicDescription(MAKERS_SERVICE, MAKERS_VALUES, bytes.fromhex("0400ad27010000")),
    )
    values = (MAKERS_PRESSURE, "99c6ffff"), (MAKERS_VALUES, "40")
    async with (
        FakeBluez(bus.address, [fake]) as air,
        Saying(air, *values),
        Listening(enrolled()) as ear,
    ):
        await ear.until_more("probe/pressure")
        # -14.695 psi: 1 psi = 6894.757 Pa (NIST SP 811)
        quantity, value = ear.values("probe/pressure")[0]
        assert quantity == "pressure_gauge"
        assert value == pytest.approx(-101_318.46, abs=0.01)
        assert caplog.text.count("unit 0x27ad is none of pressure or temperature") == 1
        air.disconnect("device")
        await ear.until_more("probe/pressure", 5)
        assert caplog.text.count("unit 0x27ad is none of pressure or temperature") == 1


def makers(channel: str, unit: str, **more: Any) -> LayoutSettings:
    return LayoutSettings(
        service=MAKERS_SERVICE, characteristic=MAKERS_VALUES, channel=channel, unit=unit, **more
    )


async def test_declared_layouts_are_read_from_one_characteristic(bus: PrivateBus) -> None:
    fake = device(CharacteristicDescription(MAKERS_SERVICE, MAKERS_VALUES))
    layouts = (
        makers("pressure", "kPaa", factor=0.1, type="u32", offset=1),
        makers("temperature", "degC", factor=0.01, type="s16", offset=5),
    )
    async with (
        FakeBluez(bus.address, [fake]) as air,
        Saying(air, (MAKERS_VALUES, "01f50300005908")),
        Listening(enrolled(layouts=layouts, pressure_reference="absolute")) as ear,
    ):
        await ear.until_more("probe/temperature")
        assert ear.values("probe/pressure")[0] == ("pressure_absolute", 101_300.0)
        assert ear.values("probe/temperature")[0][1] == pytest.approx(294.52)


async def test_a_layout_of_another_device_is_named_in_the_log(
    bus: PrivateBus, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    wrong = makers("pressure.2", "kPag", type="u16")
    fake = device(CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE))
    async with (
        FakeBluez(bus.address, [fake]) as air,
        Saying(air, (PRESSURE, "80969800")),
        Listening(enrolled(layouts=(wrong,))) as ear,
    ):
        await ear.until_more("probe/pressure")
        assert f"layout of {MAKERS_VALUES} finds no such characteristic" in caplog.text


async def test_a_health_thermometer_is_a_probe(bus: PrivateBus) -> None:
    fake = device(CharacteristicDescription(HEALTH_THERMOMETER, TEMPERATURE_MEASUREMENT))
    async with (
        FakeBluez(bus.address, [fake]) as air,
        Saying(air, (TEMPERATURE_MEASUREMENT, "006c0100ff")),
        Listening(enrolled()) as ear,
    ):
        await ear.until_more("probe/temperature")
        assert set(ear.values("probe/temperature")) == {("temperature", 309.55)}
        air.update(WireUpdate("device", TEMPERATURE_MEASUREMENT, bytes.fromhex("00ffff7f00")))
        await ear.until_told(enrolled(), "malformed")
        assert "temperature is not known" in ear.notices(enrolled(), "malformed")[0].detail


async def test_what_only_reads_is_polled(bus: PrivateBus) -> None:
    mute = CharacteristicDescription(
        ENVIRONMENTAL_SENSING, TEMPERATURE, notify=False, initial=bytes.fromhex("5908")
    )
    fake = device(CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE), mute)
    async with (
        FakeBluez(bus.address, [fake]) as air,
        Saying(air, (PRESSURE, "80969800")),
        Listening(enrolled()) as ear,
    ):
        await ear.until_more("probe/temperature", 5)
        assert set(ear.values("probe/temperature")) == {("temperature", 294.52)}
        assert air.calls["ReadValue"] >= 5
        air.slow("ReadValue", 60.0)  # a read that hangs is a lost link, and taken up again
        await ear.until_told(enrolled(), "lost")
        air.slow("ReadValue", 0.0)
        await ear.until_more("probe/temperature")


@pytest.mark.parametrize(
    ("descriptor", "read"),
    [
        ("00000100000000000000ff", True),
        ("00000200000000000000ff", True),
        ("00000400000000000000ff", False),
        ("00000500000000000000ff", False),
        ("00000600000000000000ff", False),
    ],
)
async def test_a_maximum_of_the_past_is_no_reading(
    bus: PrivateBus, descriptor: str, *, read: bool
) -> None:
    told = (SENSING_MEASUREMENT, bytes.fromhex(descriptor))
    fake = device(
        CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE, descriptors=(told,)),
        CharacteristicDescription(ENVIRONMENTAL_SENSING, TEMPERATURE),
    )
    async with (
        FakeBluez(bus.address, [fake]) as air,
        Saying(air, (PRESSURE, "80969800"), (TEMPERATURE, "5908")),
        Listening(enrolled()) as ear,
    ):
        await ear.until_more("probe/temperature", 5)
        assert bool(ear.values("probe/pressure")) is read


async def test_a_probe_that_states_a_long_interval_is_not_taken_for_dead(bus: PrivateBus) -> None:
    every_second = (SENSING_MEASUREMENT, bytes.fromhex("0000010000000100000000"))
    fake = device(
        CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE, descriptors=(every_second,))
    )
    async with FakeBluez(bus.address, [fake]) as air, Listening(enrolled(silence_s=0.3)) as ear:
        await ear.until_told(enrolled(), "connected")
        for _ in range(3):
            await asyncio.sleep(0.7)
            air.update(WireUpdate("device", PRESSURE, bytes.fromhex("80969800")))
        await ear.until_more("probe/pressure", 0)
        assert ear.notices(enrolled(), "lost") == []


async def test_a_probe_that_notifies_only_changes_is_polled(bus: PrivateBus) -> None:
    on_change = (SENSING_TRIGGER, b"\x03")
    steady = CharacteristicDescription(
        ENVIRONMENTAL_SENSING,
        PRESSURE,
        initial=bytes.fromhex("80969800"),
        descriptors=(on_change,),
    )
    async with FakeBluez(bus.address, [device(steady)]) as air, Listening(enrolled()) as ear:
        await ear.until_more("probe/pressure", 20)
        assert ear.notices(enrolled(), "lost") == []
        assert not air.subscribed("device")


async def test_a_second_pressure_is_a_second_channel_whatever_its_form(bus: PrivateBus) -> None:
    fake = device(
        CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE),
        CharacteristicDescription(MAKERS_SERVICE, MAKERS_PRESSURE, PSI_THOUSANDTHS),
    )
    async with (
        FakeBluez(bus.address, [fake]) as air,
        Saying(air, (PRESSURE, "80969800"), (MAKERS_PRESSURE, "00000000")),
        Listening(enrolled()) as ear,
    ):
        await ear.until_more("probe/pressure.2")
        assert set(ear.values("probe/pressure")) == {("pressure_gauge", 1_000_000.0)}
        assert set(ear.values("probe/pressure.2")) == {("pressure_gauge", 0.0)}


async def test_a_scan_reads_thermometers_and_self_descriptions_too(bus: PrivateBus) -> None:
    fake = device(
        CharacteristicDescription(
            HEALTH_THERMOMETER, TEMPERATURE_MEASUREMENT, initial=bytes.fromhex("006c0100ff")
        ),
        CharacteristicDescription(MAKERS_SERVICE, MAKERS_PRESSURE, PSI_THOUSANDTHS, b"\0\0\0\0"),
    )
    async with FakeBluez(bus.address, [fake]):
        (seen,) = await scan(0.3)
    assert seen.profile == "gatt"
    assert {(v.kind, v.value_si) for v in seen.values} == {
        ("temperature", 309.55),
        ("pressure", 0.0),
    }


# Passive scanning, and the radio itself


async def test_a_passive_scan_hears_connectable_probes_and_broadcasters(air: FakeBluez) -> None:
    async with Sending(air), Listening(GAUGE, CLAMP, passive=True) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await ear.until_more("BM-bay1-clamp/temperature")
        assert air.calls.get("StartDiscovery", 0) == 0
        assert air.calls["RegisterMonitor"] == 1


async def test_a_passive_scan_hears_nothing_that_it_did_not_ask_for(air: FakeBluez) -> None:
    heard: list[str] = []
    patterns: Any = {"or_patterns": [(0, 0x16, b"\x1a\x18")]}
    async with (
        BleakScanner(lambda d, _: heard.append(d.address), scanning_mode="passive", bluez=patterns),
        Sending(air),
    ):
        await asyncio.sleep(0.5)
    assert heard == []


async def test_without_experimental_features_a_passive_scan_is_one_clear_error(
    bus: PrivateBus,
) -> None:
    async with FakeBluez(bus.address, [CLAMP_ON_AIR], experimental=False):
        stream = BluetoothAdapter([CLAMP], Clock(), passive=True).stream()
        with pytest.raises(AdapterError, match=r'experimental.*set scanning = "active"'):
            await anext(stream)


async def test_a_radio_that_is_pulled_out_and_put_back_is_taken_up_at_once(air: FakeBluez) -> None:
    patient = replace(QUICK, scanner_silence=600.0)  # silence alone would not tell it in time
    async with Sending(air), Listening(GAUGE, CLAMP, timing=patient) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await ear.until_more("BM-bay1-clamp/temperature")
        await air.unplug()
        await ear.until_told(GAUGE, "lost")
        await ear.until_told(CLAMP, "lost")
        await asyncio.sleep(0.5)
        await air.plug_in()
        await ear.until_more("BM-bay1-gauge/pressure")
        await ear.until_more("BM-bay1-clamp/temperature")


# Who is believed


class Clock:
    def utc_ns(self) -> int:
        return 1

    def mono_ns(self) -> int:
        return 1

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


SECRET = BluetoothProbe("BM-bay1-clamp", CLAMP_ON_AIR.address, "bthome", silence_s=5.0, key=KEY)


def packet(count: int, hundredths: int, key: bytes = KEY) -> bytes:
    objects = bytes([0, count % 256, 2]) + hundredths.to_bytes(2, "little", signed=True)
    return seal(objects, key=key, address=CLAMP_ON_AIR.address, counter=count)


async def say(air: FakeBluez, payloads: Sequence[bytes]) -> None:
    for payload in payloads:
        air.update(WireUpdate(CLAMP_ON_AIR.name, None, payload))
        await asyncio.sleep(0.02)


def hundredths(ear: Listening) -> list[int]:
    found = ear.values("BM-bay1-clamp/temperature")
    return [round((value - 273.15) * 100) for _, value in found]


async def test_an_impostor_with_a_probes_address_and_another_key_is_never_believed(
    air: FakeBluez,
) -> None:
    async with Listening(SECRET) as ear:
        while not ear.values("BM-bay1-clamp/temperature"):  # until the scan has begun
            await say(air, [packet(1, 2100)])
        source = random.Random(5)
        for count in range(2, 60):
            await say(air, [packet(count, 2100 + count)])
            forged = source.choice(
                [
                    packet(count + 1, 9000, WRONG_KEY),
                    bytes.fromhex("4002282302"),
                    bytes.fromhex("40022823"),
                    source.randbytes(15),
                    packet(count - 1, 2100 + count - 1),  # a replay
                ]
            )
            air.impersonate(CLAMP_ON_AIR.name, forged)
            await asyncio.sleep(0.02)
        await ear.until(lambda: hundredths(ear)[-1:] == [2159])
        assert hundredths(ear) == [2100, *(2100 + count for count in range(2, 60))]
        assert ear.notices(SECRET, "refused")
        assert len(ear.notices(SECRET, "connected")) == 1


async def test_packets_that_are_repeated_and_mixed_up_are_each_stored_once(
    air: FakeBluez,
) -> None:
    async with Listening(CLAMP) as ear:
        while not ear.values("BM-bay1-clamp/temperature"):
            await say(air, [bytes.fromhex("40000002d007")])
        air.repeat(CLAMP_ON_AIR.name, 3)
        air.reorder(CLAMP_ON_AIR.name)
        sent = [2001 + count for count in range(40)]
        for count, value in enumerate(sent):
            plain = bytes([0x40, 0, count + 1, 2]) + value.to_bytes(2, "little")
            await say(air, [plain])
        await ear.until(lambda: len(hundredths(ear)) >= 41)
        await asyncio.sleep(0.1)
        assert sorted(hundredths(ear)) == [2000, *sent]


async def test_a_replay_after_a_restart_is_refused_over_the_air(air: FakeBluez) -> None:
    counters = MemoryCounters()
    async with Listening(SECRET, counters=counters) as ear:
        while not ear.values("BM-bay1-clamp/temperature"):
            await say(air, [packet(500, 2100)])
    async with Listening(SECRET, counters=counters) as ear:
        while not ear.notices(SECRET, "refused"):
            await say(air, [packet(499, 2100), packet(500, 2100)])
        assert not any(isinstance(item, Reading) for item in ear.heard)
        assert ear.notices(SECRET, "connected") == [], "a replay is no sign of life"
        await say(air, [packet(501, 2222)])
        await ear.until(lambda: hundredths(ear) == [2222])


async def test_signal_and_battery_are_surfaced(air: FakeBluez) -> None:
    async with Sending(air), Listening(GAUGE) as ear:
        await ear.until_told(GAUGE, "battery")
        state = ear.adapter.states()[GAUGE.name]
        assert state.battery_percent == 80.0
        assert state.rssi_dbm in {GAUGE_ON_AIR.rssi_dbm, GAUGE_ON_AIR.rssi_dbm - 1}
        assert ear.notices(GAUGE, "signal")[0].value in {-60.0, -61.0}
        await ear.until_more("BM-bay1-gauge/pressure", 10)
        assert len(ear.notices(GAUGE, "signal")) == 1, "one decibel is no news"


def test_a_signal_that_falls_is_told_at_most_twice_a_minute() -> None:
    class Moving(Clock):
        now_ns = 0

        def mono_ns(self) -> int:
            return self.now_ns

    clock = Moving()
    translator = Translator(GAUGE, clock)
    told: list[Reading | ProbeNotice] = []
    for second in range(120):
        clock.now_ns = second * 1_000_000_000
        told += translator.signal(-50 - 10 * (second % 2))
    assert 2 <= len(told) <= 5


def test_short_identifiers_are_the_sigs() -> None:
    assert full_uuid(0x290C) == SENSING_MEASUREMENT
