"""How old the reading that decides a hold is when its verdict arrives over MQTT.

25 bays at 1,000 readings a second in all, a real Mosquitto, real time. Holds begin in the bays one
after another and again as they end. A hold whose time is up decides with the first reading past
it; from there the verdict goes through the store's disk to the broker and to ``mosquitto_sub``.
The readings' clock runs fast, so that a minute of a hold passes in seconds; ages are real time.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import getpass
import json
import os
import random
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.bays.bay import Bay
from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_daemon.settings.shop import ShopConfig

BAYS = 25
READINGS_A_SECOND = 1_000
SPEED = 5.0
SLOT_S = 0.01
HOST = "127.0.0.1"


class FastClock:
    """A clock that runs ``SPEED`` times as fast as the machine's."""

    simulated = True
    speed = SPEED
    boot_id = "benchmark"

    def __init__(self) -> None:
        self._began_ns = time.monotonic_ns()
        self._utc_ns = time.time_ns()

    def mono_ns(self) -> int:
        return round((time.monotonic_ns() - self._began_ns) * SPEED) + 10**12

    def utc_ns(self) -> int:
        return self._utc_ns + self.mono_ns() - 10**12

    def machine_utc_ns(self, mono_ns: int) -> float:
        """The machine's wall-clock time at a time of this clock."""
        return self._utc_ns + (mono_ns - 10**12) / SPEED

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / SPEED)


class Feed:
    """A gauge and a clamp in each bay, evenly spread over time."""

    name = "feed"

    def __init__(self, clock: FastClock) -> None:
        self._clock = clock
        self.sent = 0
        self._random = random.Random(1)  # noqa: S311 - noise

    async def stream(self) -> AsyncIterator[Reading]:
        began = time.monotonic()
        while True:
            due = int((time.monotonic() - began) * READINGS_A_SECOND)
            for number in range(self.sent, due):
                bay, which = divmod(number % (2 * BAYS), 2)
                utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
                if which:
                    value, quantity = 295.0 + self._random.gauss(0.0, 0.01), Quantity.TEMPERATURE
                    channel = f"clamp-{bay}/temperature"
                else:
                    value, quantity = 1e6 + self._random.gauss(0.0, 150.0), Quantity.PRESSURE_GAUGE
                    channel = f"gauge-{bay}/pressure"
                yield Reading(channel, quantity, utc_ns, mono_ns, value, Quality.GOOD)
            self.sent = due
            await asyncio.sleep(SLOT_S)


def shop(folder: Path, port: int) -> ShopConfig:
    probes: list[dict[str, Any]] = []
    bays: list[dict[str, Any]] = []
    for bay in range(BAYS):
        for probe in (f"gauge-{bay}", f"clamp-{bay}"):
            number = len(probes)
            address = f"02:00:00:00:{number // 256:02X}:{number % 256:02X}"
            probes.append({"name": probe, "address": address, "profile": "ess"})
        roles = {
            "high_side": f"gauge-{bay}/pressure",
            "pipe_temperature": f"clamp-{bay}/temperature",
        }
        unit = {
            "name": f"BM-{bay + 1:02}",
            "refrigerant": "R134a",
            "volume_l": 2.5,
            "charge_g": 600,
            "max_pressure_kpa_g": 1800,
        }
        bays.append({"name": f"bay-{bay}", "roles": roles, "unit_under_test": unit})
    recipe = {
        "procedure": "pressure-decay",
        "criterion": {"leak_g_per_year": 100.0, "source": "shop rule"},
        "limits": {"max_duration_min": 1},
    }
    return parse_config(
        {
            "site": {"name": "benchmark", "data": str(folder)},
            "mqtt": {"host": HOST, "port": port},
            "probe": probes,
            "bay": bays,
            "recipes": {"hold": recipe},
        }
    )


def note_decisions(decided: dict[str, tuple[int, int]]) -> None:
    """Let every bay note the stamp of the reading with which its hold decided, and when it did."""
    put, act = Bay.put, Bay.act
    oldest: dict[str, int] = {}

    def noted_put(bay: Bay, reading: Reading, **more: Any) -> None:
        # Of the readings that came together one decides: the oldest counts.
        oldest.setdefault(bay.name, reading.mono_ns)
        put(bay, reading, **more)

    def noted_act(bay: Bay) -> None:
        runner, stamp = bay.runner, oldest.pop(bay.name, None)
        act(bay)
        if runner is not None and bay.runner is None and stamp is not None:
            decided.setdefault(runner.identity.id, (stamp, time.time_ns()))

    Bay.put, Bay.act = noted_put, noted_act  # type: ignore[method-assign, assignment]


async def keep_holding(service: Service, bay: str) -> None:
    """Begin a hold again whenever the last one has ended."""
    number = 0
    while True:
        if service.bays[bay].runner is None:
            number += 1
            for command in (
                StartHold(command="start_hold", id=f"s-{bay}-{number}", recipe="hold"),
                SayIsolated(command="say_isolated", id=f"i-{bay}-{number}"),
            ):
                reply = await service.command(bay, command, by="benchmark")
                if not reply.ok:
                    print(f"{bay}: {reply.text}")
        await asyncio.sleep(0.2)


async def run(
    folder: Path, port: int, seconds: float
) -> tuple[FastClock, dict[str, tuple[int, int]], float, float]:
    """Run the bays; return the clock, what decided each hold, readings a second and CPU share."""
    clock, decided = FastClock(), dict[str, tuple[int, int]]()
    note_decisions(decided)
    feed = Feed(clock)
    async with Service(shop(folder, port), clock, [feed], simulated=True) as service:
        await asyncio.sleep(5.0)  # until the fluid properties are loaded
        tasks = []
        for bay in service.bays:
            tasks.append(asyncio.create_task(keep_holding(service, bay)))
            await asyncio.sleep(0.37)
        before, began, used = feed.sent, time.monotonic(), time.process_time()
        await asyncio.sleep(seconds)
        took = time.monotonic() - began
        rate, cpu = (feed.sent - before) / took, (time.process_time() - used) / took
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.sleep(1.0)
    return clock, decided, rate, cpu


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def wait_for(port: int) -> None:
    until = time.monotonic() + 10.0
    while time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection((HOST, port), 0.2):
            return
        time.sleep(0.05)
    raise TimeoutError("mosquitto did not start within 10 s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=120.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as undo:
        folder, port = Path(name), free_port()
        config = folder / "mosquitto.conf"
        config.write_text(
            f"listener {port} {HOST}\nallow_anonymous true\nuser {getpass.getuser()}\n"
        )
        quiet: Any = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        broker = subprocess.Popen(["mosquitto", "-c", str(config)], **quiet)
        undo.callback(broker.wait)
        undo.callback(broker.terminate)
        wait_for(port)
        heard = undo.enter_context((folder / "heard").open("w"))
        topic = "holdwatch/benchmark/bay/+/verdict"
        arguments = ["-h", HOST, "-p", str(port), "-q", "1", "-F", "%U %p", "-t", topic]
        ear = subprocess.Popen(["mosquitto_sub", *arguments], stdout=heard)
        undo.callback(ear.wait)
        undo.callback(ear.terminate)
        load = os.getloadavg()[0]
        clock, decided, rate, cpu = asyncio.run(run(folder / "data", port, options.seconds))
        time.sleep(0.5)
        lines = (folder / "heard").read_text().splitlines()
    taken, told, whole = [], [], []
    for line in lines:
        at_s, _, payload = line.partition(" ")
        found = decided.get(json.loads(payload)["subject"])
        if found is not None:
            stamp_ms, decided_ms = clock.machine_utc_ns(found[0]) / 1e6, found[1] / 1e6
            taken.append(decided_ms - stamp_ms)
            told.append(float(at_s) * 1e3 - decided_ms)
            whole.append(float(at_s) * 1e3 - stamp_ms)
    print(f"load of the machine: {load:.1f} before, {os.getloadavg()[0]:.1f} after")
    print(f"readings              {rate:8,.0f} a second, at {cpu * 100:.0f} % of a core")
    print(f"verdicts              {len(whole):8,}")
    tell("reading to decision", taken)
    tell("decision to message", told)
    tell("reading to message", whole)


def tell(name: str, ages: list[float]) -> None:
    if not ages:
        raise SystemExit("no verdict was heard of a hold that a reading decided")
    ages.sort()
    median, p99 = (ages[min(int(part * len(ages)), len(ages) - 1)] for part in (0.5, 0.99))
    print(f"{name:22} median {median:7.1f} ms   p99 {p99:7.1f} ms   most {ages[-1]:7.1f} ms")


if __name__ == "__main__":
    main()
