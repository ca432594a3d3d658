"""The clocks: what runs faster, what never runs back, and what tells boots apart."""

from __future__ import annotations

import asyncio
import time
from functools import partial
from typing import TYPE_CHECKING

import pytest

from holdwatch_daemon import clock as clock_module
from holdwatch_daemon.clock import ScaledClock, SystemClock, machine_boot_id
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    from pathlib import Path


async def test_a_scaled_clock_runs_and_waits_at_its_speed() -> None:
    clock = ScaledClock(200.0, start_utc_ns=10**18)
    began, mono_ns = time.monotonic(), clock.mono_ns()
    await clock.sleep(20.0)
    real_s = time.monotonic() - began
    simulated_s = (clock.mono_ns() - mono_ns) / 1e9
    assert 0.1 <= real_s < 5.0
    assert simulated_s == pytest.approx(200.0 * real_s, rel=0.05)
    assert clock.utc_ns() - 10**18 == pytest.approx(clock.mono_ns(), abs=1e9)
    assert clock.simulated


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
def test_a_clock_that_would_stand_or_run_back_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        ScaledClock(speed)


def test_two_simulated_clocks_never_share_a_boot() -> None:
    assert ScaledClock(60.0).boot_id != ScaledClock(60.0).boot_id


async def test_the_system_clock_is_the_machines() -> None:
    clock = SystemClock()
    monotonic_ns = partial(time.clock_gettime_ns, time.CLOCK_BOOTTIME)
    before = monotonic_ns()
    await asyncio.sleep(0)
    assert before <= clock.mono_ns() <= monotonic_ns()
    assert abs(clock.utc_ns() - time.time_ns()) < 1e9
    assert clock.boot_id == SystemClock().boot_id


def test_without_a_boot_id_each_start_stands_for_itself(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(clock_module, "_LINUX_BOOT_ID", tmp_path / "none")
    assert machine_boot_id() != machine_boot_id()


def test_an_instant_is_written_in_utc_with_milliseconds_rounded_down() -> None:
    # 2^31 s after 1970 is 2038-01-19T03:14:08Z (POSIX time, from memory).
    assert rfc3339(2**31 * 10**9 - 1) == "2038-01-19T03:14:07.999Z"
