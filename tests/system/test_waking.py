"""A process that did not listen does not blame the probes for it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from daemon_rig import (
    BAY,
    FedAdapter,
    TurnedClock,
    first_event,
    isolated,
    run_hold,
    shop,
    start,
)

from holdwatch_daemon.clock import Naps
from holdwatch_daemon.service import Service

if TYPE_CHECKING:
    from pathlib import Path

LOOK_S = 0.6


async def test_a_new_process_gives_the_probes_of_a_hold_their_time(tmp_path: Path) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        await start(service)
        await isolated(service)
        await run_hold(service, clock, adapter, 120)
    clock.now_ns += 20 * 10**9
    async with Service(config, clock, [FedAdapter()]) as service:
        await asyncio.sleep(LOOK_S)
        clock.now_ns += 4 * 10**9
        await asyncio.sleep(LOOK_S)
        assert not service.bays[BAY].alarms.standing(), "nothing could be heard as yet"
        clock.now_ns += 60 * 10**9
        alarm = await first_event(service, "holdwatch.alarm.raised")
    assert alarm.data["kind"] == "probe_lost"


async def test_a_machine_that_slept_gives_them_their_time_too(tmp_path: Path) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        service._naps = Naps(lambda: clock.now_ns)
        await start(service)
        await isolated(service)
        await run_hold(service, clock, adapter, 60)
        await asyncio.sleep(LOOK_S)
        clock.now_ns += 600 * 10**9
        await asyncio.sleep(2 * LOOK_S)
        assert not service.bays[BAY].alarms.standing()
        service._naps = Naps(lambda: 0)  # a machine that does not sleep
        service._naps._looked_ns = 0
        alarm = await first_event(service, "holdwatch.alarm.raised")
    assert alarm.data["kind"] == "probe_lost"


def test_pauses_are_those_longer_than_five_seconds() -> None:
    machine = TurnedClock(mono_ns=0)
    naps = Naps(machine.mono_ns)
    assert naps.awake_since(100) == 100
    machine.now_ns += 4 * 10**9
    assert naps.awake_since(200) == 100
    machine.now_ns += 6 * 10**9
    assert naps.awake_since(300) == 300
