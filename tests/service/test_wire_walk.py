"""An unattended evacuation by wire: service, store and a real broker, a simulated unit."""

from __future__ import annotations

import asyncio
import contextlib
import json
import tomllib
from typing import TYPE_CHECKING

from daemon_rig import eventually
from mosquitto_fixture import Mosquitto, mosquitto
from wire_rig import BAY, LOW, VACUUM, Garage

from holdwatch_adapters.trace import read_trace
from holdwatch_daemon.bays.export import export_hold
from holdwatch_daemon.service import Service
from holdwatch_daemon.valves import bay as wire
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.evacuation.machine import Unattended
from holdwatch_procedures.holds.judge import judge
from holdwatch_procedures.holds.recipe import load_recipe
from holdwatch_simulators.moisture import MoistureSpec

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

__all__ = ["mosquitto"]  # the fixture, used by its name


async def switched(garage: Garage) -> list[tuple[str, str, str]]:
    told = await garage.told("holdwatch.wire.switched")
    return [(one.data["relay"], one.data["state"], one.data["how"]) for one in told]


async def holds(garage: Garage) -> int:
    return len(await garage.told("holdwatch.hold.started"))


async def test_a_dry_unit_is_evacuated_held_and_passed_unattended(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        reply = await garage.start()
        assert reply.ok, reply.text
        again = await garage.start()  # the same id: answered alike, and not begun twice
        assert again == reply
        await garage.until_step("pumping")
        assert garage.plant.vacuum_valve_open
        assert "Waits for 500 micron held 5 min." in garage.evacuation.sentence
        await garage.run(200)
        assert "At 500 micron or below for 3 min of 5 min." in garage.evacuation.sentence
        assert garage.service.bay_state(BAY).sentence == garage.evacuation.sentence
        ended = await garage.until_over()
        assert ended.data["outcome"] == "pass", ended.data
        assert not garage.plant.vacuum_valve_open
        assert not garage.plant.pump_running
        assert (garage.evacuation.valve, garage.evacuation.pump) == ("closed", "off")
        assert garage.evacuation.not_ready is None
        steps = [one.data["step"] for one in await garage.told("holdwatch.evacuation.step")]
        assert list(dict.fromkeys(steps)) == [
            "starting pump",
            "opening valve",
            "pumping",
            "closing valve",
            "seeing the isolation",
            "stopping pump",
            "starting hold",
            "holding",
        ]
        at_start = [("valve", "closed"), ("pump", "off")]
        way = [("pump", "on"), ("valve", "open"), ("valve", "closed"), ("pump", "off")]
        told = [(relay, state, how) for relay, state, how in await switched(garage)]
        assert told == [
            (*each, how) for each in at_start + way for how in ("commanded", "confirmed")
        ]
        (hold_id,) = ended.data["holds"]
        verdict = await garage.service.store.verdict(hold_id)
        assert verdict is not None
    exported = export_hold(tmp_path / "holdwatch.db", hold_id)
    (tmp_path / "hold.csv").write_bytes(exported.trace)
    recipe = load_recipe(tomllib.loads(exported.recipe))
    trace = read_trace(tmp_path / "hold.csv")
    alike = judge(trace, recipe, Fluids.load(), version=verdict["version"]).to_dict()
    assert alike == {key: verdict[key] for key in alike}
    assert verdict["mark_s"] == 0.0


async def test_a_moist_unit_is_pumped_down_again_and_then_passes(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    wet = MoistureSpec(adsorbed_g=0.05, adsorbed_s=500.0)
    async with Garage(tmp_path, mosquitto, wet, criterion_g=1500.0) as garage:
        assert (await garage.start()).ok
        ended = await garage.until_over()
        told = await garage.told("holdwatch.verdict")
        assert [one.data["outcome"] for one in told] == ["inconclusive", "pass"]
        assert "moisture" in told[0].data["causes"]
        assert (ended.data["outcome"], ended.data["pump_downs"]) == ("pass", 2)
        first, last = ended.data["holds"]
        recipe = tomllib.loads(export_hold(tmp_path / "holdwatch.db", last).recipe)
        assert [earlier["hold"] for earlier in recipe["earlier_holds"]] == [first]


async def test_a_valve_that_does_not_confirm_gives_no_hold_but_an_alarm(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        await garage.until_step("pumping")
        garage.valve.behaviour.answers = False
        ended = await garage.until_over()
        assert ended.data["outcome"] == "fault"
        assert "valve closed was not confirmed within 20 s" in ended.data["text"]
        assert await holds(garage) == 0
        assert not garage.plant.pump_running
        kinds = {alarm.kind for alarm in garage.service.bay_state(BAY).alarms}
        assert kinds == {"wire_fault", "wire_unconfirmed"}
        garage.valve.behaviour.answers = True
        refused = await garage.start(2)
        assert "valve has not confirmed that it is closed" in refused.text
        await garage.run(70)  # it is asked again every minute
        await eventually(lambda: garage.evacuation.valve == "closed")


async def test_a_valve_that_sticks_open_and_says_closed_gives_no_hold(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        await garage.until_step("pumping")
        garage.valve.behaviour.acts = False
        ended = await garage.until_over()
        assert garage.plant.vacuum_valve_open  # as the gauge shows, whatever the relay says
        assert ended.data["outcome"] == "inconclusive"
        assert "pressure did not rise while the pump ran" in ended.data["text"]
        assert await holds(garage) == 0
        assert "wire_fault" in {alarm.kind for alarm in garage.service.bay_state(BAY).alarms}


async def test_no_valve_is_opened_on_pressure_or_on_a_silent_gauge(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        garage.plant.gas.nitrogen += 0.02  # some 19 kPa above the room
        await garage.run(4)
        refused = await garage.start(1)
        assert not refused.ok
        assert "Bay 1 is under pressure, 20 kPa (gauge) on low side" in refused.text
        garage.plant.gas.nitrogen = 0.0
        garage.silent = {LOW}
        await garage.run(60)
        refused = await garage.start(2)
        assert "low side gauge is silent" in refused.text
        garage.silent = set()
        await garage.run(2)
        assert (await garage.start(3)).ok
        await garage.until_step("pumping")
        garage.silent = {VACUUM}  # nobody could see what the pump draws on
        ended = await garage.until_over()
        assert ended.data["outcome"] == "fault"
        assert "vacuum gauge is silent" in ended.data["text"]
        assert garage.valve.taken == ["off", "on", "off"]


async def test_a_lost_broker_ends_it_and_the_valve_is_closed_when_it_is_back(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        await garage.until_step("pumping")
        mosquitto.stop()
        await eventually(lambda: not garage.evacuation.linked)
        assert garage.plant.vacuum_valve_open
        await garage.run(60)
        assert garage.evacuation.step == "shutting the valve"
        kinds = {alarm.kind for alarm in garage.service.bay_state(BAY).alarms}
        assert kinds == {"wire_fault", "wire_unconfirmed"}
        assert (await garage.told("holdwatch.evacuation.ended")) == []
        mosquitto.start()
        await eventually(lambda: not garage.plant.vacuum_valve_open, within_s=30)
        await eventually(lambda: garage.evacuation.step == "idle")
        (ended,) = await garage.told("holdwatch.evacuation.ended")
        assert ended.data["outcome"] == "fault"
        assert await holds(garage) == 0


async def test_a_broker_lost_during_the_hold_has_the_valve_confirm_again(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        await garage.until_step("holding")
        before = len(garage.valve.taken)
        mosquitto.stop()
        await eventually(lambda: not garage.evacuation.linked)
        assert garage.evacuation.valve == "unknown"
        await garage.run(20)
        assert garage.evacuation.step == "holding"
        mosquitto.start()
        await eventually(lambda: garage.evacuation.valve == "closed", within_s=30)
        assert set(garage.valve.taken[before:]) <= {"off"}
        await garage.relays.switch_by_hand(garage.valve, on=True)
        await eventually(lambda: garage.evacuation.step == "idle")
        (ended,) = await garage.told("holdwatch.evacuation.ended")
        assert ended.data["outcome"] == "fault"
        assert garage.bay.runner is None
        assert not garage.plant.vacuum_valve_open


async def test_relays_that_come_after_the_service_are_not_told_as_unanswered(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    """The service's first command is lost, since nobody listened yet."""
    garage = Garage(tmp_path, mosquitto)
    async with Service(garage.config, garage.clock, []) as service:
        await eventually(lambda: (state := service.bay_state(BAY).evacuation) and state.linked)
        relays = asyncio.create_task(garage.relays.run())
        await eventually(
            lambda: (state := service.bay_state(BAY).evacuation) and state.step == "idle"
        )
        await service.events.tell()
        told = [event.data for event in await service.store.events_after(0, 1000)]
        hows = {data["how"] for data in told if "how" in data}
        assert hows == {"commanded", "confirmed"}
        relays.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await relays


async def test_a_service_that_is_killed_shuts_everything_when_it_starts_again(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        await garage.until_step("pumping")
        await garage.lose_service(60)
        assert garage.plant.vacuum_valve_open
        await garage.begin_service()
        await eventually(lambda: garage.evacuation.step == "idle")
        assert not garage.plant.vacuum_valve_open
        assert not garage.plant.pump_running
        (ended,) = await garage.told("holdwatch.evacuation.ended")
        assert ended.data["outcome"] == "interrupted"
        # And while its hold runs, the hold alone goes on, behind a closed valve.
        assert (await garage.start(2)).ok
        await garage.until_step("holding")
        await garage.run(120)
        await garage.lose_service(20)
        await garage.begin_service()
        await eventually(lambda: garage.evacuation.step == "idle")
        ended = (await garage.told("holdwatch.evacuation.ended"))[-1]
        assert ended.data["outcome"] == "interrupted"
        assert garage.bay.runner is not None
        await garage.run(1500, lambda: garage.bay.runner is None)
        assert garage.bay.runner is None, garage.bay.runner.progress()
        (verdict,) = await garage.told("holdwatch.verdict")
        assert verdict.data["outcome"] == "pass", verdict.data["sentence"]
        assert garage.valve.is_on is False


async def test_a_service_that_stops_in_order_shuts_everything_first(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        await garage.until_step("pumping")
        await garage._running.aclose()
        assert not garage.plant.vacuum_valve_open
        assert not garage.plant.pump_running
        await garage.begin_service()
        (ended,) = await garage.told("holdwatch.evacuation.ended")
        assert ended.data["outcome"] == "interrupted"


async def test_readings_that_cannot_be_kept_for_the_hold_end_it_inconclusive(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Ten channels at 1 Hz, through the longest isolation and every answer: all are kept.
    assert wire.MOST_KEPT > 10 * (60 * 60 + 3 * 600)
    monkeypatch.setattr(wire, "MOST_KEPT", 15)
    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        ended = await garage.until_over()
        assert ended.data["outcome"] == "inconclusive"
        assert "Too many readings" in ended.data["text"]
        assert await holds(garage) == 0
        assert not garage.plant.vacuum_valve_open


async def test_a_mistake_in_the_machine_shuts_everything_and_stops_no_bay(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> list[object]:
        raise RuntimeError("a mistake")

    async with Garage(tmp_path, mosquitto) as garage:
        assert (await garage.start()).ok
        await garage.until_step("pumping")
        with monkeypatch.context() as patch:
            patch.setattr(Unattended, "look", broken)
            await garage.run(4)
        ended = await garage.until_over()
        assert ended.data["outcome"] == "interrupted"
        assert "itself broke" in ended.data["text"]
        assert not garage.plant.vacuum_valve_open
        assert not garage.plant.pump_running
        assert (await garage.start(2)).ok


async def test_hands_on_the_valve_and_commands_over_mqtt(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        heard = mosquitto.subscribe("holdwatch/county-library/bay/bay-1/#")
        topic = "holdwatch/county-library/bay/bay-1/command"
        command = {"command": "start_evacuation", "id": "m-1", "recipe": "vacuum-hold"}
        mosquitto.publish(topic, json.dumps(command | {"recovered": False}))
        mosquitto.publish(topic, json.dumps(command | {"id": "m-2", "recovered": True}))
        await eventually(lambda: garage.evacuation.step != "idle")
        await garage.until_step("pumping")
        states = await heard.until(lambda found: any(one.topic.endswith("/state") for one in found))
        state = [one.json for one in states if one.topic.endswith("/state")][-1]
        assert state["evacuation"]["valve"] in {"open", "unknown"}
        mosquitto.publish(topic, '{"command": "stop_hold", "id": "m-3"}')
        mosquitto.publish(topic, '{"command": "start_hold", "id": "m-4", "recipe": "vacuum-hold"}')
        mosquitto.publish(topic, '{"command": "stop_evacuation", "id": "m-5"}')
        # Time stands still until it was heard: else the evacuation might end by itself before.
        answered = await heard.until(
            lambda found: any(
                one.topic.endswith("/reply") and '"m-5"' in one.payload for one in found
            )
        )
        ended = await garage.until_over()
        assert {name: told for name, told in ended.data.items() if name != "said"} == {
            "outcome": "stopped",
            "text": "Stopped by mqtt.",
            "pump_downs": 1,
            "holds": [],
        }
        replies = {one.json["id"]: one.json for one in answered if one.topic.endswith("/reply")}
        assert [replies[f"m-{n}"]["ok"] for n in range(1, 6)] == [False, True, False, False, True]
        assert "Recover the refrigerant first" in replies["m-1"]["text"]
        assert replies["m-4"]["text"] == "An evacuation is running in Bay 1; stop it first."
        mosquitto.publish(topic, '{"command": "stop_evacuation", "id": "m-6"}')
        await heard.until(lambda found: any('"m-6"' in one.payload for one in found))
        garage.clock.now_ns += 120 * 10**9
        await garage.run(2)
        await garage.relays.switch_by_hand(garage.valve, on=True)
        await eventually(lambda: garage.evacuation.valve == "open")
        assert garage.plant.vacuum_valve_open
        refused = await garage.start(7)
        assert "The valve says that it is open" in refused.text
        assert (await switched(garage))[-1] == ("valve", "open", "by hand")
