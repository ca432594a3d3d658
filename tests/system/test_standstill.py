"""An event loop that is really blocked is seen, named and told; a wall clock that is set, too."""

from __future__ import annotations

import asyncio
import logging
import time
from typing import TYPE_CHECKING

import pytest
from daemon_rig import FedAdapter, TurnedClock, first_event, shop

from holdwatch_daemon.clock import ClockSteps
from holdwatch_daemon.health.loop_watch import LoopWatchdog, Stall, culprit
from holdwatch_daemon.service import Service

if TYPE_CHECKING:
    from pathlib import Path


def block_for(seconds: float) -> None:
    """Keep the loop from running, as a careless call would."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        time.sleep(0.01)


async def test_a_blocked_loop_is_named_with_file_line_and_function(
    caplog: pytest.LogCaptureFixture,
) -> None:
    told: list[Stall] = []
    with caplog.at_level(logging.WARNING), LoopWatchdog(told.append, 0.3) as watchdog:
        await asyncio.sleep(0.1)
        assert (told, watchdog.state.stalls) == ([], 0)
        block_for(0.8)
        await asyncio.sleep(0.1)
        (stall,) = told
        assert stall.seconds >= 0.7
        assert any(line.startswith("system/test_standstill.py:") for line in stall.stack)
        assert any(line.endswith(" block_for") for line in stall.stack)
        assert "test_standstill.py" in stall.where
        assert stall.where in stall.text
        block_for(0.5)
        await asyncio.sleep(0.1)
        assert len(told) == 1, "told once a minute at most"
        state = watchdog.state
        assert (state.stalls, state.untold) == (2, 1)
        assert state.longest_s == stall.seconds
    during = [line for line in caplog.messages if line.startswith("the event loop stands still")]
    assert len(during) == 2, "once a stall, while it lasts"
    assert "block_for" in during[0]


async def test_a_watchdog_of_a_loop_that_runs_sees_nothing_and_ends() -> None:
    told: list[Stall] = []
    with LoopWatchdog(told.append, 1.0) as watchdog:
        await asyncio.sleep(0.3)
    assert not told
    assert watchdog.state.last is None
    assert not watchdog._thread.is_alive()


@pytest.mark.parametrize(
    ("stack", "named"),
    [
        ((), "a place unknown"),
        (("site-packages/x.py:3 f",), "site-packages/x.py:3 f"),
        (("holdwatch_daemon/bays.py:9 take", "asyncio/events.py:80 _run"),
         "holdwatch_daemon/bays.py:9 take"),
        (("json/decoder.py:1 decode", "holdwatch_api/app.py:7 answer"),
         "holdwatch_api/app.py:7 answer, which called json/decoder.py:1 decode"),
    ],
)  # fmt: skip
def test_the_culprit_is_our_own_innermost_line(stack: tuple[str, ...], named: str) -> None:
    assert culprit(stack) == named


async def test_the_service_tells_of_its_standstill_in_events_health_and_metrics(
    tmp_path: Path,
) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter], stall_s=0.5) as service:
        await asyncio.sleep(0.1)
        block_for(1.2)
        event = await first_event(service, "holdwatch.service.stalled")
        loop = service.health()["loop"]
        stalls = {metric.name: metric.value for metric in service.metrics()}
    assert "block_for" in " ".join(event.data["stack"])
    assert event.data["seconds"] >= 1.0
    assert isinstance(loop, dict)
    assert loop["stalls"] >= 1
    assert stalls["holdwatch_loop_stalls_total"] >= 1
    assert stalls["holdwatch_loop_longest_stall_seconds"] >= 1.0


async def test_a_clock_set_by_the_network_is_told_and_a_slow_drift_is_not(tmp_path: Path) -> None:
    config, clock = shop(tmp_path / "data"), TurnedClock()
    async with Service(config, clock, [FedAdapter()]) as service:
        await asyncio.sleep(0.7)
        clock.utc_zero_ns -= 3 * 86_400 * 10**9
        event = await first_event(service, "holdwatch.clock.stepped")
        numbers = [each.sequence for each in await service.store.events_after(0, 100)]
    assert event.data["step_s"] == -3 * 86_400
    assert "set back by 259,200 s" in event.data["text"]
    assert numbers == sorted(numbers), "the log is in the order of what happened, not of UTC"


def test_steps_are_found_and_drift_is_followed() -> None:
    clock, steps = TurnedClock(), ClockSteps()
    assert steps.look(clock) is None
    for _ in range(100):  # half a second a look, a minute in all
        clock.now_ns += 600_000_000
        clock.utc_zero_ns += 500_000_000
        assert steps.look(clock) is None
    clock.utc_zero_ns += 3_600 * 10**9
    assert steps.look(clock) == 3_600.0
    assert steps.look(clock) is None
