"""An unattended evacuation by wire: service, store and a real broker, a simulated unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mosquitto_fixture import Mosquitto, mosquitto
from wire_rig import BAY, Garage

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["mosquitto"]  # the fixture, used by its name


async def test_a_dry_unit_is_evacuated_held_and_passed_unattended(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    async with Garage(tmp_path, mosquitto) as garage:
        reply = await garage.start()
        assert reply.ok, reply.text
        await garage.until_step("pumping")
        assert garage.plant.vacuum_valve_open
        assert "Waits for 500 micron held 5 min." in garage.evacuation.sentence
        await garage.run(200)
        assert "At 500 micron or below for 3 min of 5 min." in garage.evacuation.sentence
        ended = await garage.until_over()
        assert ended.data["outcome"] == "pass", ended.data
