"""What tests of the process stand on: a clock they turn, an adapter they feed, a shop's table."""

from __future__ import annotations

import asyncio
import math
import random
from contextlib import aclosing
from typing import TYPE_CHECKING, Any, cast

from holdwatch_daemon.messages import Reply, SayIsolated, StartHold, StopHold
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import ProbeNotice, Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from pathlib import Path

    from holdwatch_daemon.messages import Event
    from holdwatch_daemon.service import Service
    from holdwatch_daemon.settings.shop import ShopConfig

START_UTC_NS = 1_790_000_000 * 10**9
GAUGE = "BM-bay1-gauge/pressure"
CLAMP = "BM-bay1-clamp/temperature"
ROOM = "BM-room/pressure"
BAY = "BM-bay1"


class TurnedClock:
    """A clock that stands still until the test turns it."""

    simulated = False
    speed = 1.0

    def __init__(self, boot_id: str = "boot-1", mono_ns: int = 5_000 * 10**9) -> None:
        self.boot_id = boot_id
        self.now_ns = mono_ns
        self.utc_zero_ns = START_UTC_NS - mono_ns

    def utc_ns(self) -> int:
        return self.utc_zero_ns + self.now_ns

    def mono_ns(self) -> int:
        return self.now_ns

    async def sleep(self, seconds: float) -> None:  # noqa: ARG002 - it is turned by hand
        await asyncio.sleep(0)


class FedAdapter:
    """An adapter that yields what the test puts in; an exception put in is raised."""

    def __init__(self, name: str = "fed") -> None:
        self.name = name
        self.queue: asyncio.Queue[Reading | ProbeNotice | Exception | None] = asyncio.Queue()

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        while True:
            item = await self.queue.get()
            if item is None:
                return
            if isinstance(item, Exception):
                raise item
            yield item

    def put(self, *items: Reading | ProbeNotice | Exception | None) -> None:
        for item in items:
            self.queue.put_nowait(item)


def seeded(seed: int) -> random.Random:
    """Chance that repeats itself."""
    return random.Random(seed)


def reading(
    clock: TurnedClock,
    channel: str,
    value: float,
    *,
    ahead_ns: int = 0,
    quality: Quality = Quality.GOOD,
) -> Reading:
    quantity = {
        GAUGE: Quantity.PRESSURE_GAUGE,
        ROOM: Quantity.PRESSURE_ABSOLUTE,
    }.get(channel, Quantity.TEMPERATURE)
    utc_ns, mono_ns = clock.utc_ns() + ahead_ns, clock.mono_ns() + ahead_ns
    return Reading(channel, quantity, utc_ns, mono_ns, value, quality)


def shop_table(data: Path, **changes: Any) -> dict[str, Any]:
    """A county library's garage with one bay."""
    table: dict[str, Any] = {
        "site": {"name": "county-library", "data": str(data), "altitude_m": 250.0},
        "probe": [
            {
                "name": "BM-bay1-gauge",
                "address": "02:00:00:00:00:01",
                "profile": "ess",
                "unit": "kPag",
                "range": [0, 3500],
                "resolution": 0.1,
                "noise": 0.2,
                "stale_s": 30.0,
            },
            {"name": "BM-bay1-clamp", "address": "02:00:00:00:00:02", "profile": "bthome"},
            {
                "name": "BM-room",
                "address": "02:00:00:00:00:03",
                "profile": "bthome",
                "pressure_reference": "absolute",
            },
        ],
        "bay": [
            {
                "name": "BM-bay1",
                "label": "Bay 1",
                "unit_under_test": {
                    "name": "BM-03",
                    "refrigerant": "R134a",
                    "charge_g": 600,
                    "volume_l": 2.5,
                    "max_pressure_kpa_g": 1800,
                },
                "roles": {"low_side": GAUGE, "pipe_temperature": CLAMP, "barometer": ROOM},
            }
        ],
        "recipes": {
            "nitrogen": {
                "procedure": "pressure-decay",
                "criterion": {"leak_g_per_year": 20_000.0, "source": "shop rule"},
                "limits": {"max_duration_min": 60},
            }
        },
    }
    return table | changes


def shop(data: Path, **changes: Any) -> ShopConfig:
    return parse_config(shop_table(data, **changes))


def tight_hold(
    clock: TurnedClock, seconds: int, *, leak_pa_per_s: float = 0.0, seed: int = 1
) -> Iterator[list[Reading]]:
    """Second by second, what a bay's probes read of nitrogen at 15 bar; turns the clock."""
    chance = seeded(seed)
    zero_ns = clock.now_ns
    for second in range(seconds):
        clock.now_ns = zero_ns + second * 10**9 + 5_000_000
        temperature = 295.0 + 0.05 * math.sin(second / 700.0)
        pressure = 1.5e6 - leak_pa_per_s * second + 1.6e6 / 295.0 * (temperature - 295.0)
        yield [
            reading(clock, GAUGE, round(pressure + chance.gauss(0.0, 150.0), 1)),
            reading(clock, CLAMP, round(temperature + chance.gauss(0.0, 0.01), 3)),
            reading(clock, ROOM, 98_350.0 + round(chance.gauss(0.0, 5.0))),
        ]


async def run_hold(
    service: Service,
    clock: TurnedClock,
    adapter: FedAdapter,
    seconds: int,
    *,
    leak_pa_per_s: float = 0.0,
    seed: int = 1,
    until: Callable[[], bool] = lambda: False,
) -> None:
    """Feed a hold through the adapter, waiting so that the bay keeps up."""
    for second in tight_hold(clock, seconds, leak_pa_per_s=leak_pa_per_s, seed=seed):
        adapter.put(*second)
        await settled(service, adapter)
        if until():
            return


_QUICK_ROUNDS = 50


async def settled(service: Service, adapter: FedAdapter) -> None:
    """Wait until everything put into the adapter has been taken in."""
    rounds = 0
    while not (adapter.queue.empty() and not len(service._inbox)):
        # Where it lasts, another thread has work to do: this one must not keep the interpreter.
        await asyncio.sleep(0.0 if rounds < _QUICK_ROUNDS else 0.001)
        rounds += 1
    for _ in range(4):
        await asyncio.sleep(0)


async def first_event(
    service: Service, kind: str, *, after: int = 0, within_s: float | None = None
) -> Event:
    """Wait for the first event of a type; without a limit the suite's own is the only clock."""
    async with asyncio.timeout(within_s), aclosing(service.events.subscribe(after)) as events:
        async for event in events:
            if event.type == kind:
                return event
    raise AssertionError(f"no {kind} came")


async def eventually(
    true: Callable[[], object], within_s: float | None = None, every_s: float = 0.01
) -> None:
    """Wait until something is true; without a limit the suite's own is the only clock."""
    async with asyncio.timeout(within_s):
        while True:
            if true():
                return
            await asyncio.sleep(every_s)


async def connected(service: Service) -> None:
    """Wait until the service has its broker."""
    await eventually(lambda: broker_of(service)["state"] == "connected")


def broker_of(service: Service) -> dict[str, Any]:
    """What the service says of its broker."""
    return cast("dict[str, Any]", service.health()["broker"])


async def start(service: Service, recipe: str | dict[str, Any] = "nitrogen") -> str:
    command = StartHold(command="start_hold", id=f"start-{recipe}"[:90], recipe=recipe)
    reply = await service.command(BAY, command, by="test")
    assert reply.ok, reply.text
    assert reply.hold_id is not None
    return reply.hold_id


async def isolated(service: Service) -> Reply:
    return await service.command(BAY, SayIsolated(command="say_isolated", id="iso"), by="test")


async def stop(service: Service) -> Reply:
    return await service.command(BAY, StopHold(command="stop_hold", id="stop"), by="test")


async def events(service: Service) -> list[Event]:
    return await service.store.events_after(0, 10_000)


VACUUM = "BM-bay1-vacuum/pressure"
VACUUM_RECIPES = {
    "vacuum": {
        "procedure": "standing-vacuum",
        "criterion": {"leak_g_per_year": 5000.0, "source": "shop rule"},
    },
    "nitrogen": {
        "procedure": "pressure-decay",
        "criterion": {"leak_g_per_year": 5000.0, "source": "shop rule"},
    },
}


def vacuum_table(data: Path, roles: dict[str, str]) -> dict[str, Any]:
    """The garage with an absolute gauge besides, and the roles that the bay is given."""
    known = shop_table(data)
    gauge = {
        "name": "BM-bay1-vacuum",
        "address": "02:00:00:00:00:04",
        "profile": "ess",
        "pressure_reference": "absolute",
    }
    bay = known["bay"][0] | {"roles": roles}
    return {"probe": [*known["probe"], gauge], "bay": [bay], "recipes": VACUUM_RECIPES}
