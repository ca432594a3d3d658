"""A live bay keeps a clock's time and sends the bytes of published formats."""

from __future__ import annotations

import asyncio
import itertools
import struct
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import pytest
from bleak.backends.device import BLEDevice
from bthome_ble.parser import BTHomeBluetoothDeviceData
from habluetooth import BluetoothServiceInfoBleak
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_simulators import garage, payloads, wire
from holdwatch_simulators.garage import Overrides
from holdwatch_simulators.live import LiveBay, ProbeSample, address_of, describe
from holdwatch_simulators.scenario import Run, Sample
from holdwatch_simulators.script import Verb

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

T = TypeVar("T")


class SteppedClock:
    """A clock that jumps as far as it is asked to sleep, or as a test pushes it."""

    def __init__(self) -> None:
        self.now_ns = 5_000_000_000

    def mono_ns(self) -> int:
        return self.now_ns

    async def sleep(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9)
        await asyncio.sleep(0)


async def first(items: AsyncIterator[T], count: int) -> list[T]:
    taken: list[T] = []
    async for item in items:
        taken.append(item)
        if len(taken) == count:
            break
    return taken


@pytest.mark.parametrize(
    ("payload", "expected"),
    # Bluetooth SIG GATT Specification Supplement layouts; the bytes were worked out by hand
    # and confirmed with an independent decoder.
    [
        (payloads.gatt_pressure(101_325.0), "02760f00"),
        (payloads.gatt_pressure(66.66), "9b020000"),
        (payloads.gatt_pressure(1_000_000.0), "80969800"),
        (payloads.gatt_temperature(263.15), "18fc"),
        (payloads.gatt_temperature(294.52), "5908"),
        (payloads.TEMPERATURE_UNKNOWN, "0080"),
        (payloads.gatt_battery(100.0), "64"),
        (payloads.PRESSURE_PRESENTATION, "08ff2427010000"),
        (payloads.TEMPERATURE_PRESENTATION, "0efe2f27010000"),
        # BTHome v2, the test vectors of the reference parser (bthome-ble, test_parser_v2).
        (payloads.bthome(pressure_pa=100_883.0), "4004138a01"),
        (payloads.bthome(t_k=273.15 + 25.06), "4002ca09"),
        (payloads.bthome(9, 93.0, 273.15 + 23.97), "400009015d025d09"),
    ],
)
def test_payloads_are_the_published_bytes(payload: bytes, expected: str) -> None:
    assert payload.hex() == expected


def test_values_that_do_not_fit_are_sent_as_the_nearest_that_do() -> None:
    assert payloads.gatt_pressure(-500.0) == bytes(4)
    assert payloads.gatt_pressure(1e12) == b"\xff" * 4
    assert payloads.gatt_temperature(-10.0) != payloads.TEMPERATURE_UNKNOWN
    assert payloads.gatt_temperature(1e4) == b"\xff\x7f"
    assert payloads.gatt_battery(140.0) == b"\x64"
    assert payloads.bthome(pressure_pa=-1.0) == bytes.fromhex("4004000000")


@given(
    packet_id=st.integers(0, 255),
    battery=st.integers(0, 100),
    t_c=st.floats(-100.0, 200.0),
    pressure_pa=st.floats(0.0, 1.6e7),
)
def test_an_independent_parser_reads_what_was_sent(
    packet_id: int, battery: int, t_c: float, pressure_pa: float
) -> None:
    payload = payloads.bthome(packet_id, battery, 273.15 + t_c, pressure_pa)
    parser = BTHomeBluetoothDeviceData()
    update = parser.update(
        BluetoothServiceInfoBleak(
            name="van",
            address="C0:00:00:00:00:01",
            rssi=-60,
            manufacturer_data={},
            service_data={wire.BTHOME_SERVICE_DATA: payload},
            service_uuids=[],
            source="",
            device=BLEDevice("C0:00:00:00:00:01", "van", None),
            advertisement=None,
            connectable=False,
            time=0.0,
            tx_power=None,
        )
    )
    values = {key.key: value.native_value for key, value in update.entity_values.items()}
    assert values["packet_id"] == packet_id
    assert values["battery"] == battery
    assert values["temperature"] == pytest.approx(t_c, abs=0.0051)
    assert values["pressure"] == pytest.approx(pressure_pa / 100.0, abs=0.0051)


def test_devices_are_described_as_they_speak() -> None:
    gauge, clamp, _, shop = describe(garage.scenario("demo-bm02"))
    assert gauge.kind == clamp.kind == "gatt"
    assert [c.characteristic_uuid for c in gauge.characteristics] == [
        wire.PRESSURE,
        wire.BATTERY_LEVEL,
    ]
    assert gauge.characteristics[0].presentation == payloads.PRESSURE_PRESENTATION
    assert clamp.characteristics[0].characteristic_uuid == wire.TEMPERATURE
    assert shop.kind == "bthome"
    assert shop.characteristics == ()
    names = [
        probe.name for bay in ("demo-bm01", "demo-bm02") for probe in describe(garage.scenario(bay))
    ]
    assert len({address_of(name) for name in names}) == len(set(names)) == 7


def test_addresses_are_random_static_ones_and_never_change() -> None:
    address = address_of("BM-01 vacuum gauge")
    assert address == address_of("BM-01 vacuum gauge")
    assert int(address[:2], 16) & 0xC0 == 0xC0
    assert len(address.split(":")) == 6


def test_a_device_that_cannot_be_shown_is_refused() -> None:
    scenario = garage.scenario("nitrogen-tight")
    same = replace(
        scenario,
        probes=(scenario.probes[1], replace(scenario.probes[2], device=scenario.probes[1].device)),
    )
    with pytest.raises(ValueError, match="carries one quantity twice"):
        describe(same)
    mixed = replace(
        scenario,
        probes=(
            scenario.probes[0],
            replace(scenario.probes[1], device=scenario.probes[0].device, link="bthome"),
        ),
    )
    with pytest.raises(ValueError, match="give it one link"):
        describe(mixed)


async def test_samples_come_at_each_probes_interval_in_the_clocks_time() -> None:
    clock = SteppedClock()
    bay = LiveBay(garage.scenario("nitrogen-tight"), 1, clock)
    samples = await first(bay.samples(), 200)
    gauge = [s for s in samples if s.role == "low_side"]
    barometer = [s for s in samples if s.role == "barometer"]
    assert {b.t_ns - a.t_ns for a, b in itertools.pairwise(gauge)} == {1_000_000_000}
    assert {b.t_ns - a.t_ns for a, b in itertools.pairwise(barometer)} == {10_000_000_000}
    assert gauge[0].t_ns == 5_000_000_000
    assert gauge[0].kind == "pressure_gauge"
    assert barometer[0].kind == "pressure_absolute"


async def test_a_live_bay_says_what_the_trace_of_its_seed_says() -> None:
    scenario = garage.scenario("nitrogen-leak", Overrides(duration_s=400.0))
    bay = LiveBay(scenario, 4, SteppedClock())
    live = [(s.role, s.si_value) for s in await first(bay.samples(), 1000)]
    events = Run(scenario, 4).events()
    recorded = [(e.probe.role, e.value) for e in events if isinstance(e, Sample)]
    assert live == recorded[:1000]


async def test_wire_updates_decode_to_the_samples() -> None:
    scenario = garage.scenario("demo-bm01")
    samples = await first(LiveBay(scenario, 2, SteppedClock()).samples(), 300)
    updates = await first(LiveBay(scenario, 2, SteppedClock()).wire_updates(), 280)
    said = [s.si_value for s in samples if s.role == "vacuum"]
    sent = [
        struct.unpack("<I", u.payload)[0] / 10.0
        for u in updates
        if u.characteristic_uuid == wire.PRESSURE
    ]
    assert len(sent) > 90
    assert sent == pytest.approx(said[: len(sent)], abs=0.051)
    advertised = [u.payload for u in updates if u.characteristic_uuid is None]
    assert [payload[2] for payload in advertised] == list(range(len(advertised)))
    batteries = [u for u in updates if u.characteristic_uuid == wire.BATTERY_LEVEL]
    assert 4 <= len(batteries) <= 6  # two devices, once a minute


async def test_a_clock_that_ran_ahead_is_caught_up_without_values_of_the_past() -> None:
    clock = SteppedClock()
    bay = LiveBay(garage.scenario("nitrogen-tight"), 1, clock)
    stream = bay.samples()
    await first(stream, 5)
    clock.now_ns += 900_000_000_000
    late: list[ProbeSample] = []
    async for sample in stream:
        late.append(sample)
        if sample.role == "barometer":
            break
    assert len(late) <= 5
    assert bay.run.t_s == pytest.approx(900.0, abs=1.0)
    assert late[0].role == "low_side"
    assert late[0].si_value > 9e5


async def test_the_script_begins_when_told_and_marks_are_called_out() -> None:
    marks: list[str] = []
    clock = SteppedClock()
    bay = LiveBay(garage.scenario("demo-bm02"), 1, clock, start_after_s=600.0, on_mark=marks.append)
    async for sample in bay.samples():
        seconds = (sample.t_ns - 5_000_000_000) / 1e9
        if seconds < 600.0:
            assert bay.run.plant.charge_to_pa is None
            assert marks == []
        if seconds >= 901.0:
            break
    assert marks == ["valve_closed"]
    assert bay.run.plant.gauge_pa > 9e5


async def test_after_the_script_the_bay_stays_as_it_is_and_is_still_read() -> None:
    scenario = garage.scenario("nitrogen-tight", Overrides(duration_s=600.0))
    clock = SteppedClock()
    bay = LiveBay(scenario, 1, clock)
    values = [s for s in await first(bay.samples(), 9000) if s.role == "low_side"]
    assert bay.run.t_s > 2000.0
    assert values[-1].si_value == pytest.approx(values[1200].si_value, rel=0.02)


async def test_a_repeating_bay_begins_anew_with_other_noise() -> None:
    marks: list[str] = []
    scenario = garage.scenario("nitrogen-tight", Overrides(duration_s=400.0))
    clock = SteppedClock()
    bay = LiveBay(scenario, 1, clock, repeat=True, on_mark=marks.append)
    gauge = [s for s in await first(bay.samples(), 2900) if s.role == "low_side"]
    assert marks == ["valve_closed", "valve_closed"]
    second = gauge[401:]
    assert second[0].si_value < 1e4  # another van, open to the shop
    assert second[0].t_ns == gauge[400].t_ns
    assert [s.si_value for s in second[:100]] != [s.si_value for s in gauge[:100]]


async def test_people_may_act_beside_the_script() -> None:
    marks: list[str] = []
    bay = LiveBay(garage.scenario("nitrogen-tight"), 1, SteppedClock(), on_mark=marks.append)
    acted = False
    async for _ in bay.samples():
        if bay.run.t_s == 200.0 and not acted:
            acted = True
            bay.close_valve()
            bay.perform(Verb.OPEN_VENT)
        if bay.run.t_s == 299.0:
            break
    assert marks == ["valve_closed"]
    assert bay.run.plant.gauge_pa < 2e5


async def test_a_bay_is_read_once() -> None:
    bay = LiveBay(garage.scenario("nitrogen-tight"), 1, SteppedClock())
    await first(bay.samples(), 1)
    with pytest.raises(RuntimeError, match="iterated once"):
        await first(bay.wire_updates(), 1)
