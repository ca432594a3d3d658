"""docs/events.md: every type is there, its examples are valid, and its consumers run as printed."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import sys
from pathlib import Path
from typing import get_args

import pytest
from daemon_rig import BAY, TurnedClock, connected, shop, start, stop
from mosquitto_fixture import Mosquitto, mosquitto
from pydantic import TypeAdapter

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.messages import Command, Event, EventType
from holdwatch_daemon.service import Service

__all__ = ["mosquitto"]  # the fixture, used by its name

PAGE = (Path(__file__).parents[2] / "docs" / "events.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)


def test_every_type_stands_in_the_tables_and_no_other() -> None:
    told = re.findall(r"^\| `(holdwatch\.[a-z_.]+)` \|", PAGE, re.MULTILINE)
    assert sorted(told) == sorted(get_args(EventType))


def test_the_examples_are_valid_messages() -> None:
    event, commands = blocks("json")
    assert Event.model_validate_json(event).sequence == 41
    listed = [TypeAdapter(Command).validate_python(each) for each in json.loads(commands)]
    schema = TypeAdapter(Command).json_schema()
    assert {each.command for each in listed} == set(schema["discriminator"]["mapping"])


@pytest.mark.parametrize("language", ["sh", "python"])
def test_a_consumer_is_about_ten_lines(language: str) -> None:
    (source,) = blocks(language)
    written = [line for line in source.splitlines() if line.strip() and not line.startswith("#")]
    assert len(written) <= 10


async def said_by(*command: str) -> str:
    """Run a consumer and return the first line that it says."""
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, start_new_session=True
    )
    assert process.stdout is not None
    try:
        line = await asyncio.wait_for(process.stdout.readline(), 30)
    finally:
        # Its pipeline is a group of its own: all of it ends.
        os.killpg(process.pid, signal.SIGKILL)
        await process.wait()
    return line.decode().strip()


async def test_the_python_consumer_says_the_verdict(tmp_path: Path) -> None:
    (source,) = blocks("python")
    (tmp_path / "verdicts.py").write_text(source)
    async with (
        Service(shop(tmp_path), TurnedClock(), []) as service,
        serve(create_app(service), port=0) as serving,
    ):
        await connected(service)  # else the verdict is told at its next start
        await start(service)
        await stop(service)
        line = await said_by(sys.executable, str(tmp_path / "verdicts.py"), serving.url, "0")
        assert re.fullmatch(rf"\d+ {BAY} inconclusive Inconclusive.*", line)


async def test_the_shell_consumer_says_the_verdict_that_came_while_it_was_away(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    (source,) = blocks("sh")
    script = tmp_path / "verdicts.sh"
    script.write_text(source)
    # Its session is begun, and then it is away.
    topic = "holdwatch/county-library/events"
    session = mosquitto.subscribe(topic, session="verdict-teller")
    async with asyncio.timeout(20):
        while not session.heard():
            mosquitto.publish(topic, "{}")
            await asyncio.sleep(0.1)
    session.stop()
    config = shop(tmp_path / "data", mqtt={"host": "127.0.0.1", "port": mosquitto.port})
    async with Service(config, TurnedClock(), []) as service:
        await connected(service)  # else the verdict is told at its next start
        await start(service)
        await stop(service)
    line = await said_by("sh", str(script), "127.0.0.1", str(mosquitto.port))
    assert line == f"{BAY}: inconclusive"
