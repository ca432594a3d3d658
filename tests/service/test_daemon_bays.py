"""A bay: what is believed, what is shown, what alarms, and what stops it (nothing should)."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

import pytest
from daemon_rig import (
    BAY,
    CLAMP,
    GAUGE,
    ROOM,
    FedAdapter,
    TurnedClock,
    events,
    eventually,
    first_event,
    reading,
    run_hold,
    settled,
    shop,
    start,
    stop,
)

from holdwatch_daemon.clock import ScaledClock
from holdwatch_daemon.messages import AcknowledgeAlarm
from holdwatch_daemon.service import Service
from holdwatch_physics.reading import Channel, ProbeNotice, Quality

if TYPE_CHECKING:
    from pathlib import Path


async def test_a_reading_from_the_future_is_kept_as_suspect_and_not_judged(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        adapter.put(reading(clock, GAUGE, 1.5e6, ahead_ns=3_000_000_000))
        adapter.put(reading(clock, GAUGE, 1.6e6, ahead_ns=4_000_000_000))
        refused = await first_event(service, "holdwatch.reading.refused")
        await settled(service, adapter)
        await service.events.tell()
        assert service.live(BAY).values == []
        rows = await service.store.ask(
            lambda c: c.execute("SELECT quality, flag FROM readings").fetchall()
        )
        told = [e for e in await events(service) if e.type == "holdwatch.reading.refused"]
    assert "3.0 s ahead of the clock" in refused.data["text"]
    assert [tuple(row) for row in rows] == [("suspect", "future")] * 2
    assert len(told) == 1, "told at a limited rate"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -2.0e5, 1.0e9])
async def test_what_cannot_be_is_refused_and_not_kept(tmp_path: Path, value: float) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        adapter.put(reading(clock, GAUGE, value))
        await first_event(service, "holdwatch.reading.refused")
        count = await service.store.ask(
            lambda c: c.execute("SELECT COUNT(*) FROM readings").fetchone()[0]
        )
    assert count == 0


async def test_over_pressure_is_an_alarm_at_once_hold_or_not(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        adapter.put(reading(clock, GAUGE, 1.81e6))
        raised = await first_event(service, "holdwatch.alarm.raised")
        assert raised.data["kind"] == "overpressure"
        assert "1810 kPa (gauge)" in raised.data["text"]
        (alarm,) = service.bay_state(BAY).alarms
        clock.now_ns += 10**9
        adapter.put(reading(clock, GAUGE, 1.82e6))
        await settled(service, adapter)
        assert len(service.bay_state(BAY).alarms) == 1, "one alarm of a kind"
        acknowledge = AcknowledgeAlarm(command="acknowledge_alarm", id="ack", alarm=alarm.id)
        assert (await service.command(BAY, acknowledge, by="test")).ok
        (alarm,) = service.bay_state(BAY).alarms
        assert alarm.acknowledged, "it stands while its cause does"
        clock.now_ns += 10**9
        adapter.put(reading(clock, GAUGE, 1.0e6))
        cleared = await first_event(service, "holdwatch.alarm.cleared")
        assert cleared.data["alarm"] == alarm.id
        assert service.bay_state(BAY).alarms == []


async def test_an_alarm_stands_through_a_restart(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    config = shop(tmp_path / "data")
    async with Service(config, clock, [adapter]) as service:
        adapter.put(reading(clock, GAUGE, 1.81e6))
        await first_event(service, "holdwatch.alarm.raised")
        before = service.bay_state(BAY).alarms
    async with Service(config, clock, [FedAdapter()]) as service:
        assert service.bay_state(BAY).alarms == before


async def test_a_hold_alarms_over_pressure_once(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        for pressure in (1.79e6, 1.81e6, 1.83e6):
            clock.now_ns += 10**9
            adapter.put(reading(clock, GAUGE, pressure))
        raised = await first_event(service, "holdwatch.alarm.raised")
        await settled(service, adapter)
        told = await events(service)
    assert "Close the bottle" in raised.data["text"]
    assert [event.type for event in told].count("holdwatch.alarm.raised") == 1
    noted = [event for event in told if event.type == "holdwatch.hold.noted"]
    assert [event.subject for event in noted] == [hold_id]
    assert noted[0].data["causes"] == ["overpressure"]


async def test_a_silent_probe_is_an_alarm_while_a_hold_runs(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        await start(service)
        await run_hold(service, clock, adapter, 20)
        clock.now_ns += 29 * 10**9
        adapter.put(reading(clock, CLAMP, 295.0))
        await settled(service, adapter)
        clock.now_ns += 2 * 10**9  # the gauge has now been silent for 31 s, its limit is 30 s
        raised = await first_event(service, "holdwatch.alarm.raised")
        assert raised.data["kind"] == "probe_lost"
        assert GAUGE in raised.data["text"]
        assert CLAMP not in raised.data["text"]
        quality = {value.role: value.quality for value in service.live(BAY).values}
        assert quality["low_side"] == "stale"
        assert quality["pipe_temperature"] == "good"


async def test_saturation_is_shown_for_refrigerant_and_not_for_nitrogen(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        await eventually(lambda: service._fluids is not None, within_s=30)
        # 2 bar absolute: R-134a boils at −10.18 °C (Mechanical Engineers' Handbook vol. 4,
        # table 14, printed there without its sign); the site's altitude of 250 m takes 98.4 kPa.
        adapter.put(reading(clock, GAUGE, 2.0e5 - service.bays[BAY].barometer_pa()))
        adapter.put(reading(clock, CLAMP, 273.15 - 4.18))
        await settled(service, adapter)
        live = service.live(BAY)
        assert live.saturation[0].dew_k == pytest.approx(273.15 - 10.18, abs=0.15)
        assert live.differences[0].kind == "superheat"
        assert live.differences[0].value_k == pytest.approx(6.0, abs=0.15)
        await start(service)
        assert service.live(BAY).saturation == []
        await stop(service)
        clock.now_ns += 10**9
        adapter.put(reading(clock, GAUGE, 1.0e5))
        await settled(service, adapter)
        assert service.live(BAY).saturation == [], "the nitrogen is still in the unit"
        clock.now_ns += 10**9
        adapter.put(reading(clock, GAUGE, -9.5e4))
        await settled(service, adapter)
        clock.now_ns += 10**9
        adapter.put(reading(clock, GAUGE, 1.0e5))
        await settled(service, adapter)
        assert len(service.live(BAY).saturation) == 1, "evacuated since, and charged"


async def test_a_failing_adapter_stops_no_bay(tmp_path: Path) -> None:
    clock, good, bad = TurnedClock(), FedAdapter("good"), FedAdapter("bad")
    async with Service(shop(tmp_path / "data"), clock, [good, bad]) as service:
        await start(service)
        bad.put(RuntimeError("a bug in the driver"))
        await run_hold(service, clock, good, 30)
        await eventually(lambda: service._supervisors[1].status.restarts >= 1)
        assert service.bays[BAY].newest["low_side"].quality is Quality.GOOD
        assert service.bays[BAY].runner is not None
        assert service._supervisors[0].status.restarts == 0


async def test_a_stranger_s_readings_are_neither_kept_nor_shown(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        stranger = reading(clock, "somebody/temperature", 300.0)
        adapter.put(stranger, reading(clock, CLAMP, 295.0))
        await settled(service, adapter)
        await eventually(lambda: service._writer.state.written_rows == 1)
        assert service._book.strangers == 1


async def test_a_service_whose_disk_refuses_can_still_be_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holdwatch_daemon.store.opening.BUSY_TIMEOUT_S", 0.1)
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        other = sqlite3.connect(service.config.database, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        adapter.put(reading(clock, GAUGE, 1.0e5))
        await eventually(lambda: service.health()["store"]["failing"])  # type: ignore[index]
        assert service.health()["status"] == "degraded"
        assert service.live(BAY).values[0].value == 1.0e5, "what is shown does not wait"
    other.close()


async def test_a_probes_events_belong_to_the_bay_that_uses_it(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        probe = Channel.parse(GAUGE).probe
        adapter.put(ProbeNotice(probe, "connected", clock.utc_ns(), clock.mono_ns()))
        adapter.put(RuntimeError("the radio is gone"))
        lost = await first_event(service, "holdwatch.probe.lost")
        told = [event for event in await events(service) if event.subject == probe]
    assert [event.type for event in told] == ["holdwatch.probe.connected", "holdwatch.probe.lost"]
    assert lost.bay == BAY
    assert "the radio is gone" in lost.data["text"]


async def test_simulated_time_is_marked_on_all_that_leaves(tmp_path: Path) -> None:
    clock = ScaledClock(60.0)
    async with Service(shop(tmp_path / "data"), clock, [], simulated=True) as service:
        started = await first_event(service, "holdwatch.service.started")
        assert started.simulated is True
        assert service.live(BAY).simulated
        assert service.bay_state(BAY).simulated
        await start(service)
        (row,) = await service.store.list_holds()
    assert row.simulated


@pytest.mark.parametrize(
    ("pressure", "text", "label"),
    [("kPag", "1500.0", "kPa (gauge)"), ("psia", "231.8", "psi (absolute)")],
)
async def test_a_gauge_is_shown_in_the_shops_unit_by_the_rooms_pressure(
    tmp_path: Path, pressure: str, text: str, label: str
) -> None:
    # (1 500 000 + 98 350) Pa / 6894.757 Pa (NIST SP 811 appendix B) = 231.82 psi.
    clock, adapter = TurnedClock(), FedAdapter()
    config = shop(tmp_path / "data", show={"pressure": pressure})
    async with Service(config, clock, [adapter]) as service:
        adapter.put(reading(clock, ROOM, 98_350.0), reading(clock, GAUGE, 1.5e6))
        await settled(service, adapter)
        shown = {value.role: value.shown for value in service.live(BAY).values}
    assert (shown["low_side"].text, shown["low_side"].unit) == (text, label)
