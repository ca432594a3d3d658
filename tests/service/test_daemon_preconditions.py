"""A hold is refused where the bay cannot carry it: no gauge for it, or a unit under pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from daemon_rig import (
    BAY,
    CLAMP,
    GAUGE,
    ROOM,
    VACUUM,
    FedAdapter,
    TurnedClock,
    eventually,
    reading,
    shop,
    vacuum_table,
)

from holdwatch_daemon.messages import StartHold
from holdwatch_daemon.service import Service

if TYPE_CHECKING:
    from pathlib import Path


async def start(service: Service, recipe: str, number: int = 1) -> tuple[bool, str]:
    command = StartHold(command="start_hold", id=f"{recipe}-{number}", recipe=recipe)
    reply = await service.command(BAY, command, by="test")
    return reply.ok, reply.text


@pytest.mark.parametrize(
    ("roles", "recipe", "why"),
    [
        ({"low_side": GAUGE, "pipe_temperature": CLAMP}, "vacuum", "No vacuum gauge has a role"),
        ({"vacuum": VACUUM, "pipe_temperature": CLAMP}, "nitrogen", "No pressure gauge has a role"),
        ({"pipe_temperature": CLAMP, "barometer": ROOM}, "nitrogen", "No gauge has a role"),
    ],
)
async def test_a_hold_without_the_gauge_for_it_is_refused(
    tmp_path: Path, roles: dict[str, str], recipe: str, why: str
) -> None:
    clock = TurnedClock()
    async with Service(shop(tmp_path, **vacuum_table(tmp_path, roles)), clock, []) as service:
        ok, text = await start(service, recipe)
        assert not ok
        assert why in text
        assert service.unmet_precondition(
            BAY, "pressure-decay" if recipe == "nitrogen" else "standing-vacuum"
        )


async def test_no_vacuum_hold_begins_on_a_unit_under_pressure(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    roles = {"low_side": GAUGE, "vacuum": VACUUM, "pipe_temperature": CLAMP}
    async with Service(
        shop(tmp_path, **vacuum_table(tmp_path, roles)), clock, [adapter]
    ) as service:
        adapter.put(reading(clock, GAUGE, 9.0e5))
        await eventually(lambda: service.bays[BAY].newest)
        ok, text = await start(service, "vacuum")
        assert not ok
        assert text == (
            "Bay 1 is under pressure, 900 kPa (gauge) on low side: recover or relieve it before "
            "a pump is opened to it."
        )
        assert service.unmet_precondition(BAY, "pressure-decay") is None
        clock.now_ns += 10**9
        adapter.put(reading(clock, GAUGE, 12.0e3))  # a relay's valve stays shut as well
        await eventually(lambda: service.bays[BAY].newest["low_side"].value < 2e4)
        assert (await start(service, "vacuum", 2))[1].startswith("Bay 1 is under pressure, 12 kPa")
        clock.now_ns += 10**9
        adapter.put(reading(clock, GAUGE, 1.0e3))
        await eventually(lambda: service.bays[BAY].newest["low_side"].value < 2e3)
        assert (await start(service, "vacuum", 3))[0]
