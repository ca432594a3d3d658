"""A radio that misbehaves, from the air to two verdicts: what is kept, and what is not.

Run: ``python -m benchmarks run radio_campaign [--seconds 240] [--rate 4] [--speed 8] [--seed 1]``.
Needs dbus-daemon. Eight probes of two bays on a simulated air (unmodified bleak over a private
D-Bus): packets are dropped, links end, the Bluetooth daemon is killed and comes back, a stranger
offers itself, an impostor sends under an enrolled address with a wrong key and repeats old
packets. One bay is tight, one leaks. The simulated clock runs ``speed`` times as fast, so that a
hold of twenty minutes fits; the radio is driven in real time.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections import Counter, defaultdict
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from radio_air import SILENCE_S, Air, Campaign, Outcome, bays, described, enrolled, key_of, shop

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter
from holdwatch_adapters.bluetooth.link import LinkTiming
from holdwatch_daemon.clock import ScaledClock
from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.fluids import Fluids
from holdwatch_physics.reading import Channel, ProbeNotice, Reading
from holdwatch_simulators.air import FakeBluez, PrivateBus

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

    from holdwatch_adapters.ports import Adapter

TIMING = LinkTiming(backoff_first=0.1, backoff_last=1.0, adopt=2.0, daemon_return=20.0)


class Tee:
    """An adapter that remembers what passed through."""

    def __init__(self, inner: Adapter) -> None:
        self.inner = inner
        self.readings: list[Reading] = []

    @property
    def name(self) -> str:
        return self.inner.name

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        async with contextlib.aclosing(self.inner.stream()) as stream:  # type: ignore[type-var]
            async for item in stream:
                if isinstance(item, Reading):
                    self.readings.append(item)
                yield item


async def run(campaign: Campaign, folder: Path) -> Outcome:
    """Run one campaign; the store stays in ``folder``."""
    outcome = Outcome()
    Fluids.load()  # its import halts the whole process for seconds: not the radio's fault
    config = parse_config(shop(folder))
    async with PrivateBus() as bus, FakeBluez(bus.address, described()) as fake:
        before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = bus.address
        try:
            clock = ScaledClock(campaign.speed)
            radio = BluetoothAdapter(
                enrolled(),
                clock,
                timing=TIMING,
                random_source=random.Random(campaign.seed),  # noqa: S311 - jitter
            )
            tee = Tee(radio)
            air = Air(campaign, fake, clock, outcome)
            async with Service(config, clock, [tee], simulated=True) as service:
                await _hold(campaign, service, radio, air, outcome)
                await service.events.tell()
                states = radio.states()
                outcome.links = sum(state.links for state in states.values())
            judge(config.database, tee, air, campaign, outcome)
        finally:
            if before is None:
                del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
            else:
                os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
    return outcome


async def _hold(
    campaign: Campaign, service: Service, radio: BluetoothAdapter, air: Air, outcome: Outcome
) -> None:
    driving = [asyncio.create_task(air.probes())]
    try:
        async with asyncio.timeout(30):
            while not all(state.connected for state in radio.states().values()):  # noqa: ASYNC110 - once
                await asyncio.sleep(0.05)
        for bay in bays():
            start = StartHold(command="start_hold", id=f"s-{bay}", recipe="nitrogen")
            mark = SayIsolated(command="say_isolated", id=f"m-{bay}")
            for command in (start, mark):
                reply = await service.command(bay, command, by="campaign")
                if not reply.ok:
                    outcome.problems.append(reply.text)
        driving += [asyncio.create_task(work()) for work in (air.impostor, air.faults)]
        began, cpu = time.monotonic(), time.process_time()
        simulated = service.clock.mono_ns()
        while time.monotonic() - began < campaign.seconds:
            await asyncio.sleep(0.2)
            dead = next((task for task in driving if task.done()), None)
            if dead is not None:
                dead.result()
            is_over = all(service.bays[bay].last is not None for bay in bays())
            if is_over and time.monotonic() - began > max(campaign.restarts_s, default=0.0) + 5.0:
                break
        outcome.real_s = time.monotonic() - began
        outcome.cpu_s = time.process_time() - cpu
        outcome.simulated_min = (service.clock.mono_ns() - simulated) / 6e10
        for bay in bays():
            last = service.bays[bay].last
            outcome.verdicts[bay] = "none" if last is None else str(last.progress.outcome)
    finally:
        for task in driving:
            task.cancel()
        await asyncio.gather(*driving, return_exceptions=True)


def judge(database: Path, tee: Tee, air: Air, campaign: Campaign, outcome: Outcome) -> None:
    """Compare what was sent, what came through the adapter, and what is on the disk."""
    with contextlib.closing(sqlite3.connect(database)) as store:
        rows = store.execute(
            "SELECT channels.name, readings.mono_ns, readings.value, readings.utc_ns FROM readings"
            " JOIN channels ON channels.id = readings.channel_id"
        ).fetchall()
        events = [json.loads(body) for (body,) in store.execute("SELECT body FROM events")]
    heard = Counter((one.channel, one.mono_ns, one.value) for one in tee.readings)
    stored = Counter((name, mono_ns, value) for name, mono_ns, value, _ in rows)
    outcome.heard, outcome.stored = heard.total(), stored.total()
    outcome.problems += differences(heard, stored, air.on_air)
    outcome.refused_events = sum(one["type"] == "holdwatch.reading.refused" for one in events)
    lost: defaultdict[str, list[float]] = defaultdict(list)
    for one in events:
        if one["type"] == "holdwatch.probe.lost":
            told_s = datetime.fromisoformat(one["time"]).timestamp()
            lost[one["data"]["probe"]].append(told_s)
    outcome.lost_events = sum(len(times) for times in lost.values())
    times: defaultdict[str, list[float]] = defaultdict(list)
    for name, _, _, utc_ns in rows:
        times[name].append(utc_ns / 1e9)
    for name, stamps in times.items():
        stamps.sort()
        patience_s = (SILENCE_S + 1.0) * campaign.speed
        probe = Channel.parse(name).probe
        outcome.problems += unmarked(name, stamps, lost[probe], patience_s)
        gaps = [(b - a) / campaign.speed for a, b in pairwise(stamps)]
        outcome.longest_gap_s = max(outcome.longest_gap_s, *gaps)
        outcome.gaps_s += [gap for gap in gaps if gap > 6.0 / campaign.rate_hz]


def differences(
    heard: Counter[tuple[str, int, float]],
    stored: Counter[tuple[str, int, float]],
    on_air: Counter[tuple[str, float]],
) -> Iterator[str]:
    """Yield what was lost between adapter and disk, what is there twice, and what nobody said."""
    if missing := heard - stored:
        yield f"{missing.total()} readings that came are not in the store"
    if extra := stored - heard:
        yield f"{extra.total()} readings in the store did not come"
    told: Counter[tuple[str, float]] = Counter()
    for (name, _, value), count in stored.items():
        told[key_of(name, value)] += count
    if invented := told - on_air:
        (name, value), count = next(iter(invented.items()))
        yield f"{invented.total()} readings that no probe sent, {count} of them {name} = {value}"


def unmarked(name: str, stamps: list[float], lost: list[float], patience_s: float) -> Iterator[str]:
    """Yield each silence beyond a probe's patience in which nobody said that it was lost."""
    for before, after in pairwise(stamps):
        told = any(before <= one <= after for one in lost)
        if after - before > patience_s and not told:
            yield f"{name}: {after - before:.0f} s of silence in which no loss was told"


def main() -> int:
    parser = argparse.ArgumentParser(description="A radio that misbehaves, and what is kept.")
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--rate", type=float, default=4.0)
    parser.add_argument("--speed", type=float, default=8.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=1)
    given = parser.parse_args()
    is_good = True
    for seed in range(given.seed, given.seed + given.runs):
        campaign = Campaign(seconds=given.seconds, rate_hz=given.rate, speed=given.speed, seed=seed)
        with tempfile.TemporaryDirectory() as folder:
            outcome = asyncio.run(run(campaign, Path(folder)))
        _print(campaign, outcome)
        wanted = {"tight": "pass", "leaking": "fail"}
        is_good = is_good and not outcome.problems and outcome.verdicts == wanted
    return 0 if is_good else 1


def _print(campaign: Campaign, outcome: Outcome) -> None:
    gaps = outcome.gaps_s or [0.0]
    lines = {
        "seed": campaign.seed,
        "real time / simulated": f"{outcome.real_s:.0f} s / {outcome.simulated_min:.1f} min",
        "packets sent / dropped": f"{outcome.sent} / {outcome.dropped}",
        "impostor's packets": outcome.impostor_packets,
        "links ended / daemon killed": f"{outcome.disconnects} / {len(campaign.restarts_s)}",
        "links made": outcome.links,
        "readings heard / stored": f"{outcome.heard} / {outcome.stored}",
        "losses told / refusals told": f"{outcome.lost_events} / {outcome.refused_events}",
        "gap median / longest": f"{statistics.median(gaps):.2f} / {outcome.longest_gap_s:.2f} s",
        "CPU, air included": f"{100 * outcome.cpu_s / max(outcome.real_s, 1e-9):.0f} %",
        "verdict of the tight bay": outcome.verdicts.get("tight"),
        "verdict of the leaking bay": outcome.verdicts.get("leaking"),
        "promises broken": "; ".join(outcome.problems[:3]) or "none",
    }
    for name, value in lines.items():
        print(f"{name:28} {value}")
    print(flush=True)


if __name__ == "__main__":
    sys.exit(main())
