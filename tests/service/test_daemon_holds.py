"""Holds in a bay: from command to verdict, what spoils, what alarms, and what is kept."""

from __future__ import annotations

import hashlib
import tomllib
from typing import TYPE_CHECKING

import pytest
from daemon_rig import (
    BAY,
    CLAMP,
    GAUGE,
    FedAdapter,
    TurnedClock,
    eventually,
    first_event,
    isolated,
    reading,
    run_hold,
    settled,
    shop,
    shop_table,
    start,
    stop,
    tight_hold,
)

from holdwatch_adapters.trace import read_trace
from holdwatch_daemon.bays.export import export_hold
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.messages import StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.hold import Hold
from holdwatch_procedures.holds.judge import judge
from holdwatch_procedures.holds.recipe import load_recipe

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdwatch_daemon.store.events import Telling
    from holdwatch_procedures.holds.verdict import Verdict


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


async def test_points_of_the_curve_do_not_make_the_disk_confirm_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        await isolated(service)
        await run_hold(service, clock, adapter, 300)
        confirmed: list[bool] = []
        transact = service.events.transact

        def spied(work: Callable[[Telling], object], *, durable: bool = True) -> object:
            confirmed.append(durable)
            return transact(work, durable=durable)

        before = service.events.newest
        monkeypatch.setattr(service.events, "transact", spied)
        await run_hold(service, clock, adapter, 120)
        assert confirmed.count(False) >= 10
        await stop(service)
        assert confirmed.count(True) <= service.events.newest - before
        assert len(await service.store.hold_curve(hold_id)) >= 40


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


async def test_a_hold_whose_judging_failed_before_a_reading_ends_with_that_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        await run_hold(service, clock, adapter, 20)

        def broken(*_: object) -> None:
            raise ZeroDivisionError("a mistake")

        monkeypatch.setattr(Hold, "snapshot", broken)
        service.bay_state(BAY)  # a screen looks, and the reading comes before the next tick
        bay = service.bays[BAY]
        bay.put(reading(clock, GAUGE, 1.5e6))
        bay.act()
        assert bay.runner is None
        assert (await first_event(service, "holdwatch.verdict")).subject == hold_id


@pytest.mark.parametrize("where", ["take", "mark", "snapshot", "finish"])
async def test_a_hold_whose_judging_fails_ends_without_a_pass_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        hold_id = await start(service)
        await run_hold(service, clock, adapter, 20)

        def broken(*_: object) -> None:
            raise ZeroDivisionError("a mistake")

        monkeypatch.setattr(Hold, "take" if where == "mark" else where, broken)
        if where == "take":
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


async def test_a_hold_that_continues_another_takes_its_slope_along(tmp_path: Path) -> None:
    recipe = {"procedure": "standing-vacuum", "criterion": {"leak_g_per_year": 5000.0}}
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        unknown = StartHold(command="start_hold", id="c-0", recipe=recipe, continues=["nothing"])
        refused = await service.command(BAY, unknown, by="test")
        assert not refused.ok
        assert "nothing" in refused.text
        hold_id = await start(service)  # a nitrogen hold cannot be continued by a vacuum
        await stop(service)
        other = StartHold(command="start_hold", id="c-1", recipe=recipe, continues=[hold_id])
        assert "no standing vacuum" in (await service.command(BAY, other, by="test")).text
