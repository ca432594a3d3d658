"""Commands on a running hold: it is extended; what is no command is not understood."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import pytest
from daemon_rig import (
    BAY,
    FedAdapter,
    TurnedClock,
    events,
    first_event,
    isolated,
    run_hold,
    shop,
    start,
)
from pydantic import TypeAdapter, ValidationError

from holdwatch_adapters.trace import read_trace
from holdwatch_daemon.bays.export import export_hold
from holdwatch_daemon.messages import Command, ExtendHold
from holdwatch_daemon.service import Service
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.judge import judge
from holdwatch_procedures.holds.recipe import load_recipe

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_daemon.messages import Reply

SHORT = {
    "procedure": "pressure-decay",
    "criterion": {"leak_g_per_year": 0.5, "source": "too small to be seen in minutes"},
    "limits": {"max_duration_min": 4},
}


async def extend(service: Service, minutes: float, number: int = 1) -> Reply:
    command = ExtendHold(command="extend_hold", id=f"extend-{number}", minutes=minutes)
    return await service.command(BAY, command, by="test")


async def test_an_extended_hold_goes_on_after_a_restart_and_is_judged_alike_offline(
    tmp_path: Path,
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        hold_id = await start(service, SHORT)
        await isolated(service)
        await run_hold(service, clock, adapter, 120)
        reply = await extend(service, 3)
        assert (reply.ok, reply.text) == (True, "The hold may last 7 min in all.")
        await run_hold(service, clock, adapter, 180)  # beyond the recipe's four minutes
        assert service.bays[BAY].runner is not None
    adapter = FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        runner = service.bays[BAY].runner
        assert runner is not None
        assert runner.hold.longest_min == 7.0
        await run_hold(service, clock, adapter, 180, until=lambda: service.bays[BAY].runner is None)
        await first_event(service, "holdwatch.verdict")
        verdict = await service.store.verdict(hold_id)
        assert verdict is not None
        assert any(
            event.data.get("text") == "The hold may last 3 min longer."
            for event in await events(service)
        )
    exported = export_hold(tmp_path / "holdwatch.db", hold_id)
    assert b"extended 3" in exported.trace
    (tmp_path / "hold.csv").write_bytes(exported.trace)
    recipe = load_recipe(tomllib.loads(exported.recipe))
    again = judge(
        read_trace(tmp_path / "hold.csv"), recipe, Fluids.load(), version=verdict["version"]
    )
    assert again.to_dict() == {key: verdict[key] for key in again.to_dict()}


async def test_an_extension_is_refused_clearly_where_it_cannot_be(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        reply = await extend(service, 10)
        assert (reply.ok, reply.text) == (False, "No hold is running in Bay 1.")
        await start(service, SHORT)
        reply = await extend(service, 10_080, 2)
        assert not reply.ok
        assert "would last 10084 min; 10080 is the most" in reply.text


@pytest.mark.parametrize(
    "bad",
    [
        {"command": "extend_hold", "minutes": 0},
        {"command": "extend_hold", "minutes": 1e9},
        {"command": "bind_work_order", "work_order": ""},
        {"command": "bind_work_order", "work_order": "x" * 101},
    ],
)
def test_impossible_commands_are_not_understood(bad: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter(Command).validate_python(bad | {"id": "c"})
