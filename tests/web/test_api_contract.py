"""The HTTP API keeps the word of its own document: schemathesis, over a real service."""

from __future__ import annotations

import asyncio
import threading
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
import schemathesis
from daemon_rig import BAY, CLAMP, GAUGE, ROOM, FedAdapter, TurnedClock, reading, shop
from fake_service import FakeService
from hypothesis import HealthCheck, given, settings
from hypothesis.strategies import booleans

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.jobs.access import StoryBook
from holdwatch_daemon.jobs.changes import open_job
from holdwatch_daemon.messages import StartHold, StopHold
from holdwatch_daemon.service import Service
from holdwatch_procedures.vehicles.vehicle import Vehicle

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdwatch_daemon.jobs.access import Page

VISIT = "2026-0001"
STORY = tuple(
    f"/api/v1/{word}"
    for word in ("vehicles", "visits", "story", "photographs", "reports", "balance")
)
STREAMS = ["/api/v1/events", "/api/v1/live"]  # they never end; test_api_server reads them

pytestmark = pytest.mark.timeout(300)


class Running:
    """A service with a finished hold, and its server, in a thread of their own."""

    def __init__(self, data: Path) -> None:
        self._data = data
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()))
        self._thread.start()
        assert self._ready.wait(60)

    async def _run(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        clock, adapter = TurnedClock(), FedAdapter()
        async with (
            Service(shop(self._data), clock, [adapter]) as service,
            serve(create_app(service), port=0) as serving,
        ):
            start = StartHold(command="start_hold", id="first", recipe="nitrogen")
            await service.command(BAY, start, by="test")
            for channel, value in ((GAUGE, 9e5), (CLAMP, 295.0), (ROOM, 98e3)):
                adapter.put(reading(clock, channel, value))
            await service.command(BAY, StopHold(command="stop_hold", id="last"), by="test")
            self.hold = (await service.store.list_holds())[0].id
            book = StoryBook(service.config.database, clock.utc_ns, service.transactions)

            def change(page: Page) -> None:
                page.put_unit(Vehicle(fleet_number="BM-03", refrigerant="R134a"))
                open_job(page, "BM-03", complaint="", number=VISIT, on=date(2026, 5, 4))

            await asyncio.to_thread(book.write, change)
            self.url = serving.url
            self._ready.set()
            await self._stop.wait()

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(60)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = Running(tmp_path_factory.mktemp("contract"))
    try:
        yield running
    finally:
        running.close()


@pytest.fixture(scope="module")
def document(running: Running) -> Any:
    return schemathesis.openapi.from_url(f"{running.url}api/openapi.json")


def operations() -> list[tuple[str, str]]:
    """Every operation of the document that ends by itself."""
    paths = create_app(FakeService().as_service).openapi()["paths"]
    return [(path, method) for path, of in paths.items() if path not in STREAMS for method in of]


@pytest.mark.parametrize(("path", "method"), operations())
def test_no_request_makes_the_api_break_its_word(
    document: Any, running: Running, path: str, method: str
) -> None:
    known = {"hold_id": running.hold, "bay": BAY, "vehicle": "BM-03", "visit": VISIT}
    tries = 4 if path.startswith(STORY) else 30

    @given(case=document[path][method].as_strategy(), finds=booleans())
    @settings(max_examples=tries, deadline=None, suppress_health_check=list(HealthCheck))
    def attempt(case: Any, finds: bool) -> None:
        if finds:  # half of them are about the bay and the hold that there are
            case.path_parameters.update({k: v for k, v in known.items() if k in path})
        case.call_and_validate()

    attempt()
