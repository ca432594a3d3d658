"""A radio that misbehaves, from the air to two verdicts: what is kept, and what is not.

Run: ``python benchmarks/radio_campaign.py [--seconds 240] [--rate 4] [--speed 8] [--seed 1]``.
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
import math
import os
import random
import sqlite3
import statistics
import struct
import sys
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holdwatch_adapters.bluetooth import BluetoothAdapter, BluetoothProbe
from holdwatch_adapters.links import LinkTiming
from holdwatch_daemon.clock import ScaledClock
from holdwatch_daemon.config_load import parse_config
from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_physics.fluids import Fluids
from holdwatch_physics.reading import ProbeNotice, Reading
from holdwatch_simulators import payloads
from holdwatch_simulators.air import FakeBluez, PrivateBus
from holdwatch_simulators.air.sealing import seal
from holdwatch_simulators.wire import (
    ENVIRONMENTAL_SENSING,
    PRESSURE,
    TEMPERATURE,
    CharacteristicDescription,
    ProbeDescription,
    WireUpdate,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

    from holdwatch_adapters.ports import Adapter

KEY = bytes(range(16))
WRONG_KEY = bytes(reversed(range(16)))
ROOM_PA = 98_350.0
IMPOSTOR_PA = 61_000.0
"""What the impostor says the room's pressure is: nobody else says it."""
STRANGER_PA = 777_000.0
TIMING = LinkTiming(backoff_first=0.1, backoff_last=1.0, adopt=2.0, daemon_return=20.0)
SILENCE_S = 4.0


@dataclass(frozen=True, slots=True)
class Campaign:
    """What is done to the radio.

    Attributes:
        seconds: Longest real time, s; it ends earlier once both verdicts are there.
        rate_hz: Packets a real second that each probe sends.
        speed: Simulated seconds a real second.
        drop: Share of packets that never arrive.
        disconnect_s: Real time between two ends of a link, s.
        restarts_s: When the Bluetooth daemon is killed, s of real time.
        away_s: How long it stays away.
        seed: Of all chance.
        leak_pa_per_s: How fast the leaking bay loses pressure, in simulated time.
    """

    seconds: float = 240.0
    rate_hz: float = 4.0
    speed: float = 8.0
    drop: float = 0.3
    disconnect_s: float = 20.0
    restarts_s: tuple[float, ...] = (50.0,)
    away_s: float = 1.5
    seed: int = 1
    leak_pa_per_s: float = 60.0


@dataclass(slots=True)
class Outcome:
    """What came of it. ``problems`` is empty where every promise was kept."""

    verdicts: dict[str, str] = field(default_factory=dict)
    sent: int = 0
    dropped: int = 0
    impostor_packets: int = 0
    disconnects: int = 0
    heard: int = 0
    stored: int = 0
    lost_events: int = 0
    refused_events: int = 0
    links: int = 0
    longest_gap_s: float = 0.0
    gaps_s: list[float] = field(default_factory=list)
    real_s: float = 0.0
    cpu_s: float = 0.0
    simulated_min: float = 0.0
    problems: list[str] = field(default_factory=list)


def bays() -> Iterator[str]:
    """The two bays: one tight, one leaking."""
    yield from ("tight", "leaking")


def described() -> list[ProbeDescription]:
    """What is on the air: eight probes of ours and a stranger."""
    on_air = []
    for number, bay in enumerate(bays()):
        for place, (part, uuid) in enumerate((("gauge", PRESSURE), ("clamp", TEMPERATURE))):
            characteristic = CharacteristicDescription(ENVIRONMENTAL_SENSING, uuid)
            address = f"C0:00:00:00:{number:02X}:{place:02X}"
            services = (ENVIRONMENTAL_SENSING,)
            on_air.append(
                ProbeDescription(f"{bay}-{part}", address, "gatt", (characteristic,), services)
            )
        for place, part in enumerate(("pipe", "room"), 2):
            address = f"C0:00:00:00:{number:02X}:{place:02X}"
            on_air.append(ProbeDescription(f"{bay}-{part}", address, "bthome"))
    stranger = CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE)
    services = (ENVIRONMENTAL_SENSING,)
    on_air.append(ProbeDescription("stranger", "C0:00:00:00:09:09", "gatt", (stranger,), services))
    return on_air


def enrolled() -> list[BluetoothProbe]:
    """The eight probes that are believed; the rooms' ones encrypt."""
    probes = []
    for one in described():
        part = one.name.partition("-")[2]
        if not part:
            continue
        probes.append(
            BluetoothProbe(
                one.name,
                one.address,
                "ess" if one.kind == "gatt" else "bthome",
                "absolute" if part == "room" else "gauge",
                silence_s=SILENCE_S,
                key=KEY if part == "room" else None,
            )
        )
    return probes


def shop(folder: Path) -> dict[str, Any]:
    """The shop's table."""
    probes: list[dict[str, Any]] = []
    for one in enrolled():
        table: dict[str, Any] = {"name": one.name, "address": one.address, "stale_s": 120.0}
        table["profile"] = one.profile
        if one.name.endswith("gauge"):
            table |= {"unit": "kPag", "range": [0, 3500], "resolution": 0.0001, "noise": 0.15}
        if one.key is not None:
            table |= {"key": one.key.hex(), "pressure_reference": "absolute"}
        probes.append(table)
    unit = {"refrigerant": "R134a", "charge_g": 600, "volume_l": 2.5, "max_pressure_kpa_g": 1800}
    return {
        "site": {"name": "county-library", "data": str(folder), "altitude_m": 250.0},
        "probe": probes,
        "bay": [
            {
                "name": bay,
                "unit_under_test": {"name": f"BM-{bay}", **unit},
                "roles": {
                    "low_side": f"{bay}-gauge/pressure",
                    "pipe_temperature": f"{bay}-clamp/temperature",
                    "pipe_temperature.2": f"{bay}-pipe/temperature",
                    "barometer": f"{bay}-room/pressure",
                },
            }
            for bay in bays()
        ],
        "recipes": {
            "nitrogen": {
                "procedure": "pressure-decay",
                "criterion": {"leak_g_per_year": 20_000.0, "source": "shop rule"},
                "limits": {"max_duration_min": 60},
            }
        },
    }


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


class Air:
    """Drives the probes, the faults and the impostor."""

    def __init__(
        self, campaign: Campaign, air: FakeBluez, clock: ScaledClock, outcome: Outcome
    ) -> None:
        self._campaign = campaign
        self._air = air
        self._clock = clock
        self._outcome = outcome
        self._chance = random.Random(campaign.seed)  # noqa: S311 - a scatter, not a secret
        self._address = {one.name: one.address for one in described()}
        self._counter = 0
        self._old: dict[str, list[bytes]] = defaultdict(list)
        self.on_air: Counter[tuple[str, float]] = Counter()
        """What each channel said, and how often, of what was not dropped."""

    async def probes(self) -> None:
        """Let every probe measure and send, for ever."""
        names = [one.name for one in described()]
        pause = 1.0 / self._campaign.rate_hz / len(names)
        started = time.monotonic()
        turn = 0
        while True:
            for name in names:
                self._send(name)
                turn += 1
                await asyncio.sleep(max(started + turn * pause - time.monotonic(), 0.0))

    def _send(self, name: str) -> None:
        update, said = self._measured(name)
        if self._chance.random() < self._campaign.drop:
            self._outcome.dropped += 1
            return
        self._outcome.sent += 1
        self.on_air.update(said)
        if update.characteristic_uuid is None:
            self._old[name].append(update.payload)
        self._air.update(update)

    def _measured(self, name: str) -> tuple[WireUpdate, list[tuple[str, float]]]:
        """What a probe sends now, and the readings that it means."""
        bay, _, part = name.partition("-")
        t_s = self._clock.mono_ns() / 1e9
        pipe_k = 295.0 + 0.05 * math.sin(t_s / 700.0)
        gauss = self._chance.gauss
        if part == "gauge":
            leak = self._campaign.leak_pa_per_s if bay == "leaking" else 0.0
            gas_pa = 1.5e6 - leak * t_s + 1.6e6 / 295.0 * (pipe_k - 295.0)
            payload = payloads.gatt_pressure(gas_pa + gauss(0.0, 150.0))
            pressure_pa = struct.unpack("<I", payload)[0] / 10.0
            return WireUpdate(name, PRESSURE, payload), [_key(f"{name}/pressure", pressure_pa)]
        if part == "clamp":
            payload = payloads.gatt_temperature(pipe_k + gauss(0.0, 0.02))
            said = [_key(f"{name}/temperature", _kelvin(payload))]
            return WireUpdate(name, TEMPERATURE, payload), said
        if part == "pipe":
            self._counter += 1
            payload = payloads.bthome(packet_id=self._counter % 256, t_k=pipe_k + gauss(0.0, 0.02))
            return WireUpdate(name, None, payload), [
                _key(f"{name}/temperature", _kelvin(payload[-2:]))
            ]
        if part == "room":
            payload, said = self._sealed(name, ROOM_PA + gauss(0.0, 5.0), KEY)
            return WireUpdate(name, None, payload), said
        return WireUpdate(name, PRESSURE, payloads.gatt_pressure(STRANGER_PA)), []

    def _sealed(
        self, name: str, pressure_pa: float, key: bytes
    ) -> tuple[bytes, list[tuple[str, float]]]:
        """Return an encrypted packet; numbered by its temperature, so that no two are alike."""
        self._counter += 1
        number = struct.pack("<h", self._counter % 10_000)
        raw = round(pressure_pa)
        objects = b"\x02" + number + b"\x04" + raw.to_bytes(3, "little")
        packet = seal(objects, key=key, address=self._address[name], counter=self._counter)
        said = [_key(f"{name}/temperature", _kelvin(number)), _key(f"{name}/pressure", float(raw))]
        return packet, said

    async def impostor(self) -> None:
        """Send under the rooms' addresses: with a wrong key, unencrypted, and what was heard."""
        while True:
            await asyncio.sleep(0.3)
            for bay in bays():
                name = f"{bay}-room"
                packet, _ = self._sealed(name, IMPOSTOR_PA, WRONG_KEY)
                kinds = [packet, payloads.bthome(pressure_pa=IMPOSTOR_PA)]
                if len(self._old[name]) > 8:
                    kinds.append(self._chance.choice(self._old[name][:-4]))
                self._outcome.impostor_packets += 1
                self._air.impersonate(name, self._chance.choice(kinds))

    async def faults(self) -> None:
        """End links, and kill the Bluetooth daemon at its times."""
        connectable = [one.name for one in described()[:-1] if one.kind == "gatt"]
        started = time.monotonic()
        restarts = list(self._campaign.restarts_s)
        next_s = self._campaign.disconnect_s
        while True:
            await asyncio.sleep(0.05)
            now_s = time.monotonic() - started
            if restarts and now_s >= restarts[0]:
                restarts.pop(0)
                await self._air.vanish()
                await asyncio.sleep(self._campaign.away_s)
                await self._air.come_back()
            if now_s >= next_s:
                next_s += self._campaign.disconnect_s
                self._outcome.disconnects += 1
                self._air.disconnect(self._chance.choice(connectable))


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
        probe = name.partition("/")[0]
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
        told[_key(name, value)] += count
    if invented := told - on_air:
        (name, value), count = next(iter(invented.items()))
        yield f"{invented.total()} readings that no probe sent, {count} of them {name} = {value}"


def unmarked(name: str, stamps: list[float], lost: list[float], patience_s: float) -> Iterator[str]:
    """Yield each silence beyond a probe's patience in which nobody said that it was lost."""
    for before, after in pairwise(stamps):
        told = any(before <= one <= after for one in lost)
        if after - before > patience_s and not told:
            yield f"{name}: {after - before:.0f} s of silence in which no loss was told"


def _key(name: str, value: float) -> tuple[str, float]:
    """A channel and its value to a tenth of the finest step, so that rounding plays no part."""
    return name, round(value, 3)


def _kelvin(payload: bytes) -> float:
    return float(struct.unpack("<h", payload)[0]) / 100.0 + 273.15


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
