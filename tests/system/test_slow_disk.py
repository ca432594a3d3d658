"""A disk that really stands still holds up neither the loop nor a hold, and people are told."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import slow_disk_program
from fault_disk import COMPILER, Pace, SlowDisk
from slow_disk_program import SECONDS
from system_parts import require

from holdwatch_daemon.store import answers

if TYPE_CHECKING:
    from pathlib import Path

STANDS_S = 60.0
"""Ended by the test, once it has seen enough."""


def test_a_disk_that_stands_keeps_answers_waiting_and_nothing_else(tmp_path: Path) -> None:
    require(COMPILER, "gcc libc6-dev")
    data = tmp_path / "data"
    data.mkdir()
    disk = SlowDisk(data, tmp_path)
    process = subprocess.Popen(
        [sys.executable, slow_disk_program.__file__, str(data)],
        env=disk.environment() | {"PYTHONPATH": ":".join(sys.path)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert json.loads(process.stdout.readline()) == "up"
        disk.stall(STANDS_S)
        before = disk.calls()
        process.stdin.write("go on\n")
        process.stdin.flush()
        seen: dict[str, Any] = json.loads(process.stdout.readline())
        disk.go(Pace(sync_s=0.1))
        came: dict[str, Any] = json.loads(process.stdout.readline())
        after = disk.calls()
        disk.go(Pace())
        process.communicate("end\n", timeout=30)
    finally:
        process.kill()
        process.communicate()
    # While it stood:
    assert after.elsewhere_s > before.elsewhere_s + 0.5, "it stood for this process"
    assert after.in_main == before.in_main, f"the loop's own thread was at {after.main_path}"
    assert "stands still" in seen["health"]
    assert seen["waiting"] == 3 * SECONDS
    assert seen["values"] == 3
    assert not seen["answered"]
    assert seen["serving"]
    # Afterwards:
    assert came["extended"]
    assert came["longest beat, s"] < STANDS_S / 6
    assert came["told"].count("holdwatch.store.slow") == 1
    assert "holdwatch.alarm.raised" in came["told"]
    assert came["numbers"] == list(range(1, len(came["numbers"]) + 1))
    assert process.returncode == 0
    connection = answers.connect(data / "holdwatch.db")
    (stored,) = connection.execute("SELECT COUNT(*) FROM readings").fetchone()
    connection.close()
    assert stored == 3 * SECONDS
