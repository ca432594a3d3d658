"""Counts what one reading, one `start_hold` and one finding pass on their way through the house.

Run: ``python -m benchmarks run traced_walk [--files]``. A real service with a Bluetooth adapter's
decoders and the real HTTP application runs in this process; every call is traced by
``sys.setprofile``, in every thread. It prints, for each of the three ways, how many of our files
it passed (against the mark that the house keeps), how many of our functions were called, and on
how many SQLite connections; with ``--files`` each file with its calls. What runs beside the way
(ticks, the feed and outlets, health) is left out: a call counts when the way itself led to it.
"""

from __future__ import annotations

import argparse
import asyncio
import sqlite3
import struct
import sys
import tempfile
import threading
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

import httpx

from holdwatch_adapters.bluetooth.gatt import PRESSURE
from holdwatch_adapters.bluetooth.probe import PayloadAdapter
from holdwatch_adapters.bluetooth.settings import BluetoothProbe
from holdwatch_api.app import create_app
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from types import FrameType

    from holdwatch_adapters.bluetooth.probe import Payload
    from holdwatch_daemon.settings.shop import ShopConfig

ROOT: Final = Path(__file__).resolve().parent.parent
ROOMS: Final = tuple(
    f"{ROOT / room}/"
    for room in ("physics", "procedures", "adapters", "daemon", "api", "fleet", "cli")
)
BESIDE: Final = frozenset({"_tick", "keep_up", "_beat", "_warm_up", "keep"})
"""Functions whose work is done whether anything comes or not."""
OUTLETS: Final = (
    f"{ROOT}/daemon/holdwatch_daemon/outlets/",
    f"{ROOT}/adapters/holdwatch_adapters/mqtt_session.py",
)
"""Where a way ends: what is told from there on has come to the writer and to the hold."""
MARKS: Final = {"reading": 15, "start_hold": 35, "finding": 35}
MOST_CALLS: Final = {"finding": 1500}
UNIT_DATA: Final = {"fleet_number": "BM-01", "refrigerant": "R134a", "nameplate_charge_g": 500}


class Trace:
    """Counts calls while its block runs, in every thread that was started under it."""

    def __init__(self) -> None:
        self.calls: Counter[str] = Counter()
        self.connections: set[int] = set()
        self._on = False

    def install(self) -> None:
        """Let this thread, and every later one, be traced."""
        threading.setprofile(self._see)
        sys.setprofile(self._see)

    def __enter__(self) -> Self:
        self.calls, self.connections, self._on = Counter(), set(), True
        return self

    def __exit__(self, *_: object) -> None:
        self._on = False

    def _see(self, frame: FrameType, event: str, argument: Any) -> None:
        if not self._on:
            return
        if event == "call" and frame.f_code.co_filename.startswith(ROOMS):
            if not _is_beside(frame):
                self.calls[str(Path(frame.f_code.co_filename).relative_to(ROOT))] += 1
        elif event == "c_call":
            owner = getattr(argument, "__self__", None)
            if isinstance(owner, sqlite3.Cursor):
                owner = owner.connection
            if isinstance(owner, sqlite3.Connection) and not _is_beside(frame):
                self.connections.add(id(owner))


def _is_beside(frame: FrameType | None) -> bool:
    while frame is not None:
        file = frame.f_code.co_filename
        if file.startswith(OUTLETS) or (frame.f_code.co_name in BESIDE and file.startswith(ROOMS)):
            return True
        frame = frame.f_back
    return False


class Air:
    """Payloads of one gauge, sent one by one."""

    def __init__(self) -> None:
        self._queue: asyncio.Queue[Payload] = asyncio.Queue()
        self._tenths = 400_000

    def send(self) -> None:
        """Let the gauge say a value."""
        self._tenths += 3
        self._queue.put_nowait(("gauge-1", PRESSURE, struct.pack("<I", self._tenths)))

    async def payloads(self) -> AsyncIterator[Payload]:
        """Yield what was sent."""
        while True:
            yield await self._queue.get()


def shop(folder: Path) -> ShopConfig:
    """Return a shop of one bay with one gauge."""
    gauge = {
        "name": "gauge-1",
        "address": "02:00:00:00:00:01",
        "profile": "ess",
        "pressure_reference": "absolute",
    }
    recipe = {
        "procedure": "standing-vacuum",
        "criterion": {"leak_g_per_year": 60.0},
        "refrigerant": "R134a",
        "volume_l": 2.5,
    }
    table = {
        "site": {"name": "walk", "data": str(folder)},
        "probe": [gauge],
        "bay": [{"name": "bay-1", "roles": {"vacuum": "gauge-1/pressure"}}],
        "recipes": {"hold": recipe},
    }
    return parse_config(table)


def written(service: Service) -> int:
    """Return how many readings the writer has committed."""
    found = {metric.name: metric.value for metric in service.metrics()}
    return int(found["holdwatch_store_readings_total"])


async def until(reached: Callable[[], bool]) -> None:
    """Wait for the service to have done something."""
    async with asyncio.timeout(30.0):
        while not reached():  # noqa: ASYNC110 - nobody tells a benchmark
            await asyncio.sleep(0.01)


async def one_reading(service: Service, air: Air, trace: Trace) -> None:
    """Send a reading and trace it until it is written and its hold has it."""
    before = written(service)
    with trace:
        air.send()
        await asyncio.sleep(0.3)
    await until(lambda: written(service) > before)


async def posted(client: httpx.AsyncClient, path: str, body: dict[str, Any]) -> Any:
    """Post a body; return what is answered."""
    answer = await client.post(f"/api/v1/{path}", json=body)
    if answer.status_code not in {200, 201}:
        raise SystemExit(f"{path}: {answer.status_code} {answer.text}")
    return answer.json()


async def walk(folder: Path, report: Callable[[str, Trace], None]) -> None:
    """Go the three ways, each once for the imports and once to be counted."""
    trace, air = Trace(), Air()
    trace.install()
    clock = SystemClock()
    probe = BluetoothProbe("gauge-1", "02:00:00:00:00:01", "ess", "absolute")
    adapter = PayloadAdapter([probe], clock, air.payloads())
    async with Service(shop(folder), clock, [adapter], simulated=True) as service:
        transport = httpx.ASGITransport(create_app(service))
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            for _ in range(3):
                air.send()
                await until(lambda: service.bays["bay-1"].newest.get("vacuum") is not None)
            await _holds(client, trace, report)
            for _ in range(3):
                air.send()
                await asyncio.sleep(0.2)
            await one_reading(service, air, trace)
            report("reading", trace)
            await _finding(client, trace, report)


async def _holds(
    client: httpx.AsyncClient, trace: Trace, report: Callable[[str, Trace], None]
) -> None:
    await posted(client, "bays/bay-1/holds", {"id": "1", "recipe": "hold"})
    await posted(client, "bays/bay-1/command", {"command": "stop_hold", "id": "2"})
    with trace:
        await posted(client, "bays/bay-1/holds", {"id": "3", "recipe": "hold"})
    report("start_hold", trace)


async def _finding(
    client: httpx.AsyncClient, trace: Trace, report: Callable[[str, Trace], None]
) -> None:
    await posted(client, "vehicles", {"unit": UNIT_DATA})
    await posted(client, "vehicles/BM-01/visits", {"complaint": "Warm."})
    finding = {"place": "condenser", "means": "bubbles", "points": "for"}
    await posted(client, "visits/BM-01/findings", finding)
    with trace:
        await posted(client, "visits/BM-01/findings", finding | {"place": "evaporator"})
    report("finding", trace)


def main() -> int:
    """Print the figures; return 1 where one is above its mark."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", action="store_true", help="print each file with its calls")
    options = parser.parse_args()
    beyond = False

    def report(name: str, trace: Trace) -> None:
        nonlocal beyond
        files, calls = len(trace.calls), trace.calls.total()
        beyond |= files > MARKS[name] or calls > MOST_CALLS.get(name, calls)
        of_calls = f" of {MOST_CALLS[name]}" if name in MOST_CALLS else ""
        print(
            f"{name}: {files} of our files (mark {MARKS[name]}), {calls}{of_calls} calls, "
            f"{len(trace.connections)} SQLite connections"
        )
        if options.files:
            for file, count in trace.calls.most_common():
                print(f"  {count:6} {file}")

    with tempfile.TemporaryDirectory(prefix="holdwatch-walk-") as folder:
        asyncio.run(walk(Path(folder), report))
    return int(beyond)


if __name__ == "__main__":
    raise SystemExit(main())
