"""The air of the radio campaign: eight probes, a stranger, an impostor, and the faults."""

from __future__ import annotations

import asyncio
import math
import random
import struct
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from holdwatch_adapters.bluetooth.adapter import BluetoothProbe
from holdwatch_simulators import payloads
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
    from collections.abc import Iterator
    from pathlib import Path

    from holdwatch_daemon.clock import ScaledClock
    from holdwatch_simulators.air import FakeBluez

KEY = bytes(range(16))
WRONG_KEY = bytes(reversed(range(16)))
ROOM_PA = 98_350.0
IMPOSTOR_PA = 61_000.0
"""What the impostor says the room's pressure is: nobody else says it."""
STRANGER_PA = 777_000.0
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
            return WireUpdate(name, PRESSURE, payload), [key_of(f"{name}/pressure", pressure_pa)]
        if part == "clamp":
            payload = payloads.gatt_temperature(pipe_k + gauss(0.0, 0.02))
            said = [key_of(f"{name}/temperature", _kelvin(payload))]
            return WireUpdate(name, TEMPERATURE, payload), said
        if part == "pipe":
            self._counter += 1
            payload = payloads.bthome(packet_id=self._counter % 256, t_k=pipe_k + gauss(0.0, 0.02))
            return WireUpdate(name, None, payload), [
                key_of(f"{name}/temperature", _kelvin(payload[-2:]))
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
        said = [
            key_of(f"{name}/temperature", _kelvin(number)),
            key_of(f"{name}/pressure", float(raw)),
        ]
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


def key_of(name: str, value: float) -> tuple[str, float]:
    """A channel and its value to a tenth of the finest step, so that rounding plays no part."""
    return name, round(value, 3)


def _kelvin(payload: bytes) -> float:
    return float(struct.unpack("<h", payload)[0]) / 100.0 + 273.15
