"""A bad quarter of a minute on the air: dropped packets, links, a daemon, and an impostor.

Eight probes measure four times a second, and each measurement is a number of its own: what is
told can be looked up in what was sent.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from typing import TYPE_CHECKING

from bluetooth_rig import Listening, bus, sensor

from holdwatch_adapters.bluetooth.adapter import BluetoothProbe
from holdwatch_physics.reading import Channel, Reading
from holdwatch_simulators.air import FakeBluez
from holdwatch_simulators.air.sealing import seal
from holdwatch_simulators.wire import PRESSURE, ProbeDescription, WireUpdate

if TYPE_CHECKING:
    from holdwatch_simulators.air import PrivateBus

__all__ = ["bus"]

KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
WRONG_KEY = bytes(16)
SECONDS = 15
RATE_HZ = 4
DROPPED = 0.3
IMPOSTORS_PA = 9_000_000.0

GAUGES = [f"gauge-{n}" for n in range(5)]
CASTERS = [f"caster-{n}" for n in range(2)]
SEALED = "sealed"
ADDRESS = {
    name: f"C0:00:00:00:01:{n:02X}" for n, name in enumerate([*GAUGES, *CASTERS, SEALED], start=1)
}
ON_AIR = [
    *(sensor(name, ADDRESS[name], PRESSURE) for name in GAUGES),
    *(ProbeDescription(name, ADDRESS[name], "bthome") for name in [*CASTERS, SEALED]),
]
ENROLLED = [
    *(BluetoothProbe(name, ADDRESS[name], "ess", "absolute", 2.0) for name in GAUGES),
    *(BluetoothProbe(name, ADDRESS[name], "bthome", "absolute", 2.0) for name in CASTERS),
    BluetoothProbe(SEALED, ADDRESS[SEALED], "bthome", "absolute", 2.0, key=KEY),
]


class World:
    """Sends measurements, loses some, and breaks what there is to break."""

    def __init__(self, air: FakeBluez, source: random.Random) -> None:
        self._air = air
        self._random = source
        self.sent: dict[str, Counter[float]] = {name: Counter() for name in ADDRESS}
        self.breaks = Counter[str]()

    async def run(self) -> None:
        for turn in range(SECONDS * RATE_HZ):
            for name in ADDRESS:
                self._measure(name, turn)
            await self._harm(turn)
            await asyncio.sleep(1.0 / RATE_HZ)

    def _measure(self, name: str, turn: int) -> None:
        pascal = 1_000 + turn
        objects = bytes([0, turn % 256, 4]) + pascal.to_bytes(3, "little")
        if name in GAUGES:
            update = WireUpdate(name, PRESSURE, (pascal * 10).to_bytes(4, "little"))
        elif name in CASTERS:
            update = WireUpdate(name, None, b"\x40" + objects)
        else:
            packet = seal(objects, key=KEY, address=ADDRESS[name], counter=turn + 1)
            update = WireUpdate(name, None, packet)
        if self._random.random() >= DROPPED:
            self.sent[name][float(pascal)] += 1
            self._air.update(update)

    async def _harm(self, turn: int) -> None:
        if turn % 10 == 5:
            self._air.disconnect(self._random.choice(GAUGES))
            self.breaks["link"] += 1
        if turn == SECONDS * RATE_HZ // 2:
            await self._air.vanish()
            await asyncio.sleep(0.5)
            await self._air.come_back()
            self.breaks["daemon"] += 1
        if turn % 3 == 0:
            objects = bytes([0, (turn + 100) % 256, 4]) + int(IMPOSTORS_PA).to_bytes(3, "little")
            forged = (
                b"\x40" + objects
                if turn % 2
                else seal(objects, key=WRONG_KEY, address=ADDRESS[SEALED], counter=10_000 + turn)
            )
            self._air.impersonate(SEALED, forged)
            self.breaks["impostor"] += 1


async def test_what_reaches_us_is_told_once_and_nothing_else_is(bus: PrivateBus) -> None:
    source = random.Random(20)
    async with FakeBluez(bus.address, ON_AIR) as air, Listening(*ENROLLED) as ear:
        air.repeat(CASTERS[0], 3)
        air.reorder(CASTERS[1])
        world = World(air, source)
        await asyncio.sleep(0.5)
        await world.run()
        await asyncio.sleep(0.3)
    told = {name: Counter[float]() for name in ADDRESS}
    for item in ear.heard:
        if isinstance(item, Reading):
            told[Channel.parse(item.channel).probe][item.value] += 1
    assert world.breaks == {"link": 6, "daemon": 1, "impostor": 20}
    for name, values in told.items():
        assert IMPOSTORS_PA not in values
        assert set(values) <= set(world.sent[name]), f"{name} was given a value nobody sent"
        assert max(values.values()) == 1, f"{name} was told a measurement twice"
        # What was lost was lost with a link, with the daemon, or before the scan began.
        assert len(values) >= 0.6 * len(world.sent[name]), name
    enrolled = {probe.name: probe for probe in ENROLLED}
    assert ear.notices(enrolled[SEALED], "refused")
    for name in GAUGES:
        links = ear.notices(enrolled[name], "connected")
        assert len(links) == len(ear.notices(enrolled[name], "lost")) + 1
