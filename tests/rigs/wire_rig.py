"""A wired bay for tests: a simulated unit, its gauges and relays, a service, one turned clock."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from daemon_rig import FedAdapter, TurnedClock, eventually, settled

from holdwatch_daemon.messages import StartEvacuation
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import Quality, Quantity, Reading
from holdwatch_simulators.instruments import MICRON_PA
from holdwatch_simulators.moisture import MoistureSpec
from holdwatch_simulators.plant import Plant, PlantSpec
from holdwatch_simulators.relays import Relay, SimulatedRelays
from holdwatch_simulators.weather import ShopWeather, WeatherSpec

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from mosquitto_fixture import Mosquitto

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.messages import Evacuation, Event, Reply

BAY = "bay-1"
VACUUM, LOW, CLAMP = "vacuum-1/pressure", "gauge-1/pressure", "clamp-1/temperature"
TOP_PA = 20_000.0 * MICRON_PA
WAITING = ("starting", "opening", "closing", "stopping", "shutting")
DRY = MoistureSpec(oil_pa=30.0, oil_s=900.0, adsorbed_g=0.0002, adsorbed_s=900.0)


def wired_table(data: Path, port: int) -> dict[str, Any]:
    """A shop of one wired bay."""
    return {
        "site": {"name": "county-library", "data": str(data), "barometer_kpa": 101.3},
        "mqtt": {"host": "127.0.0.1", "port": port},
        "probe": [
            {
                "name": "vacuum-1",
                "address": "02:00:00:00:00:01",
                "pressure_reference": "absolute",
                "unit": "micron",
                "range": [0, 20000],
                "resolution": 1,
                "stale_s": 30.0,
            },
            {
                "name": "gauge-1",
                "address": "02:00:00:00:00:02",
                "unit": "kPag",
                "range": [0, 3500],
                "resolution": 0.7,
                "stale_s": 30.0,
            },
            {"name": "clamp-1", "address": "02:00:00:00:00:03", "stale_s": 60.0},
        ],
        "bay": [
            {
                "name": BAY,
                "label": "Bay 1",
                "unit_under_test": {
                    "name": "BM-01",
                    "refrigerant": "R134a",
                    "charge_g": 900.0,
                    "volume_l": 2.5,
                    "max_pressure_kpa_g": 1200.0,
                },
                "roles": {"vacuum": VACUUM, "low_side": LOW, "pipe_temperature": CLAMP},
                "wire": {
                    "valve": {"command": "relay/valve/set", "state": "relay/valve"},
                    "pump": {"command": "relay/pump/set", "state": "relay/pump"},
                    "confirm_s": 20.0,
                },
            }
        ],
        "recipes": {
            "vacuum-hold": {
                "procedure": "standing-vacuum",
                "criterion": {"leak_g_per_year": 5000.0, "source": "shop rule"},
                "limits": {"max_duration_min": 40.0},
                "vacuum": {"target_micron": 500.0},
            }
        },
    }


class Garage:
    """A unit with its gauges and relays, and the service that evacuates it.

    Time stands still but for :meth:`run`, which steps unit, gauges and clock together; while a
    relay is awaited it waits for the broker instead.
    """

    def __init__(
        self,
        folder: Path,
        broker: Mosquitto,
        moisture: MoistureSpec = DRY,
        criterion_g: float = 5000.0,
    ) -> None:
        self.clock = TurnedClock()
        table = wired_table(folder, broker.port)
        table["recipes"]["vacuum-hold"]["criterion"]["leak_g_per_year"] = criterion_g
        self.config = parse_config(table)
        self.plant = Plant(
            PlantSpec(moisture=moisture),
            ShopWeather(WeatherSpec(), np.random.default_rng(1)),
        )
        self.valve = Relay("relay/valve/set", "relay/valve", self._move_valve)
        self.pump = Relay("relay/pump/set", "relay/pump", self._move_pump)
        self.relays = SimulatedRelays("127.0.0.1", broker.port, [self.valve, self.pump])
        self.silent: set[str] = set()
        self._noise = np.random.default_rng(2)
        self._stack = contextlib.AsyncExitStack()
        self.service: Service

    def _move_valve(self, on: bool) -> None:
        self.plant.vacuum_valve_open = on

    def _move_pump(self, on: bool) -> None:
        self.plant.pump_running = on

    async def __aenter__(self) -> Self:
        """Power the relays, start the service, let the gauges speak, await the safe state."""
        task = asyncio.create_task(self.relays.run())
        self._stack.push_async_callback(_ended, task)
        await asyncio.wait_for(self.relays.connected.wait(), 10)
        await self.begin_service()
        return self

    async def __aexit__(self, *_: object) -> None:
        """Stop everything."""
        await self._running.aclose()
        await self._stack.aclose()

    async def begin_service(self) -> None:
        """Start the service over the same store, as after a restart."""
        self.adapter = FedAdapter()
        self.service = Service(self.config, self.clock, [self.adapter])
        self._running = contextlib.AsyncExitStack()
        await self._running.enter_async_context(self.service)
        await eventually(lambda: self.evacuation.linked and self.evacuation.step == "idle")
        await self.run(2)

    async def lose_service(self, down_s: int) -> None:
        """End the service without a word to the relays, as a killed process would."""
        self.service._wires._wired.clear()
        await self._running.aclose()
        for _ in range(down_s):
            self.plant.step(1.0)
            self.clock.now_ns += 10**9

    @property
    def bay(self) -> Bay:
        return self.service.bays[BAY]

    @property
    def evacuation(self) -> Evacuation:
        found = self.service.bay_state(BAY).evacuation
        assert found is not None
        return found

    async def start(self, number: int = 1) -> Reply:
        command = StartEvacuation(
            command="start_evacuation", id=f"go-{number}", recipe="vacuum-hold", recovered=True
        )
        return await self.service.command(BAY, command, by="test")

    async def run(
        self, seconds: int, until: Callable[[], object] = lambda: False, every_s: int = 4
    ) -> None:
        """Let simulated seconds go by, with readings every few of them."""
        for second in range(seconds):
            self.plant.step(1.0)
            self.clock.now_ns += 10**9
            if second % every_s == 0:
                self.adapter.put(*self._readings())
                await settled(self.service, self.adapter)
                await self._relays_have_answered()
                if until():
                    return

    async def until_step(self, *steps: str, within_s: int = 4000) -> None:
        await self.run(within_s, lambda: self.evacuation.step in steps)
        assert self.evacuation.step in steps, self.evacuation

    async def until_over(self, within_s: int = 9000) -> Event:
        """Run to the end of the evacuation; return the event of it."""
        await self.run(within_s, lambda: self.evacuation.step == "idle")
        assert self.evacuation.step == "idle", self.evacuation
        return (await self.told("holdwatch.evacuation.ended"))[-1]

    async def told(self, kind: str) -> list[Event]:
        await self.service.events.tell()  # all before it is on the disk
        found = await self.service.store.events_after(0, 10_000)
        return [event for event in found if event.type == kind]

    async def _relays_have_answered(self) -> None:
        """Let the broker carry what is on its way: commands out, states back."""
        for _ in range(20):
            step = self.evacuation.step
            if not step.startswith(WAITING):
                return
            await asyncio.sleep(0.005)
            self.service._wires.tick()

    def _readings(self) -> list[Reading]:
        plant, t = self.plant, (self.clock.utc_ns(), self.clock.mono_ns())
        vacuum = plant.pressure_pa * (1.0 + 0.002 * self._noise.standard_normal())
        vacuum = min(round(vacuum / MICRON_PA) * MICRON_PA, TOP_PA)
        low = max(round((plant.gauge_pa + self._noise.normal(0.0, 100.0)) / 700.0) * 700.0, 0.0)
        clamp = plant.thermal.pipe_k + self._noise.normal(0.0, 0.02)
        values = (
            (VACUUM, Quantity.PRESSURE_ABSOLUTE, vacuum),
            (LOW, Quantity.PRESSURE_GAUGE, low),
            (CLAMP, Quantity.TEMPERATURE, round(clamp, 2)),
        )
        return [
            Reading(channel, quantity, *t, value, Quality.GOOD)
            for channel, quantity, value in values
            if channel not in self.silent
        ]


async def _ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
