"""``holdwatch watch`` as a program, against a real server over a scripted service."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import select
import sys
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import pytest
from fake_service import FakeService, nitrogen, vacuum

from holdwatch_api.app import create_app, serve

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

TOKEN = "watching-0123456789"  # noqa: S105 - of the test


@asynccontextmanager
async def serving(**http: object) -> AsyncIterator[tuple[FakeService, str]]:
    service = FakeService(**http)
    service.set_hold("bay-1", nitrogen(23.0))
    service.set_hold("bay-2", vacuum(15.0, "fail"))
    async with serve(create_app(service.as_service), port=0) as at:
        yield service, at.url


async def start(*options: str, out: int = asyncio.subprocess.PIPE) -> asyncio.subprocess.Process:
    command = [sys.executable, "-m", "holdwatch_cli", "watch", *options]
    return await asyncio.create_subprocess_exec(
        *command, stdout=out, stderr=asyncio.subprocess.PIPE
    )


async def run(*options: str) -> tuple[int, str, str]:
    process = await start(*options)
    out, error = await asyncio.wait_for(process.communicate(), 60)
    assert process.returncode is not None
    return process.returncode, out.decode(), error.decode()


async def test_a_look_shows_values_progress_and_verdict() -> None:
    async with serving() as (_, url):
        status, out, _ = await run("--url", url, "--once")
        assert status == 0
        for told in ("Bay 1, BM-03, R-1234yf", "1487.3", "kPa (gauge)", "Holding, 23 min."):
            assert told in out
        assert "holding, 25 min, at most 37 min more" in out
        assert "✘ FAIL" in out
        status, out, _ = await run("--url", url, "--once", "--json", "--bay", "bay-2")
        (bay,) = json.loads(out)["bays"]
        assert bay["state"]["hold"]["outcome"] == "fail"
        assert bay["live"]["values"][0]["role"] == "vacuum"


async def test_the_stream_is_followed_as_json_lines() -> None:
    async with serving() as (service, url):
        process = await start("--url", url, "--json", "--bay", "bay-1")
        assert process.stdout is not None
        first = json.loads(await asyncio.wait_for(process.stdout.readline(), 60))
        assert first["event"] == "bays"
        while True:
            line = json.loads(await asyncio.wait_for(process.stdout.readline(), 20))
            if line["event"] == "state":
                break
        assert line["data"]["doing"] == "hold"
        service.set_hold("bay-1", nitrogen(34.0, "pass"))
        while line["event"] != "state" or line["data"]["doing"] != "verdict":
            line = json.loads(await asyncio.wait_for(process.stdout.readline(), 20))
        assert line["data"]["hold"]["outcome"] == "pass"
        process.terminate()
        assert await asyncio.wait_for(process.wait(), 20) == 0


async def test_a_lost_service_is_said_and_found_again() -> None:
    outer, inner = pty.openpty()
    service = FakeService()
    service.set_hold("bay-1", nitrogen(23.0))
    async with serve(create_app(service.as_service), port=0) as at:
        process = await start("--url", at.url, out=inner)
        await until(outer, "Holding, 23 min.", 60)
    await until(outer, "No connection since")
    service.set_hold("bay-1", nitrogen(34.0, "pass"))
    async with serve(create_app(service.as_service), port=at.port):
        await until(outer, "✔ PASS")
        process.terminate()
        assert await asyncio.wait_for(process.wait(), 20) == 0
    os.close(inner)
    os.close(outer)


async def until(terminal: int, told: str, within_s: float = 30.0) -> None:
    """Read a terminal until it has shown some words."""
    heard = ""
    async with asyncio.timeout(within_s):
        while told not in heard:
            ready, _, _ = select.select([terminal], [], [], 0)
            if ready:
                heard += os.read(terminal, 65_536).decode(errors="replace")
            await asyncio.sleep(0.02)


@pytest.mark.parametrize("more", [("--once",), ("--json",)])
async def test_no_service_is_one_sentence(more: tuple[str, ...]) -> None:
    status, out, error = await run("--url", "http://127.0.0.1:9/", *more)
    assert (status, out) == (3, "")
    assert "no service at http://127.0.0.1:9/" in error
    assert "Traceback" not in error


async def test_a_pipe_is_pointed_to_json() -> None:
    status, out, error = await run()
    assert (status, out) == (3, "")
    assert "--json" in error


async def test_a_token_is_asked_for_and_given(tmp_path: Path) -> None:
    file = tmp_path / "watch"
    file.write_text(TOKEN)
    async with serving(watch_token_file=file, operate_token_file=file) as (_, url):
        status, _, error = await run("--url", url, "--once")
        assert status == 3
        assert "--token-file" in error
        status, _, _ = await run("--url", url, "--once", "--token-file", str(file))
        assert status == 0
        status, _, error = await run(
            "--url", url, "--once", "--token-file", str(file), "--bay", "none"
        )
        assert status == 3
        assert "There is no bay 'none'" in error
