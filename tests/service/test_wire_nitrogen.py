"""Nitrogen in a bay by wire: held only behind a valve that is confirmed closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon_rig import eventually
from mosquitto_fixture import Mosquitto, mosquitto
from wire_rig import BAY, Garage

from holdwatch_daemon.messages import StartHold

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_daemon.messages import Reply

__all__ = ["mosquitto"]  # the fixture, used by its name

NITROGEN = {
    "procedure": "pressure-decay",
    "criterion": {"leak_g_per_year": 8000.0, "source": "shop rule"},
    "limits": {"max_duration_min": 60.0},
}


async def hold_nitrogen(garage: Garage, command_id: str) -> Reply:
    command = StartHold(command="start_hold", id=command_id, recipe=NITROGEN)
    return await garage.service.command(BAY, command, by="test")


async def test_nitrogen_before_an_open_valve_is_refused_and_an_alarm(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        garage.clock.now_ns += 120 * 10**9
        await garage.relays.switch_by_hand(garage.valve, on=True)
        await eventually(lambda: garage.evacuation.valve == "open")
        refused = await hold_nitrogen(garage, "n-1")
        assert not refused.ok
        assert "The valve says that it is open: switch it off by hand first." in refused.text
        assert garage.bay.runner is None
        assert garage.service.bay_state(BAY).alarms == []
        garage.plant.gas.nitrogen += 1.2  # some 1.2 MPa
        await garage.run(2)
        await eventually(lambda: garage.service.bay_state(BAY).alarms)
        (alarm,) = garage.service.bay_state(BAY).alarms
        assert alarm.kind == "wire_pressure"
        await garage.relays.switch_by_hand(garage.valve, on=False)
        await eventually(lambda: garage.evacuation.valve == "closed")
        begun = await hold_nitrogen(garage, "n-2")
        assert begun.ok, begun.text
