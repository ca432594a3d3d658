"""A shop whose time, probes and leaks outlive every process that watches it."""

from __future__ import annotations

import asyncio
import math
import mmap
import struct
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING, Any, Final

from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

    from holdwatch_physics.reading import ProbeNotice

SITE: Final = "county-library"
PREFIX: Final = f"holdwatch/{SITE}"
STEP_NS: Final = 1_000_000_000
START_UTC_NS: Final = 1_790_000_000 * 10**9
Filling = tuple[int, int, float]
"""What a bay holds: since when (ns of the world), the hold's number, the leak in Pa/s."""
_ROOM_PA: Final = 98_350.0

CRITERIA: Final[dict[str, dict[str, Any]]] = {
    "nitrogen": {
        "procedure": "pressure-decay",
        "criterion": {"leak_g_per_year": 20_000.0, "source": "shop rule"},
        "limits": {"max_duration_min": 60},
    },
    "vacuum": {
        "procedure": "standing-vacuum",
        "criterion": {"leak_g_per_year": 60.0, "source": "shop rule"},
        "limits": {"max_duration_min": 60},
    },
}
LEAKS_PA_PER_S: Final = {"nitrogen": (0.0, 60.0), "vacuum": (0.0, 0.15)}
"""Tight and leaking, both far from the criterion: an outcome is never a matter of the noise."""


@dataclass(frozen=True, slots=True)
class Place:
    """A bay of the shop: its name and the recipe that is held in it."""

    name: str
    recipe: str

    @property
    def gauge(self) -> str:
        return f"{self.name}-gauge/pressure"

    @property
    def clamp(self) -> str:
        return f"{self.name}-clamp/temperature"


ROOM: Final = "BM-room/pressure"


def places(count: int) -> tuple[Place, ...]:
    """Bays that hold nitrogen, every third a vacuum."""
    return tuple(
        Place(f"BM-{n + 1:02}", "vacuum" if n % 3 == 2 else "nitrogen") for n in range(count)
    )


def shop_table(data: Path, bays: tuple[Place, ...], port: int | None) -> dict[str, Any]:
    """The shop's configuration as a table."""
    probes: list[dict[str, Any]] = [{"name": "BM-room", "pressure_reference": "absolute"}]
    rooms = []
    for place in bays:
        gauge: dict[str, Any] = {"name": f"{place.name}-gauge", "stale_s": 30.0}
        role = "low_side"
        if place.recipe == "vacuum":
            role = "vacuum"
            gauge |= {"pressure_reference": "absolute", "unit": "Pa", "range": [0, 2500]}
            gauge |= {"resolution": 0.1, "noise": 0.2}
        else:
            gauge |= {"unit": "kPag", "range": [0, 3500], "resolution": 0.1, "noise": 0.2}
        probes += [gauge, {"name": f"{place.name}-clamp"}]
        unit = {"name": place.name, "refrigerant": "R134a", "charge_g": 600}
        unit |= {"volume_l": 2.5, "max_pressure_kpa_g": 1800}
        roles = {role: place.gauge, "pipe_temperature": place.clamp, "barometer": ROOM}
        rooms.append({"name": place.name, "roles": roles, "unit_under_test": unit})
    for number, probe in enumerate(probes):
        probe |= {
            "address": f"02:00:00:00:{number // 256:02X}:{number % 256:02X}",
            "profile": "bthome",
        }
    table: dict[str, Any] = {
        "site": {"name": SITE, "data": str(data), "altitude_m": 250.0},
        "probe": probes,
        "bay": rooms,
        "recipes": CRITERIA,
    }
    if port is not None:
        table["mqtt"] = {"host": "127.0.0.1", "port": port}
    return table


class World:
    """What goes on while no process lives: the time, the boot, and what each bay holds.

    Kept in a mapped file, so that a killed process leaves it as it was.

    Args:
        file: The file; made where it is not there.
        bays: How many bays it has room for.
    """

    _HEAD = struct.Struct("<qqqq")
    _BAY = struct.Struct("<qqd")

    def __init__(self, file: Path, bays: int) -> None:
        size = self._HEAD.size + bays * self._BAY.size
        if not file.exists():
            file.write_bytes(bytes(size))
        with file.open("r+b") as opened:
            self._map = mmap.mmap(opened.fileno(), size)

    def _get(self, place: int) -> int:
        return int(struct.unpack_from("<q", self._map, place * 8)[0])

    def _put(self, place: int, value: int) -> None:
        struct.pack_into("<q", self._map, place * 8, value)

    @property
    def now_ns(self) -> int:
        """Time since the world began; it never runs back."""
        return self._get(0)

    @now_ns.setter
    def now_ns(self, value: int) -> None:
        self._put(0, value)

    @property
    def boot_zero_ns(self) -> int:
        """When the machine was started last."""
        return self._get(1)

    @property
    def boot(self) -> int:
        """How often the machine has been started."""
        return self._get(2)

    @property
    def deciding(self) -> int:
        """How many verdicts were handed to a recorder so far."""
        return self._get(3)

    @deciding.setter
    def deciding(self, value: int) -> None:
        self._put(3, value)

    def reboot(self) -> None:
        """Start the machine anew: its monotonic clock begins at nought."""
        self._put(1, self.now_ns)
        self._put(2, self.boot + 1)

    def begin(self, bay: int, number: int, leak_pa_per_s: float) -> None:
        """Fill or evacuate a bay for its hold of a number."""
        place = self._HEAD.size + bay * self._BAY.size
        self._BAY.pack_into(self._map, place, self.now_ns, number, leak_pa_per_s)

    def bay(self, bay: int) -> Filling:
        """What a bay holds."""
        place = self._HEAD.size + bay * self._BAY.size
        since_ns, number, leak = self._BAY.unpack_from(self._map, place)
        return int(since_ns), int(number), float(leak)


class WorldClock:
    """The world's time as a process of one boot sees it.

    Attributes:
        set_by_ns: By how much the wall clock is wrong.
    """

    simulated = True

    def __init__(self, world: World, speed: float) -> None:
        self.speed = speed
        self.set_by_ns = 0
        self.boot_id = f"boot-{world.boot}"
        self._world = world
        self._zero_ns = world.boot_zero_ns

    def utc_ns(self) -> int:
        return START_UTC_NS + self._world.now_ns + self.set_by_ns

    def mono_ns(self) -> int:
        return self._world.now_ns - self._zero_ns

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self.speed)


def values(
    seed: int, place: Place, filling: Filling, at_ns: int
) -> Iterator[tuple[str, Quantity, float]]:
    """What a bay's two probes read at a time of the world; the same whenever it is asked."""
    since_ns, number, leak = filling
    second = at_ns // STEP_NS
    chance = Random(hash((seed, int(place.name[-2:]), number, second)))  # noqa: S311 - noise
    elapsed_s = max(at_ns - since_ns, 0) / 1e9
    kelvin = 295.0 + 0.05 * math.sin(second / 700.0)
    if place.recipe == "vacuum":
        pressure = 40.0 + leak * elapsed_s + chance.gauss(0.0, 0.2)
        yield place.gauge, Quantity.PRESSURE_ABSOLUTE, round(pressure, 1)
    else:
        pressure = 1.5e6 - leak * elapsed_s + 1.6e6 / 295.0 * (kelvin - 295.0)
        yield place.gauge, Quantity.PRESSURE_GAUGE, round(pressure + chance.gauss(0.0, 150.0), -2)
    yield place.clamp, Quantity.TEMPERATURE, round(kelvin + chance.gauss(0.0, 0.01), 2)


def room_pa(seed: int, at_ns: int) -> float:
    """What the room's barometer reads, Pa."""
    return _ROOM_PA + round(Random(hash((seed, at_ns // STEP_NS))).gauss(0.0, 5.0))  # noqa: S311 - noise


class Probes:
    """Every probe of the shop as one way in; moves the world's time, a second a step.

    Args:
        world: The world.
        clock: As this process sees it.
        bays: Its bays.
        seed: Of the noise.
        pace: Steps a second; the clock's speed where it is not given.
    """

    name = "probes"

    def __init__(
        self,
        world: World,
        clock: WorldClock,
        bays: tuple[Place, ...],
        seed: int,
        *,
        pace: float | None = None,
    ) -> None:
        self._pace = pace or clock.speed
        self._world = world
        self._clock = clock
        self._bays = bays
        self._seed = seed

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            now_ns = (self._world.now_ns // STEP_NS + 1) * STEP_NS
            self._world.now_ns = now_ns
            for reading in self._step(now_ns):
                yield reading
            # Where the machine is too slow for the pace, time slows down with it.
            due = max(due + STEP_NS / 1e9 / self._pace, loop.time())
            await asyncio.sleep(due - loop.time())

    def _step(self, now_ns: int) -> Iterator[Reading]:
        utc_ns, mono_ns, good = self._clock.utc_ns(), self._clock.mono_ns(), Quality.GOOD
        for number, place in enumerate(self._bays):
            for channel, quantity, value in values(
                self._seed, place, self._world.bay(number), now_ns
            ):
                yield Reading(channel, quantity, utc_ns, mono_ns, value, good)
        room = room_pa(self._seed, now_ns)
        yield Reading(ROOM, Quantity.PRESSURE_ABSOLUTE, utc_ns, mono_ns, room, good)
