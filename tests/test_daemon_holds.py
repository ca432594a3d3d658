"""Holds in a bay: from command to verdict, what spoils, what alarms, and what is kept."""

from __future__ import annotations

import hashlib
import sqlite3
import tomllib
from typing import TYPE_CHECKING, Any

import pytest

from daemon_rig import (
    CLAMP,
    GAUGE,
    ROOM,
    FedAdapter,
    TurnedClock,
    eventually,
    first_event,
    reading,
    run_hold,
    settled,
    shop,
    shop_table,
    tight_hold,
)
from holdwatch_adapters.trace import read_trace
from holdwatch_daemon.clock import ScaledClock
from holdwatch_daemon.config_load import parse_config
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.export import export_hold
from holdwatch_daemon.messages import AcknowledgeAlarm, Reply, SayIsolated, StartHold, StopHold
from holdwatch_daemon.service import Service
from holdwatch_physics.fluids import Fluids
from holdwatch_physics.reading import ProbeNotice, Quality
from holdwatch_procedures.hold import Hold
from holdwatch_procedures.judge import judge
from holdwatch_procedures.recipe import load_recipe

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_daemon.messages import Event
    from holdwatch_procedures.verdict import Verdict

BAY = "BM-bay1"


async def start(service: Service, recipe: str | dict[str, Any] = "nitrogen") -> str:
    command = StartHold(command="start_hold", id=f"start-{recipe}"[:90], recipe=recipe)
    reply = await service.command(BAY, command, by="test")
    assert reply.ok, reply.text
    assert reply.hold_id is not None
    return reply.hold_id


async def isolated(service: Service) -> Reply:
    return await service.command(BAY, SayIsolated(command="say_isolated", id="iso"), by="test")


async def stop(service: Service) -> Reply:
    return await service.command(BAY, StopHold(command="stop_hold", id="stop"), by="test")


async def events(service: Service) -> list[Event]:
    return await service.store.events_after(0, 10_000)


def judged_again(data: Path, hold_id: str, tmp_path: Path) -> tuple[Verdict, bytes]:
    """Export a hold, read the trace back from a file and judge it offline."""
    exported = export_hold(data / "holdwatch.db", hold_id)
    file = tmp_path / "hold.csv"
    file.write_bytes(exported.trace)
    recipe = load_recipe(tomllib.loads(exported.recipe))
    version = "0.1.0"
    return judge(read_trace(file), recipe, Fluids.load(), version=version), exported.trace


@pytest.mark.parametrize(("leak_pa_per_s", "outcome"), [(0.0, "pass"), (40.0, "fail")])
async def test_a_verdict_is_the_same_when_its_export_is_judged(
    tmp_path: Path, leak_pa_per_s: float, outcome: str
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        await isolated(service)
        bay = service.bays[BAY]
        done = lambda: bay.runner is None  # noqa: E731
        await run_hold(service, clock, adapter, 3600, leak_pa_per_s=leak_pa_per_s, until=done)
        told = await first_event(service, "holdwatch.verdict")
        # The probes do not stop when the hold does.
        await run_hold(service, clock, adapter, 60)
        stored = await service.store.verdict(hold_id)
        row = await service.store.hold(hold_id)
        curve = await service.store.hold_curve(hold_id)
    assert stored is not None
    assert row is not None
    assert (stored["outcome"], row.outcome, told.data["outcome"]) == (outcome,) * 3
    assert len(curve) >= stored["decided_at_s"] // 10 - 1
    again, trace = judged_again(tmp_path / "data", hold_id, tmp_path)
    assert again.to_dict() == stored | {"version": again.version}
    assert hashlib.sha256(trace).hexdigest() == stored["readings_sha256"]


async def test_a_stopped_hold_is_inconclusive_and_judged_alike_from_its_export(
    tmp_path: Path,
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        await isolated(service)
        await run_hold(service, clock, adapter, 123)
        reply = await stop(service)
        stopped = await first_event(service, "holdwatch.hold.stopped")
        verdict = await first_event(service, "holdwatch.verdict")
        stored = await service.store.verdict(hold_id)
        assert service.bay_state(BAY).doing == "verdict"
    assert reply.ok
    assert verdict.sequence == stopped.sequence + 1
    assert stored is not None
    assert stored["outcome"] == "inconclusive"
    assert "too short" in stored["causes"]
    again, _ = judged_again(tmp_path / "data", hold_id, tmp_path)
    assert again.to_dict() == stored | {"version": again.version}


async def test_an_unknown_hold_is_told_with_the_newest_ones(tmp_path: Path) -> None:
    async with Service(shop(tmp_path / "data"), TurnedClock(), []) as service:
        hold_id = await start(service)
    with pytest.raises(StoreError, match=f"no hold 'x'; the newest are {hold_id}"):
        export_hold(tmp_path / "data" / "holdwatch.db", "x")
    with pytest.raises(StoreError, match="there is no such database"):
        export_hold(tmp_path / "none.db", "x")


async def test_a_late_reading_is_kept_with_its_flag_and_not_judged(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        await isolated(service)
        await run_hold(service, clock, adapter, 60)
        late = reading(clock, GAUGE, 9.0e5, ahead_ns=-2_500_000_001)
        in_time = reading(clock, GAUGE, 1.5e6, ahead_ns=-1_999_999_999)
        adapter.put(late, in_time)
        await settled(service, adapter)
        noted = await first_event(service, "holdwatch.hold.noted")
        await stop(service)
        # What comes from before the end once it is over is late as well.
        adapter.put(reading(clock, CLAMP, 200.0, ahead_ns=-1_500_000_000))
        await settled(service, adapter)
        await service.events.tell()  # whatever was handed in before is on the disk after it
        flags = await service.store.ask(
            lambda c: c.execute(
                "SELECT value, flag FROM readings WHERE flag IS NOT NULL"
            ).fetchall()
        )
        stored = await service.store.verdict(hold_id)
    assert "more than 2 s late" in noted.data["text"]
    assert {tuple(row) for row in flags} == {(9.0e5, "late"), (200.0, "late")}
    assert stored is not None
    assert stored["readings_used"] == 60 * 3 + 1
    again, _ = judged_again(tmp_path / "data", hold_id, tmp_path)
    assert again.to_dict() == stored | {"version": again.version}


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


async def test_a_hold_without_any_reading_ends_when_its_time_is_up(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        clock.now_ns += 3600 * 10**9
        assert service.bays[BAY].runner is not None
        clock.now_ns += 16 * 10**9
        verdict = await first_event(service, "holdwatch.verdict")
        row = await service.store.hold(hold_id)
    assert verdict.data["outcome"] == "inconclusive"
    assert row is not None
    assert row.ended is not None


async def test_a_hold_whose_readings_go_on_ends_by_their_time(tmp_path: Path) -> None:
    table = shop_table(tmp_path / "data")
    table["recipes"]["nitrogen"]["criterion"] = {"leak_g_per_year": 40.0}
    table["recipes"]["nitrogen"]["limits"] = {"max_duration_min": 20}
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(parse_config(table), clock, [adapter]) as service:
        hold_id = await start(service)
        await isolated(service)
        bay = service.bays[BAY]
        await run_hold(service, clock, adapter, 1500, until=lambda: bay.runner is None)
        elapsed = (clock.now_ns - bay.ended_mono_ns) / 1e9 if bay.ended_mono_ns else None
        await first_event(service, "holdwatch.verdict")
        stored = await service.store.verdict(hold_id)
    assert elapsed is not None
    assert elapsed <= 2.0
    assert stored is not None
    assert stored["outcome"] == "inconclusive"
    again, _ = judged_again(tmp_path / "data", hold_id, tmp_path)
    assert again.to_dict() == stored | {"version": again.version}


async def test_one_hold_at_a_time_in_a_bay(tmp_path: Path) -> None:
    async with Service(shop(tmp_path / "data"), TurnedClock(), []) as service:
        await start(service)
        second = StartHold(command="start_hold", id="another", recipe="nitrogen")
        reply = await service.command(BAY, second, by="test")
        assert not reply.ok
        assert "stop it first" in reply.text
        assert len(await service.store.list_holds()) == 1


async def test_a_command_is_answered_alike_after_a_restart(tmp_path: Path) -> None:
    config, clock = shop(tmp_path / "data"), TurnedClock()
    command = StartHold(command="start_hold", id="once", recipe="nitrogen")
    async with Service(config, clock, []) as service:
        first = await service.command(BAY, command, by="test")
        await stop(service)
    async with Service(config, clock, []) as service:
        assert await service.command(BAY, command, by="test") == first
        assert len(await service.store.list_holds()) == 1


async def test_a_recipe_may_come_with_the_command(tmp_path: Path) -> None:
    async with Service(shop(tmp_path / "data"), TurnedClock(), []) as service:
        hold_id = await start(
            service,
            {
                "name": "quick look",
                "procedure": "pressure-decay",
                "criterion": {"max_change_kpa": 3.0, "within_min": 15},
            },
        )
        row = await service.store.hold(hold_id)
        toml = await service.store.recipe_toml(hold_id)
    assert row is not None
    assert row.recipe == "quick look"
    assert toml is not None
    assert load_recipe(tomllib.loads(toml)).volume_l == 2.5


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


async def test_drawing_a_long_hold_keeps_its_peaks(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        peak = max(
            r.value for rs in tight_hold(TurnedClock(), 600) for r in rs if r.channel == GAUGE
        )
        await run_hold(service, clock, adapter, 600)
        await service.events.tell()  # whatever was handed in before is on the disk after it
        trace = await service.store.hold_trace(hold_id, points=40)
    low_side = trace["series"]["low_side"]
    assert low_side["unit"] == "Pag"
    assert len(low_side["t_s"]) <= 44
    assert max(low_side["value"]) == peak
    assert low_side["t_s"] == sorted(low_side["t_s"])


@pytest.mark.parametrize("where", ["feed", "mark", "progress", "finish"])
async def test_a_hold_whose_judging_fails_ends_without_a_pass_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        await run_hold(service, clock, adapter, 20)

        def broken(*_: object) -> None:
            raise ZeroDivisionError("a mistake")

        monkeypatch.setattr(Hold, where, broken)
        if where == "feed":
            await run_hold(service, clock, adapter, 1)
        elif where == "mark":
            assert (await isolated(service)).ok
        elif where == "finish":
            assert (await stop(service)).ok
        else:
            service.bay_state(BAY)
        told = await first_event(service, "holdwatch.verdict")
        assert told.data["outcome"] == "inconclusive"
        assert "ZeroDivisionError" in told.data["reasons"][0]
        await eventually(lambda: service.bays[BAY].runner is None)
        assert service.bay_state(BAY).hold is not None
        monkeypatch.undo()
        # The next one is judged, and the readings of the broken one are still there.
        again = StartHold(command="start_hold", id="again", recipe="nitrogen")
        assert (await service.command(BAY, again, by="test")).ok
        await run_hold(service, clock, adapter, 5)
        assert service.bays[BAY].runner is not None
        trace = await service.store.hold_trace(hold_id)
    assert len(trace["series"]["low_side"]["t_s"]) >= 19


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
        probe = GAUGE.partition("/")[0]
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
