"""The Bluetooth adapter with unmodified bleak, over a private bus and simulated air."""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from adapter_rig import WallClock
from bleak import BleakClient, BleakScanner
from bluetooth_rig import (
    CLAMP,
    CLAMP_ON_AIR,
    GAUGE,
    GAUGE_ON_AIR,
    ON_AIR,
    QUICK,
    STRANGER_ON_AIR,
    VACUUM,
    VACUUM_ON_AIR,
    Listening,
    Sending,
    air,
    bus,
    sensor,
)

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter, BluetoothProbe, scan
from holdwatch_adapters.bluetooth.link import LinkTiming
from holdwatch_adapters.ports import AdapterError
from holdwatch_physics.reading import ProbeNotice, Reading
from holdwatch_simulators.air import FakeBluez
from holdwatch_simulators.wire import PRESSURE, WireUpdate

if TYPE_CHECKING:
    from holdwatch_simulators.air import PrivateBus

__all__ = ["air", "bus"]


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def test_readings_of_connected_and_broadcasting_probes_arrive_in_si(air: FakeBluez) -> None:
    # Patient: a busy machine may hold its breath for half a second.
    patient = [replace(probe, silence_s=10.0) for probe in (GAUGE, VACUUM, CLAMP)]
    async with Sending(air), Listening(*patient) as ear:
        for channel in (
            "BM-bay1-gauge/pressure",
            "BM-bay1-gauge/temperature",
            "BM-bay1-vacuum/pressure",
            "BM-bay1-clamp/temperature",
        ):
            await ear.until_more(channel)
        assert set(ear.values("BM-bay1-gauge/pressure")) == {("pressure_gauge", 1_000_000.0)}
        assert set(ear.values("BM-bay1-gauge/temperature")) == {("temperature", 294.52)}
        assert set(ear.values("BM-bay1-vacuum/pressure")) == {("pressure_absolute", 66.7)}
        assert set(ear.values("BM-bay1-clamp/temperature")) == {("temperature", 298.21)}
        for probe in (GAUGE, VACUUM, CLAMP):
            assert len(ear.notices(probe, "connected")) == 1
        states = ear.adapter.states()
        assert states["BM-bay1-clamp"].rssi_dbm in {-71, -72}
        assert all(state.connected for state in states.values())
    lost = [ear.notices(probe, "lost") for probe in (GAUGE, VACUUM, CLAMP)]
    assert lost == [[], [], []], "nobody listens any more when the adapter is stopped"
    assert not air.subscribed(GAUGE_ON_AIR.name)


async def test_only_enrolled_probes_are_believed(air: FakeBluez) -> None:
    async with Sending(air), Listening(VACUUM) as ear:
        await ear.until_more("BM-bay1-vacuum/pressure", 10)
        names = {i.channel.split("/")[0] if isinstance(i, Reading) else i.probe for i in ear.heard}
        assert names == {"BM-bay1-vacuum"}
        assert not air.subscribed(STRANGER_ON_AIR.name)


@pytest.mark.parametrize("hidden", [True, False])
async def test_the_battery_is_told_whichever_way_the_system_shows_it(
    bus: PrivateBus, *, hidden: bool
) -> None:
    async with (
        FakeBluez(bus.address, ON_AIR, battery_hidden=hidden) as air,
        Sending(air),
        Listening(GAUGE) as ear,
    ):
        await ear.until_told(GAUGE, "battery")
        assert [notice.value for notice in ear.notices(GAUGE, "battery")] == [80.0]


async def test_a_dropped_link_is_taken_up_again(air: FakeBluez) -> None:
    async with Sending(air), Listening(GAUGE) as ear:
        for turn in range(1, 4):
            await ear.until_more("BM-bay1-gauge/pressure")
            air.disconnect(GAUGE_ON_AIR.name)
            await ear.until_told(GAUGE, "lost", turn)
        await ear.until_more("BM-bay1-gauge/pressure")
        assert "ended the link" in ear.notices(GAUGE, "lost")[0].detail
        assert len(ear.notices(GAUGE, "connected")) == 4


async def test_dropped_links_leave_no_open_files_behind(air: FakeBluez) -> None:
    async with Sending(air), Listening(GAUGE) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        before = open_files()
        for turn in range(1, 11):
            air.disconnect(GAUGE_ON_AIR.name)
            await ear.until_told(GAUGE, "lost", turn)
            await ear.until_told(GAUGE, "connected", turn + 1)
        await ear.until_more("BM-bay1-gauge/pressure")
        assert open_files() <= before + 1


async def test_notifications_that_stop_on_a_live_link_make_a_new_link(air: FakeBluez) -> None:
    async with Sending(air), Listening(GAUGE) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        air.mute(GAUGE_ON_AIR.name)
        await ear.until_told(GAUGE, "lost")
        assert "no data for 0.6 s" in ear.notices(GAUGE, "lost")[0].detail
        air.unmute(GAUGE_ON_AIR.name)
        await ear.until_more("BM-bay1-gauge/pressure")


async def test_one_channel_that_stops_while_the_other_speaks_makes_a_new_link(
    air: FakeBluez,
) -> None:
    async with Sending(air), Listening(GAUGE) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        air.mute(GAUGE_ON_AIR.name, PRESSURE)
        await ear.until_told(GAUGE, "lost")
        air.unmute(GAUGE_ON_AIR.name)
        await ear.until_more("BM-bay1-gauge/pressure")


async def test_a_broadcaster_that_repeats_itself_is_lost_until_it_measures_again(
    air: FakeBluez,
) -> None:
    packet = "40000902ca09"
    async with Listening(CLAMP) as ear:

        async def say(payload: str) -> None:
            air.update(WireUpdate(CLAMP_ON_AIR.name, None, bytes.fromhex(payload)))
            await asyncio.sleep(0.05)

        while not ear.notices(CLAMP, "lost"):
            await say(packet)
        assert len(ear.values("BM-bay1-clamp/temperature")) == 1
        while len(ear.notices(CLAMP, "connected")) < 2:
            await say("40000a02cb09")
        assert [value for _, value in ear.values("BM-bay1-clamp/temperature")] == [298.21, 298.22]


async def test_the_death_and_return_of_the_bluetooth_service_is_survived(air: FakeBluez) -> None:
    async with Sending(air), Listening(GAUGE, CLAMP) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await ear.until_more("BM-bay1-clamp/temperature")
        for turn in range(1, 3):
            await air.vanish()
            await ear.until_told(GAUGE, "lost", turn)
            assert ear.notices(GAUGE, "lost")[-1].detail == "the system's Bluetooth service is gone"
            await air.come_back()
            await ear.until_more("BM-bay1-gauge/pressure")
            await ear.until_more("BM-bay1-clamp/temperature")


async def test_the_death_of_the_whole_bus_ends_the_stream_with_advice(
    bus: PrivateBus, air: FakeBluez
) -> None:
    patience = LinkTiming(connect=1.0, call=1.0, disconnect=1.0, daemon_return=0.3)
    async with Sending(air), Listening(GAUGE, timing=patience) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await bus.stop()
        with pytest.raises(AdapterError, match="stays away"):
            await asyncio.wait_for(ear.task, 10.0)
        assert len(ear.notices(GAUGE, "lost")) == 1


async def test_a_bluetooth_service_that_stays_away_ends_the_stream_with_advice(
    air: FakeBluez,
) -> None:
    patience = LinkTiming(connect=1.0, call=1.0, disconnect=1.0, daemon_return=0.3)
    async with Sending(air), Listening(GAUGE, timing=patience) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await air.vanish()
        with pytest.raises(AdapterError, match=r"stays away.*systemctl status bluetooth"):
            await asyncio.wait_for(ear.task, 5.0)


async def test_no_bluetooth_service_is_one_clear_error(bus: PrivateBus) -> None:
    stream = BluetoothAdapter([GAUGE], WallClock(), timing=QUICK).stream()
    with pytest.raises(AdapterError, match="no Bluetooth scan can be started"):
        await anext(stream)
    with pytest.raises(AdapterError, match="no Bluetooth scan can be started"):
        await scan(0.1)


async def test_no_system_bus_is_one_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere/bus")
    stream = BluetoothAdapter([GAUGE], WallClock(), timing=QUICK).stream()
    with pytest.raises(AdapterError, match="the system bus cannot be reached"):
        await anext(stream)


async def test_a_probe_out_of_range_comes_back_by_itself(air: FakeBluez) -> None:
    async with Sending(air), Listening(GAUGE, VACUUM) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        air.switch_off(GAUGE_ON_AIR.name)
        await ear.until_told(GAUGE, "lost")
        await ear.until_more("BM-bay1-vacuum/pressure", 10)
        air.switch_on(GAUGE_ON_AIR.name)
        await ear.until_more("BM-bay1-gauge/pressure")
        assert ear.notices(VACUUM, "lost") == []


async def test_refused_and_slow_connects_are_tried_again(air: FakeBluez) -> None:
    air.refuse("Connect", times=2)
    air.refuse("StartNotify", times=1)
    air.slow("Connect", 0.2)
    async with Sending(air), Listening(GAUGE) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        assert air.calls["Connect"] >= 4
        assert len(ear.notices(GAUGE, "connected")) == 1


async def test_a_connect_that_hangs_does_not_keep_another_probe_waiting_for_ever(
    air: FakeBluez,
) -> None:
    hasty = LinkTiming(connect=0.5, call=1.0, disconnect=1.0, backoff_first=0.05, backoff_last=0.2)
    async with Sending(air), Listening(GAUGE, VACUUM, timing=hasty) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await ear.until_more("BM-bay1-vacuum/pressure")
        # Seen, then gone in the moment of connecting.
        air.slow("Connect", 60.0)
        air.disconnect(GAUGE_ON_AIR.name)
        await ear.until_more("BM-bay1-vacuum/pressure", 20)
        air.slow("Connect", 0.0)
        air.disconnect(VACUUM_ON_AIR.name)
        await ear.until_more("BM-bay1-vacuum/pressure")
        await ear.until_more("BM-bay1-gauge/pressure")


async def test_a_service_that_answers_nothing_for_a_while_stops_no_probe_for_ever(
    air: FakeBluez,
) -> None:
    hasty = replace(QUICK, connect=1.0, call=1.0, disconnect=0.5, adopt=0.5)
    async with Sending(air), Listening(GAUGE, VACUUM, timing=hasty) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await ear.until_more("BM-bay1-vacuum/pressure")
        for member in ("Connect", "Disconnect", "StartNotify"):
            air.slow(member, 60.0)
        air.disconnect(GAUGE_ON_AIR.name)
        air.disconnect(VACUUM_ON_AIR.name)
        await asyncio.sleep(2.0)
        for member in ("Connect", "Disconnect", "StartNotify"):
            air.slow(member, 0.0)
        await ear.until_more("BM-bay1-gauge/pressure", within_s=20.0)
        await ear.until_more("BM-bay1-vacuum/pressure", within_s=20.0)


async def test_a_link_that_an_earlier_process_left_behind_is_taken_up(air: FakeBluez) -> None:
    async with BleakScanner() as scanner:
        device = None
        while device is None:
            await asyncio.sleep(0.05)
            seen = scanner.discovered_devices
            device = next((d for d in seen if d.address == GAUGE_ON_AIR.address), None)
    earlier = BleakClient(device)
    await earlier.connect()
    async with Sending(air), Listening(GAUGE) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
    await earlier.disconnect()


async def test_stopping_while_a_connect_hangs_is_quick_and_leaves_nothing(air: FakeBluez) -> None:
    air.slow("Connect", 60.0)
    async with Sending(air), Listening(GAUGE) as ear:
        await asyncio.sleep(0.5)
        assert {n.kind for n in ear.heard if isinstance(n, ProbeNotice)} == {"signal"}
        assert not any(isinstance(item, Reading) for item in ear.heard)
        began = time.monotonic()
        ear.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await ear.task
    assert time.monotonic() - began < 3.0
    ours = [t for t in asyncio.all_tasks() if "holdwatch_adapters" in str(t.get_coro())]
    assert ours == []


async def test_a_probe_with_nothing_to_subscribe_to_is_told_from_a_broken_one(
    bus: PrivateBus, caplog: pytest.LogCaptureFixture
) -> None:
    mute = sensor("mute", GAUGE.address)
    async with FakeBluez(bus.address, [mute]), Listening(GAUGE) as ear:
        for _ in range(100):
            if caplog.text:
                break
            await asyncio.sleep(0.05)
        assert "is it enrolled with the right profile?" in caplog.text
        assert not any(isinstance(item, Reading) for item in ear.heard)
        assert ear.notices(GAUGE, "connected") == []


async def test_two_probes_may_not_share_an_address() -> None:
    twin = BluetoothProbe("BM-bay2-gauge", GAUGE.address.lower(), "ess")
    with pytest.raises(ValueError, match="share a name or an address"):
        BluetoothAdapter([GAUGE, twin], WallClock())


async def test_a_scan_lists_everyone_with_what_they_measure(air: FakeBluez) -> None:
    async with Sending(air):
        seen = {one.name: one for one in await scan(0.4)}
    assert set(seen) == {probe.name for probe in ON_AIR}
    gauge, clamp = seen[GAUGE_ON_AIR.name], seen[CLAMP_ON_AIR.name]
    assert (gauge.address, gauge.profile) == (GAUGE_ON_AIR.address, "ess")
    assert [(v.kind, v.value_si) for v in gauge.values] == [
        ("pressure", 1_000_000.0),
        ("temperature", 294.52),
    ]
    assert (clamp.profile, clamp.rssi_dbm in {-71, -72}) == ("bthome", True)
    assert [(v.kind, v.value_si) for v in clamp.values] == [("temperature", 298.21)]
