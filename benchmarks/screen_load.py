"""What open screens cost the service, and how old a reading is when a screen shows it.

A service of its own process watches 12 bays with 48 channels at 200 readings a second, a standing
vacuum running in each. Measured: its CPU time without and with 20 open event streams; the age of
every reading when a stream first carries it or a newer one of its channel; in Chromium, the first
paint of the bay screen and the age of readings at the frame after the page has taken them.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
from playwright.async_api import async_playwright

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterable

    from playwright.async_api import Browser

    from holdwatch_daemon.settings.shop import ShopConfig

BAYS = 12
READINGS_A_SECOND = 200.0
SLOT_S = 0.01
SETTLE_S = 8.0  # a page that has just been opened loads its curve library and draws
STEPS = 2**14  # a reading's number stands in its value, so many of them apart
# role: channel, quantity, first value and step in SI; steps are exact in binary
CHANNELS = {
    "vacuum": ("pressure", Quantity.PRESSURE_ABSOLUTE, 40.0, 2.0**-13),
    "pipe_temperature": ("temperature", Quantity.TEMPERATURE, 294.0, 2.0**-13),
    "ambient_temperature": ("temperature", Quantity.TEMPERATURE, 295.0, 2.0**-13),
    "barometer": ("pressure", Quantity.PRESSURE_ABSOLUTE, 98_000.0, 2.0**-8),
}


class Feed:
    """Readings that come evenly spread over time, each stamped when it is handed over."""

    name = "feed"

    def __init__(self, clock: SystemClock) -> None:
        self.begin = asyncio.Event()
        self._clock = clock
        self.stamps: dict[str, list[tuple[int, int]]] = {}
        self._channels = [
            (f"{role}-{bay}/{channel}", quantity, first, step)
            for bay in range(BAYS)
            for role, (channel, quantity, first, step) in CHANNELS.items()
        ]

    async def stream(self) -> AsyncIterator[Reading]:
        await self.begin.wait()
        began, sent = time.monotonic(), 0
        while True:
            due = int((time.monotonic() - began) * READINGS_A_SECOND)
            for number in range(sent, due):
                turn, which = divmod(number, len(self._channels))
                channel, quantity, first, step = self._channels[which]
                utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
                self.stamps.setdefault(channel, []).append((time.monotonic_ns(), utc_ns))
                value = first + (turn % STEPS) * step
                yield Reading(channel, quantity, utc_ns, mono_ns, value, Quality.GOOD)
            sent = due
            await asyncio.sleep(SLOT_S)


def shop(folder: Path) -> ShopConfig:
    probes: list[dict[str, Any]] = []
    bays = []
    for bay in range(BAYS):
        roles = {}
        for role, (channel, quantity, _, _) in CHANNELS.items():
            number = len(probes)
            is_absolute = quantity is Quantity.PRESSURE_ABSOLUTE
            probes.append(
                {
                    "name": f"{role}-{bay}",
                    "address": f"02:00:00:00:{number // 256:02X}:{number % 256:02X}",
                    "profile": "ess",
                    "pressure_reference": "absolute" if is_absolute else "vented",
                }
            )
            roles[role] = f"{role}-{bay}/{channel}"
        unit = {"name": f"BM-{bay + 1:02}", "refrigerant": "R134a", "volume_l": 2.5}
        bays.append({"name": f"bay-{bay}", "roles": roles, "unit_under_test": unit})
    recipe = {"procedure": "standing-vacuum", "criterion": {"leak_g_per_year": 60.0}}
    return parse_config(
        {
            "site": {"name": "benchmark", "data": str(folder)},
            "probe": probes,
            "bay": bays,
            "recipes": {"hold": recipe},
        }
    )


async def run_server(folder: Path) -> None:
    """Run the service until SIGTERM; then leave the stamps in a file."""
    clock, stop = SystemClock(), asyncio.Event()
    feed = Feed(clock)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    async with (
        Service(shop(folder), clock, [feed]) as service,
        serve(create_app(service), port=0) as serving,
    ):
        feed.begin.set()
        await asyncio.sleep(2.0)
        for bay in service.bays:
            for command in (
                StartHold(command="start_hold", id=f"s-{bay}", recipe="hold"),
                SayIsolated(command="say_isolated", id=f"i-{bay}"),
            ):
                reply = await service.command(bay, command, by="benchmark")
                assert reply.ok, reply.text  # noqa: S101
        print(serving.url, flush=True)
        await stop.wait()
        (folder / "stamps.json").write_text(json.dumps(feed.stamps))


def cpu_s(pid: int) -> float:
    """CPU time of a process so far, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Seen:
    """When a stream first carried a reading of a channel with at least this number."""

    def __init__(self) -> None:
        self.arrivals: dict[str, list[tuple[int, int]]] = {}  # channel → number, time

    def take(self, live: dict[str, Any], at_ns: int) -> None:
        for value in live["values"]:
            _, _, first, step = CHANNELS[value["role"]]
            number = round((value["value"] - first) / step)
            known = self.arrivals.setdefault(value["channel"], [])
            if not known or known[-1][0] != number:
                known.append((number, at_ns))

    def ages_ms(self, stamps: dict[str, list[list[int]]], clock: int) -> list[float]:
        """Age of every reading at its arrival, ms; overtaken ones count until the newer one."""
        ages = []
        for channel, arrivals in self.arrivals.items():
            for (before, _), (number, at_ns) in itertools.pairwise(arrivals):
                ages += [
                    (at_ns - stamps[channel][each][clock]) / 1e6
                    for each in range(before + 1, number + 1)
                ]
        return ages


async def follow(url: str, seen: Seen | None, counted: list[int]) -> None:
    """Read a live stream as a browser does; one of them looks into it."""
    async with (
        httpx.AsyncClient(timeout=None) as client,  # noqa: S113 - the stream never ends
        client.stream("GET", f"{url}api/v1/live", headers={"accept-encoding": "gzip"}) as got,
    ):
        kind, rest = "", b""
        async for piece in got.aiter_raw():
            at_ns = time.monotonic_ns()
            counted[0] += len(piece)
            if seen is None:
                continue
            *lines, rest = (rest + piece).split(b"\n")
            for line in lines:
                if line.startswith(b"event: "):
                    kind = line[7:].decode()
                elif line.startswith(b"data: ") and kind == "live":
                    seen.take(json.loads(line[6:]), at_ns)


WATCH_PAGE = """
window.seen = [];
const add = EventSource.prototype.addEventListener;
EventSource.prototype.addEventListener = function (kind, work) {
  return add.call(this, kind, kind !== "live" ? work : (event) => {
    work(event);
    requestAnimationFrame(
      () => window.seen.push([event.data, performance.timeOrigin + performance.now()]));
  });
};
"""


async def first_paint(browser: Browser, url: str) -> float:
    """Open the bay screen with nothing kept from before; return its first paint of content, ms."""
    async with await browser.new_context(viewport={"width": 1920, "height": 1080}) as context:
        page = await context.new_page()
        await page.goto(url)
        name = "performance.getEntriesByName('first-contentful-paint')"
        await page.wait_for_function(f"() => {name}.length")
        return float(await page.evaluate(f"() => {name}[0].startTime"))


async def in_chromium(url: str, seconds: float) -> tuple[list[float], Seen]:
    """Open the bay screen in Chromium: its first paints (ms), and what it was shown."""
    async with (
        async_playwright() as play,
        await play.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        ) as browser,
    ):
        paints = [await first_paint(browser, url) for _ in range(5)]
        page = await browser.new_page(viewport={"width": 1920, "height": 1080})
        await page.add_init_script(WATCH_PAGE)
        await page.goto(url)
        await asyncio.sleep(SETTLE_S + seconds)
        told = await page.evaluate("() => window.seen")
    seen = Seen()
    settled_ms = told[0][1] + SETTLE_S * 1e3
    for text, at_ms in (each for each in told if each[1] > settled_ms):
        seen.take(json.loads(text), int(at_ms * 1e6))
    return paints, seen


def share(ages: list[float], part: float) -> float:
    return sorted(ages)[min(int(part * len(ages)), len(ages) - 1)] if ages else float("nan")


def tell(name: str, ages: Iterable[float]) -> None:
    found = list(ages)
    print(
        f"{name:32} median {share(found, 0.5):6.1f} ms   p99 {share(found, 0.99):6.1f} ms"
        f"   most {max(found, default=float('nan')):6.1f} ms   ({len(found):,} readings)"
    )


async def measure(url: str, pid: int, clients: int, seconds: float) -> tuple[float, float, Seen]:
    """Return the server's CPU share, kB/s a client, and what the first client has seen."""
    seen, counted = Seen(), [0]
    tasks = [
        asyncio.create_task(follow(url, None if number else seen, counted))
        for number in range(clients)
    ]
    await asyncio.sleep(3.0)
    counted[0] = 0
    before, began = cpu_s(pid), time.monotonic()
    await asyncio.sleep(seconds)
    took = time.monotonic() - began
    used = cpu_s(pid) - before
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return used / took, counted[0] / 1e3 / took / max(clients, 1), seen


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clients", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve is not None:
        asyncio.run(run_server(options.serve))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        process = subprocess.Popen(
            [sys.executable, __file__, "--serve", name], stdout=subprocess.PIPE, text=True
        )
        try:
            assert process.stdout is not None  # noqa: S101
            url = process.stdout.readline().strip()
            print(f"load of the machine before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
            alone, _, _ = asyncio.run(measure(url, process.pid, 0, options.seconds))
            loaded, rate, seen = asyncio.run(
                measure(url, process.pid, options.clients, options.seconds)
            )
            paints, shown = asyncio.run(in_chromium(url, 15.0))
        finally:
            process.terminate()
            process.wait(30)
        stamps = json.loads((folder / "stamps.json").read_text())
    print(f"load of the machine after:  {os.getloadavg()[0]:.1f}")
    print(f"server, no screen                {alone * 100:6.1f} % of a core")
    print(f"server, {options.clients} screens               {loaded * 100:6.1f} % of a core")
    print(f"the screens cost                 {(loaded - alone) * 100:6.1f} % of a core")
    print(f"one screen is sent               {rate:6.1f} kB/s")
    tell("reading to stream", seen.ages_ms(stamps, 0))
    tell("reading to frame in Chromium", shown.ages_ms(stamps, 1))
    told = ", ".join(f"{each:.0f}" for each in sorted(paints))
    print(f"first paint of five cold opens   {told} ms after the navigation began")


if __name__ == "__main__":
    main()
