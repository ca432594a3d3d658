"""The container's file, read closely, and its health check against a real service."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from daemon_rig import TurnedClock, shop

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.service import Service

ROOT = Path(__file__).parents[2]
FILE = (ROOT / "deploy" / "Containerfile").read_text()
CHECK = ROOT / "deploy" / "healthcheck.py"


def lines(word: str) -> list[str]:
    """The arguments of every such instruction, lines that go on joined."""
    joined = re.sub(r"\\\n\s*", "", FILE)
    return [line.split(" ", 1)[1] for line in joined.splitlines() if line.startswith(f"{word} ")]


def copied() -> list[str]:
    return [name for line in lines("COPY") if "--from" not in line for name in line.split()[:-1]]


def test_all_that_is_copied_is_there_and_is_not_ignored() -> None:
    ignored = (ROOT / ".containerignore").read_text().splitlines()
    for name in copied():
        assert (ROOT / name).exists(), name
        assert f"!{name}" in ignored, name
    assert "*" in ignored


def test_every_package_and_what_its_build_needs_is_copied() -> None:
    table = tomllib.loads((ROOT / "pyproject.toml").read_text())
    rooms = {
        Path(each).parts[0]
        for each in table["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    }
    needed = {table["project"]["readme"], *table["project"]["license-files"], "pyproject.toml"}
    assert rooms | needed <= set(copied())
    (install,) = (line for line in lines("RUN") if "pip install" in line)
    (extra,) = re.findall(r'"\.\[(\w+)\]"', install)
    assert extra in table["project"]["optional-dependencies"]


def test_it_runs_as_nobody_special_and_says_how_it_is() -> None:
    assert lines("USER") == ["10001:10001"]
    assert FILE.index("USER 10001") < FILE.index("ENTRYPOINT")
    assert lines("VOLUME") == ["/var/lib/holdwatch"]
    (command,) = lines("CMD")
    assert '"--data", "/var/lib/holdwatch"' in command
    assert all("@" in line or ":" in line for line in lines("FROM"))  # never just the newest
    (health,) = lines("HEALTHCHECK")
    assert "/opt/holdwatch/healthcheck.py" in health


async def check(*arguments: str) -> int:
    process = await asyncio.create_subprocess_exec(sys.executable, str(CHECK), *arguments)
    return await process.wait()


async def test_the_health_check_tells_an_answer_from_none(tmp_path: Path) -> None:
    async with (
        Service(shop(tmp_path / "data"), TurnedClock(), []) as service,
        serve(create_app(service), port=0) as serving,
    ):
        assert await check(f"{serving.url}health") == 0
        assert await check(f"{serving.url}api/v1/bays") == 1  # an answer, but of another shape
        gone = serving.url
    assert await check(f"{gone}health") == 1


@pytest.mark.parametrize("address", ["http://127.0.0.1:1/health", "nonsense"])
def test_the_health_check_says_no_without_a_traceback(address: str) -> None:
    command = [sys.executable, str(CHECK), address]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (1, "")
