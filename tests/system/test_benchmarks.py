"""The runner of the benchmarks: what it lists, what it starts, and what it refuses."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def benchmarks(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchmarks", *words]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def test_every_script_is_listed_with_what_it_does() -> None:
    done = benchmarks("list")
    assert done.returncode == 0
    lines = {line.split()[0]: line for line in done.stdout.splitlines()}
    assert {"walk", "kill_campaign", "decay_campaign"} <= set(lines)
    assert "fault_shop" not in lines  # what scripts share is none
    assert all(line.split(maxsplit=1)[1].endswith(".") for line in lines.values())


def test_a_script_gets_its_own_options_and_finds_what_it_shares() -> None:
    done = benchmarks("run", "fleet_campaign", "--help")
    assert done.returncode == 0, done.stderr
    assert "--events" in done.stdout


def test_an_unknown_name_is_refused() -> None:
    done = benchmarks("run", "nothing")
    assert done.returncode == 2
    assert "no benchmark 'nothing'" in done.stderr
