"""A vacuum gauge and a pressure gauge on one bay: the one that is in its range speaks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from daemon_rig import (
    BAY,
    CLAMP,
    GAUGE,
    FedAdapter,
    TurnedClock,
    events,
    first_event,
    reading,
    settled,
    shop_table,
    start,
)

from holdwatch_daemon.bays.gauge_selection import GaugeSelector
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from pathlib import Path

VACUUM = "BM-bay1-vacuum/pressure"
ROOM_PA = 98_350.0


def table(tmp_path: Path) -> dict[str, Any]:
    shop = shop_table(tmp_path / "data")
    shop["probe"].append(
        {
            "name": "BM-bay1-vacuum",
            "address": "02:00:00:00:00:04",
            "pressure_reference": "absolute",
            "unit": "micron",
            "range": [0, 20_000],
            "resolution": 1,
            "stale_s": 30.0,
        }
    )
    shop["bay"][0]["roles"]["vacuum"] = VACUUM
    shop["recipes"]["vacuum-hold"] = {
        "procedure": "standing-vacuum",
        "criterion": {"leak_g_per_year": 5000.0, "source": "shop rule"},
    }
    return shop


def pair(vacuum_pa: float | None, gauge_pa: float | None) -> dict[str, Reading]:
    found = {}
    if vacuum_pa is not None:
        found["vacuum"] = Reading(VACUUM, Quantity.PRESSURE_ABSOLUTE, 1, 1, vacuum_pa)
    if gauge_pa is not None:
        found["low_side"] = Reading(GAUGE, Quantity.PRESSURE_GAUGE, 1, 1, gauge_pa)
    return found


def test_the_gauge_that_is_in_its_range_speaks() -> None:
    handover = GaugeSelector({"vacuum": (0.0, 2_666.0), "low_side": (0.0, 3.5e6)})

    def speaks(vacuum_pa: float | None, gauge_pa: float | None) -> tuple[str | None, set[str]]:
        said = handover.select(pair(vacuum_pa, gauge_pa), ROOM_PA)
        return said.pressure_role, set(said.out_of_range)

    assert speaks(2_666.0, 1.5e6) == ("low_side", {"vacuum"})
    assert speaks(None, 1.5e6) == ("low_side", {"vacuum"})
    assert speaks(50.0, 0.0) == ("vacuum", {"low_side"})
    assert speaks(50.0, None) == ("vacuum", {"low_side"})
    assert speaks(2_600.0, 0.0) == ("vacuum", {"low_side"}), "it spoke before"
    assert speaks(2_700.0, 0.0) == (None, set()), "neither is in its range"
    assert speaks(2_600.0, 0.0) == (None, set()), "no flicker at the end of the range"
    assert speaks(2_300.0, 0.0) == ("vacuum", {"low_side"})
    assert speaks(50.0, 1.5e6) == ("low_side", set()), "they contradict: both are shown"
    assert speaks(None, None) == (None, set())


def test_a_compound_gauge_is_shown_beside_the_vacuum_gauge() -> None:
    handover = GaugeSelector({"vacuum": (0.0, 2_666.0), "low_side": (-1.0e5, 3.5e6)})
    said = handover.select(pair(50.0, -98_000.0), ROOM_PA)
    assert (said.pressure_role, said.out_of_range) == ("vacuum", frozenset())


async def test_the_live_view_hands_over(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()

    def feed(vacuum_pa: float, gauge_pa: float) -> None:
        clock.now_ns += 10**9
        vacuum = reading(clock, GAUGE, vacuum_pa)._replace(channel=VACUUM)
        adapter.put(vacuum._replace(quantity=Quantity.PRESSURE_ABSOLUTE))
        adapter.put(reading(clock, GAUGE, gauge_pa))

    async with Service(parse_config(table(tmp_path)), clock, [adapter]) as service:
        feed(2_700.0, 1.0e6)
        await settled(service, adapter)
        live = service.live(BAY)
        assert live.pressure_role == "low_side"
        assert [one.role for one in live.values] == ["low_side"]
        assert service.bays[BAY].newest["vacuum"].quality is Quality.SATURATED
        feed(60.0, 0.0)
        await settled(service, adapter)
        live = service.live(BAY)
        assert live.pressure_role == "vacuum"
        assert [one.role for one in live.values] == ["vacuum"]


async def test_a_vacuum_gauge_above_its_range_is_no_alarm_under_pressure(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(parse_config(table(tmp_path)), clock, [adapter]) as service:
        await start(service)
        bay = service.bays[BAY]
        for _ in range(60):
            clock.now_ns += 10**9
            adapter.put(reading(clock, GAUGE, 1.5e6), reading(clock, CLAMP, 295.0))
            adapter.put(reading(clock, "BM-room/pressure", 98_350.0))
            over = reading(clock, GAUGE, 9.0e6)._replace(channel=VACUUM)  # far beyond its range
            adapter.put(over._replace(quantity=Quantity.PRESSURE_ABSOLUTE))
            await settled(service, adapter)
        clock.now_ns += 29 * 10**9
        adapter.put(reading(clock, GAUGE, 1.5e6), reading(clock, CLAMP, 295.0))
        adapter.put(reading(clock, "BM-room/pressure", 98_350.0))
        await settled(service, adapter)
        clock.now_ns += 5 * 10**9  # the vacuum gauge has been silent for 34 s
        assert "vacuum" in bay.stale_roles(clock.mono_ns())
        assert not bay.watch_probes(clock.mono_ns(), clock.utc_ns(), 0)
        told = [one.type for one in await events(service)]
        assert bay.alarms.standing() == []
    assert "holdwatch.alarm.raised" not in told
    assert "holdwatch.reading.doubted" not in told


async def test_a_vacuum_gauge_that_falls_silent_in_a_vacuum_is_an_alarm(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(parse_config(table(tmp_path)), clock, [adapter]) as service:
        await start(service, "vacuum-hold")
        for _ in range(40):
            clock.now_ns += 10**9
            adapter.put(reading(clock, GAUGE, 0.0), reading(clock, CLAMP, 295.0))
            await settled(service, adapter)
        raised = await first_event(service, "holdwatch.alarm.raised")
    assert raised.data["kind"] == "probe_lost"
    assert VACUUM in raised.data["text"]
