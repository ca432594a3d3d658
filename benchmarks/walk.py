"""The whole walk, measured: decode → bus → procedures → SQLite, beside raw inserts.

Run: ``python -m benchmarks run walk [--bays 50] [--seconds 600]``. It prints
readings a second of the walk and of sqlite3 alone in one run (same rows, schema, batches and
synchronous mode), their ratio, the processor time of a reading by stage, the memory of an idle
``holdwatch serve``, and the seconds from starting it to its first reading. ``--no-idle`` leaves
the last two out.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from holdwatch_adapters.bluetooth.gatt import full_uuid
from holdwatch_adapters.bluetooth.probe import Translator
from holdwatch_adapters.bluetooth.settings import BluetoothProbe
from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.writer import BATCH_ROWS

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_physics.reading import ProbeNotice, Reading

PRESSURE, TEMPERATURE = full_uuid(0x2A6D), full_uuid(0x2A6E)
START_UTC_NS = 1_750_000_000_000_000_000
ROUNDS_A_SECOND = 4


class SteppedClock:
    """Time that moves when the adapter says so: the walk runs as fast as it can."""

    boot_id = "benchmark"
    simulated = True
    speed = 1000.0

    def __init__(self) -> None:
        self.now_ns = 0

    def utc_ns(self) -> int:
        return START_UTC_NS + self.now_ns

    def mono_ns(self) -> int:
        return self.now_ns

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self.speed)


class Flood:
    """Every bay's gauge and clamp at 4 Hz, as payloads through the real decoders."""

    name = "flood"

    def __init__(self, bays: int, seconds: int, clock: SteppedClock) -> None:
        self._clock = clock
        self._seconds = seconds
        self._translators = [
            (
                Translator(BluetoothProbe(f"gauge-{bay}", "", "ess", "absolute"), clock),
                Translator(BluetoothProbe(f"clamp-{bay}", "", "ess"), clock),
            )
            for bay in range(bays)
        ]
        self.begin = asyncio.Event()
        self.sent = 0

    def decoded(self, gauge: bytes, clamp: bytes) -> Iterator[Reading | ProbeNotice]:
        """Yield what one payload of every gauge and every clamp says."""
        for of_gauge, of_clamp in self._translators:
            yield from of_gauge.characteristic(PRESSURE, gauge)
            yield from of_clamp.characteristic(TEMPERATURE, clamp)

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        await self.begin.wait()
        step_ns = 1_000_000_000 // ROUNDS_A_SECOND
        for tick in range(self._seconds * ROUNDS_A_SECOND):
            self._clock.now_ns += step_ns
            # 40 Pa, rising by 0.02 Pa/s, with two tenths of a pascal to and fro.
            tenths = 400 + tick // 20 + tick * 7 % 5
            gauge = struct.pack("<I", tenths)
            clamp = struct.pack("<h", 2100 + tick * 3 % 4)
            for item in self.decoded(gauge, clamp):
                yield item
            self.sent += 2 * len(self._translators)


def shop(bays: int, folder: Path) -> ShopConfig:
    probes: list[dict[str, Any]] = []
    rooms = []
    for bay in range(bays):
        for probe in (f"gauge-{bay}", f"clamp-{bay}"):
            number = len(probes)
            address = f"02:00:00:00:{number // 256:02X}:{number % 256:02X}"
            reference = "absolute" if probe.startswith("gauge") else "vented"
            known = {"name": probe, "address": address, "profile": "ess"}
            probes.append(known | {"pressure_reference": reference})
        roles = {"vacuum": f"gauge-{bay}/pressure", "pipe_temperature": f"clamp-{bay}/temperature"}
        unit = {"name": f"BM-{bay + 1:02}", "refrigerant": "R134a", "volume_l": 2.5}
        rooms.append({"name": f"bay-{bay}", "roles": roles, "unit_under_test": unit})
    recipe = {"procedure": "standing-vacuum", "criterion": {"leak_g_per_year": 60.0}}
    table = {
        "site": {"name": "benchmark", "data": str(folder)},
        "probe": probes,
        "bay": rooms,
        "recipes": {"hold": recipe},
    }
    return parse_config(table)


class Walked(NamedTuple):
    """How a walk went: its readings, seconds, and processor seconds of loop and whole process."""

    readings: int
    took_s: float
    loop_cpu_s: float
    cpu_s: float


async def walk(bays: int, seconds: int, folder: Path) -> Walked:
    """Run the walk."""
    clock = SteppedClock()
    flood = Flood(bays, seconds, clock)
    async with Service(shop(bays, folder), clock, [flood], simulated=True) as service:
        for bay in service.bays:
            start = StartHold(command="start_hold", id=f"s-{bay}", recipe="hold")
            assert (await service.command(bay, start, by="benchmark")).ok  # noqa: S101
            isolate = SayIsolated(command="say_isolated", id=f"i-{bay}")
            assert (await service.command(bay, isolate, by="benchmark")).ok  # noqa: S101
        began, loop_cpu, cpu = time.perf_counter(), time.thread_time(), time.process_time()
        flood.begin.set()
        expected = bays * seconds * ROUNDS_A_SECOND * 2
        while service_written(service) < expected:  # noqa: ASYNC110 - the writer tells nobody
            await asyncio.sleep(0.25)
        return Walked(
            expected,
            time.perf_counter() - began,
            time.thread_time() - loop_cpu,
            time.process_time() - cpu,
        )


def decoding(bays: int, rounds: int = 200) -> float:
    """Return the processor seconds that decoding one reading takes by itself."""
    clock = SteppedClock()
    flood = Flood(bays, 1, clock)
    began, count = time.process_time(), 0
    for tick in range(rounds):
        clock.now_ns += 250_000_000
        payloads = struct.pack("<I", 400 + tick % 5), struct.pack("<h", 2100 + tick % 4)
        count += sum(1 for _ in flood.decoded(*payloads))
    return (time.process_time() - began) / count


def service_written(service: Service) -> int:
    """Readings that the writer has committed."""
    found = {metric.name: metric.value for metric in service.metrics()}
    return int(found["holdwatch_store_readings_total"])


def raw(database: Path, folder: Path) -> tuple[int, float]:
    """Insert the walk's own rows into an empty copy of its schema, with sqlite3 alone."""
    with sqlite3.connect(database) as source:
        rows = source.execute(
            "SELECT channel_id, boot_id, mono_ns, utc_ns, value, quality, flag FROM readings"
            " ORDER BY mono_ns"
        ).fetchall()
        channels = source.execute("SELECT id, name, probe, quantity, unit FROM channels").fetchall()
        boots = source.execute("SELECT id, boot, first_seen, simulated FROM boots").fetchall()
    source.close()
    opened = open_database(folder / "holdwatch.db", "2026-01-01T00:00:00Z")
    target = opened.connection
    target.executemany(
        "INSERT INTO boots (id, boot, first_seen, simulated) VALUES (?,?,?,?)", boots
    )
    target.executemany("INSERT INTO channels VALUES (?, ?, ?, ?, ?)", channels)
    target.execute("PRAGMA synchronous=NORMAL")  # what the recorder writes readings with
    began = time.perf_counter()
    for first in range(0, len(rows), BATCH_ROWS):
        target.execute("BEGIN IMMEDIATE")
        target.executemany(
            "INSERT INTO readings (channel_id, boot_id, mono_ns, utc_ns, value, quality, flag)"
            " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            rows[first : first + BATCH_ROWS],
        )
        target.execute("COMMIT")
    took = time.perf_counter() - began
    target.close()
    opened.lock.release()
    return len(rows), took


def idle(folder: Path) -> tuple[float, float]:
    """Start ``holdwatch serve`` on a trace; return its memory (MB) and the first reading's time."""
    trace = folder / "idle.csv"
    lines = [f"{second},vacuum,{40 + second % 3},Pa" for second in range(600)]
    trace.write_text("\n".join(["time,channel,value,unit", *lines, ""]))
    config = folder / "shop.toml"
    rooms = "".join(f'[[bay]]\nname = "bay-{bay}"\n' for bay in range(12))
    config.write_text(
        f'[site]\nname = "idle"\ndata = "{folder}/idle"\n[http]\nport = 0\n'
        f'[[probe]]\nname = "trace"\nkind = "trace"\nfile = "{trace}"\n{rooms}'
    )
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "holdwatch_cli", "serve", "--config", str(config)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        first_s = _first_reading(folder / "idle" / "holdwatch.db") - began
        time.sleep(10.0)  # until the slow libraries are loaded too
        status = Path(f"/proc/{process.pid}/status").read_text()
        resident = re.search(r"VmRSS:\s+(\d+)", status)
        return (int(resident[1]) / 1024 if resident else float("nan")), first_s
    finally:
        process.terminate()
        process.wait(20)


def _first_reading(database: Path) -> float:
    until = time.perf_counter() + 60.0
    while time.perf_counter() < until:
        if database.exists():
            try:
                store = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
                found = store.execute("SELECT count(*) FROM readings").fetchone()[0]
                store.close()
            except sqlite3.OperationalError:
                found = 0
            if found:
                return time.perf_counter()
        time.sleep(0.02)
    raise TimeoutError("no reading was recorded within 60 s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bays", type=int, default=50)
    parser.add_argument("--seconds", type=int, default=600, help="simulated seconds at 4 Hz")
    parser.add_argument("--no-idle", action="store_true", help="measure the walk alone")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        walked = asyncio.run(walk(options.bays, options.seconds, folder / "walk"))
        rows, raw_s = raw(folder / "walk" / "holdwatch.db", folder / "raw")
        decode_us = decoding(options.bays) * 1e6
        rate, raw_rate = walked.readings / walked.took_s, rows / raw_s
        loop_us = walked.loop_cpu_s / walked.readings * 1e6
        rest_us = walked.cpu_s / walked.readings * 1e6 - loop_us
        print(
            f"whole walk, {options.bays} bays      {rate:10,.0f} readings/s ({walked.readings:,})"
        )
        print(f"sqlite3 alone, same rows  {raw_rate:10,.0f} rows/s")
        print(f"ratio                     {rate / raw_rate:10.3f}")
        print(f"CPU decoding              {decode_us:10.1f} us/reading")
        print(f"CPU bus, bays, procedures {loop_us - decode_us:10.1f} us/reading")
        print(f"CPU recorder and others   {rest_us:10.1f} us/reading")
        if options.no_idle:
            return
        memory_mb, first_s = idle(folder)
    print(f"idle serve, 12 bays       {memory_mb:10.0f} MB")
    print(f"serve to first reading    {first_s:10.2f} s")


if __name__ == "__main__":
    main()
