"""One writer: whoever changes the store, numbers are given once and kept before they are told."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import socket
import stat
import subprocess
import sys
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import pytest
from daemon_rig import FedAdapter, TurnedClock, events, first_event, shop
from story_rig import png

from holdwatch_api.app import create_app
from holdwatch_api.local import serve_commands
from holdwatch_cli.jobs.running_service import RunningService
from holdwatch_cli.main import main
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.jobs.access import StoryBook
from holdwatch_daemon.service import Service
from holdwatch_daemon.store.backup import back_up
from holdwatch_daemon.store.opening import local_socket
from holdwatch_procedures.vehicles.vehicle import Vehicle

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from holdwatch_daemon.jobs.access import Page
    from holdwatch_daemon.settings.shop import ShopConfig

KILLED = """
import asyncio, os, signal, sys
from pathlib import Path
sys.path[:0] = {paths!r}
from daemon_rig import FedAdapter, TurnedClock, shop
from holdwatch_daemon.jobs.access import StoryBook
from holdwatch_daemon.service import Service
from holdwatch_procedures.vehicles.vehicle import Vehicle

async def work():
    async with Service(shop(Path({folder!r})), TurnedClock(), [FedAdapter()]) as service:
        news = service.events.subscribe(0)
        book = StoryBook(service.config.database, service.clock.utc_ns, service.transactions)
        for name in ("BM-01", "BM-02", "BM-03"):
            vehicle = Vehicle(fleet_number=name, refrigerant="R134a")
            await asyncio.to_thread(book.write, lambda page: page.put_unit(vehicle))
        async for event in news:
            print(event.sequence, event.type, flush=True)
            if event.data.get("unit") == "BM-03":
                os.kill(os.getpid(), signal.SIGKILL)

asyncio.run(work())
"""


def vehicle(page: Page, name: str = "BM-01") -> int:
    return page.put_unit(Vehicle(fleet_number=name, refrigerant="R134a"))


async def test_no_number_is_told_twice_when_a_service_that_wrote_jobs_finds_its_file_damaged(
    tmp_path: Path,
) -> None:
    script = KILLED.format(paths=sys.path, folder=str(tmp_path))
    done = await asyncio.to_thread(
        subprocess.run, [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    told = [int(line.split()[0]) for line in done.stdout.splitlines()]
    assert told == list(range(1, len(told) + 1))
    assert done.stdout.count("holdwatch.story.changed") == 3
    config = shop(tmp_path)
    config.database.with_name("holdwatch.db-wal").unlink(missing_ok=True)
    config.database.write_bytes(b"spoilt" * 10_000)
    async with Service(config, TurnedClock(), [FedAdapter()]) as service:
        heard = await first_event(service, "holdwatch.store.set_aside", after=told[-1])
        again = [event.sequence for event in await events(service)]
    assert heard.sequence > told[-1]
    assert not set(again) & set(told)


async def test_a_jobs_event_reaches_a_follower_at_once(tmp_path: Path) -> None:
    config = shop(tmp_path)
    async with Service(config, TurnedClock(), [FedAdapter()]) as service:
        news = service.events.subscribe()
        first = asyncio.ensure_future(anext(news))
        await asyncio.sleep(0)
        book = StoryBook(config.database, service.clock.utc_ns, service.transactions)
        await asyncio.to_thread(book.write, vehicle)
        for _ in range(3):  # turns of the loop, no time: nobody looks for it
            await asyncio.sleep(0)
        assert first.done()
        assert first.result().type == "holdwatch.story.changed"


def test_a_store_of_its_own_keeps_its_numbers_too(tmp_path: Path) -> None:
    database = tmp_path / "holdwatch.db"
    book = StoryBook(database, lambda: 1_790_000_000 * 10**9)
    book.write(vehicle)
    book.write(lambda page: vehicle(page, "BM-02"))
    for path in tmp_path.glob("holdwatch.db*"):
        path.unlink()
    book.write(lambda page: vehicle(page, "BM-03"))
    assert book.ask(lambda c: c.execute("SELECT sequence FROM events").fetchone()[0]) == 3


async def test_nobody_writes_past_a_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holdwatch_daemon.store.transactions.BUSY_TIMEOUT_S", 0.1)
    config = shop(tmp_path)
    async with Service(config, TurnedClock(), [FedAdapter()]) as service:
        past = StoryBook(config.database, service.clock.utc_ns)
        with pytest.raises(StoreError, match="another holdwatch process"):
            await asyncio.to_thread(past.write, vehicle)


@asynccontextmanager
async def served(config: ShopConfig) -> AsyncIterator[Service]:
    """A service that commands reach, and nobody over a network."""
    async with (
        Service(config, TurnedClock(), [FedAdapter()]) as service,
        serve_commands(create_app(service), config.database),
    ):
        yield service


async def command(config: ShopConfig, *words: str) -> int | str | None:
    """Run a command in this process, beside the service; return its exit status."""

    def run() -> int | str | None:
        with pytest.raises(SystemExit) as left:
            main([*words, "--data", str(config.database.parent)])
        return left.value.code

    return await asyncio.to_thread(run)


async def play(config: ShopConfig, picture: Path) -> None:
    """A visit from the first command to the last."""
    await asyncio.to_thread(picture.write_bytes, png(120))
    day = ("--on", "2026-05-11")
    for words in (
        ("vehicle", "add", "BM-02", "--refrigerant", "R134a", "--charge-g", "900"),
        ("vehicle", "change", "BM-02", "--description", "library van"),
        ("visit", "open", "BM-02", "--complaint", "warm", "--number", "2026-0001", *day),
        ("visit", "weigh", "BM-02", "--recovered", "590", *day),
        ("visit", "find", "BM-02", "condenser", "--by", "dye", "--photo", str(picture), *day),
        ("visit", "dye", "BM-02", "yellow", "--ml", "8", "--way", "vacuum", *day),
        ("visit", "part", "BM-02", "valve core"),
        ("visit", "advise", "BM-02", "Come back."),
        ("report", "2026-0001", "--out", str(picture.with_name("report.html"))),
    ):
        assert await command(config, *words) == 0, words


async def test_commands_speak_to_the_service_that_runs(tmp_path: Path) -> None:
    config = shop(tmp_path)
    async with served(config) as service:
        await play(config, tmp_path / "leak.png")
        told = [event for event in await events(service) if event.type.endswith("story.changed")]
        assert service.events.newest >= told[-1].sequence
        assert len(told) == 8
        book = StoryBook(config.database, service.clock.utc_ns)
        _, visit = book.visit("2026-0001")
    assert [one.grams for one in visit.weighings] == [590]
    assert len(visit.findings[0].photographs) == 1
    assert list(visit.advice) == ["Come back."]
    assert not local_socket(config.database).exists()
    verify = ("report", "--verify", str(tmp_path / "report.html"))
    assert await command(config, *verify) == 0, "the service knows the file that it made"


async def test_commands_write_the_same_with_and_without_a_service(tmp_path: Path) -> None:
    with_one, without = shop(tmp_path / "with"), shop(tmp_path / "without")
    without.database.parent.mkdir(parents=True)
    async with served(with_one):
        await play(with_one, tmp_path / "leak.png")
    await play(without, tmp_path / "leak.png")
    stories = [
        StoryBook(config.database, lambda: 0).story("BM-02") for config in (with_one, without)
    ]
    assert stories[0] == stories[1]


async def test_a_refusal_of_the_service_is_the_commands_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = shop(tmp_path)
    async with served(config):
        assert await command(config, "visit", "close", "BM-99") == 3
    assert "'BM-99' is neither the number of a visit nor a vehicle" in capsys.readouterr().err


async def test_a_socket_that_was_left_behind_is_no_obstacle(tmp_path: Path) -> None:
    config = shop(tmp_path)
    path = local_socket(config.database)
    path.parent.mkdir(parents=True, exist_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as left_behind:
        left_behind.bind(str(path))
    assert path.is_socket()
    assert RunningService.over(config.database) is None
    assert await command(config, "vehicle", "add", "BM-01", "--refrigerant", "R134a") == 0
    async with served(config):
        assert RunningService.over(config.database) is not None
        assert await command(config, "vehicle", "add", "BM-02", "--refrigerant", "R134a") == 0


async def test_the_socket_is_its_owners_alone_and_in_no_backup(tmp_path: Path) -> None:
    config = shop(tmp_path / "data")
    async with served(config):
        path = local_socket(config.database)
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        made = await asyncio.to_thread(
            back_up, config.database.parent, tmp_path / "backups", 1_790_000_000 * 10**9
        )
    assert not [name for name in made.files if "socket" in name]


async def test_a_data_folder_may_have_a_long_name(tmp_path: Path) -> None:
    folder = tmp_path / ("county-library-" * 10)
    config = shop(folder)
    assert len(os.fsencode(local_socket(config.database))) > 108
    async with served(config):
        assert RunningService.over(config.database) is not None
    shutil.rmtree(folder)


async def test_a_proxy_before_the_service_is_not_in_the_way_of_its_commands(tmp_path: Path) -> None:
    config = shop(tmp_path)
    http = config.http.model_copy(update={"proxies": ("10.0.0.1",)})
    async with served(config.model_copy(update={"http": http})):
        assert await command(config, "vehicle", "add", "BM-01", "--refrigerant", "R134a") == 0


async def test_a_token_is_needed_over_the_network_and_not_over_the_socket(tmp_path: Path) -> None:
    import httpx  # noqa: PLC0415 - only here

    config = shop(tmp_path)
    http = config.http.model_copy(update={"operate_token_file": tmp_path / "token"})
    (tmp_path / "token").write_text("a-token-of-the-county-library")
    config = config.model_copy(update={"http": http})
    async with Service(config, TurnedClock(), [FedAdapter()]) as service:
        app = create_app(service)
        async with serve_commands(app, config.database):
            added = await command(config, "vehicle", "add", "BM-01", "--refrigerant", "R134a")
            transport = httpx.ASGITransport(app)
            async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as one:
                refused = await one.get("/api/v1/vehicles")
    assert added == 0
    assert refused.status_code == 401
