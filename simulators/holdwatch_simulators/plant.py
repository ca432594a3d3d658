"""A refrigerating system as a vessel: gas, walls, moisture, leak, pump, nitrogen bottle, vent."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from holdwatch_simulators import fluid_data as fd
from holdwatch_simulators.moisture import FreeWater, MoistureSpec, Outgassing
from holdwatch_simulators.pump import PumpSpec
from holdwatch_simulators.thermal import Thermal, ThermalSpec

if TYPE_CHECKING:
    from holdwatch_simulators.leak_path import LeakPath
    from holdwatch_simulators.weather import Weather

_GAMMA: Final = fd.CP_DIATOMIC / fd.CV_DIATOMIC


@dataclass(frozen=True, slots=True)
class PlantSpec:
    """What a system is made of.

    Attributes:
        volume_m3: Internal volume at the start temperature.
        leak: The path through its wall, or None for a tight one.
        thermal: Heat capacities and couplings.
        pump: The vacuum pump that may be put on it.
        moisture: What it gives off in a vacuum.
        charge_mol_per_s: Highest flow that the nitrogen regulator passes.
        charge_mol_per_s_per_pa: How the flow tapers near the set pressure.
        vent_m3_per_s: Volume flow through the open vent, at the pressure inside.
    """

    volume_m3: float = 2.5e-3
    leak: LeakPath | None = None
    thermal: ThermalSpec = field(default_factory=ThermalSpec)
    pump: PumpSpec = field(default_factory=PumpSpec)
    moisture: MoistureSpec = field(default_factory=MoistureSpec)
    charge_mol_per_s: float = 0.01
    charge_mol_per_s_per_pa: float = 2e-7
    vent_m3_per_s: float = 0.2e-3


@dataclass(slots=True)
class Gas:
    """Amounts of each gas inside, mol."""

    air: float = 0.0
    water: float = 0.0
    refrigerant: float = 0.0
    nitrogen: float = 0.0

    @property
    def total(self) -> float:
        """All of it, mol."""
        return self.air + self.water + self.refrigerant + self.nitrogen

    def scale(self, factor: float) -> None:
        """Multiply every amount."""
        self.air *= factor
        self.water *= factor
        self.refrigerant *= factor
        self.nitrogen *= factor


@dataclass(slots=True)
class Ledger:
    """Where gas came from and went to since the start, mol; for checks of the balance."""

    leaked_in: float = 0.0
    leaked_out: float = 0.0
    pumped: float = 0.0
    charged: float = 0.0
    vented: float = 0.0
    water_released: float = 0.0
    refrigerant_released: float = 0.0


class Plant:
    """One system, stepped through time; the same seed gives the same run.

    It starts full of shop air at the shop's temperature. Valves are plain attributes.

    Attributes:
        vacuum_valve_open: Whether the pump's hose is open to the system.
        pump_running: Whether the pump runs; standing still, its check valve holds.
        charge_to_pa: Gauge pressure that the regulator is set to, or None with it shut.
        vent_open: Whether the vent is open to the air.
        gas: Amounts inside.
        thermal: Temperatures.
        ledger: Where the gas came from and went to.
        t_s: Time since the start.
    """

    def __init__(self, spec: PlantSpec, weather: Weather) -> None:
        """Fill the system with the air of the shop."""
        self.spec = spec
        self.weather = weather
        start_k = weather.ambient_k
        self.thermal = Thermal(spec.thermal, start_k)
        mol_per_pa = spec.volume_m3 / (fd.GAS_CONSTANT * start_k)
        self.water = FreeWater(spec.moisture, start_k)
        self.outgassing = Outgassing(spec.moisture, mol_per_pa)
        self.gas = Gas(air=weather.barometer_pa * mol_per_pa)
        self.ledger = Ledger()
        self.vacuum_valve_open = False
        self.pump_running = False
        self.charge_to_pa: float | None = None
        self.vent_open = False
        self.t_s = 0.0

    @property
    def volume_m3(self) -> float:
        """Internal volume now; the walls expand with heat."""
        return self.spec.volume_m3 * self.thermal.volume_factor

    @property
    def pressure_pa(self) -> float:
        """Absolute pressure inside."""
        return fd.nitrogen_pressure(self.gas.total / self.volume_m3, self.thermal.gas_k)

    @property
    def gauge_pa(self) -> float:
        """Pressure inside above the air of the shop."""
        return self.pressure_pa - self.weather.barometer_pa

    @property
    def leak_mol_per_s(self) -> float:
        """What leaks now: outwards positive, inwards negative."""
        leak = self.spec.leak
        if leak is None:
            return 0.0
        p, outside = self.pressure_pa, self.weather.barometer_pa
        if p > outside:
            return leak.nitrogen_out(p, outside, self.thermal.pipe_k)
        if leak.law == "molecular":
            p *= self.gas.air / max(self.gas.total, 1e-30)
        return -leak.air_in(p, outside, self.weather.ambient_k)

    def step(self, dt_s: float) -> None:
        """Move on in time, in parts short enough for what goes on."""
        busy = self.charge_to_pa is not None or self.vent_open or self.vacuum_valve_open
        count = max(1, math.ceil(dt_s / (0.25 if busy else 1.0) - 1e-9))
        self.weather.step(dt_s)
        for _ in range(count):
            self._part(dt_s / count)
        self.t_s += dt_s

    def lose(self, share: float) -> None:
        """Let a share of the gas out at once, as when a hose is knocked.

        Raises:
            ValueError: The share is not within 0 and 1.
        """
        if not 0.0 <= share < 1.0:
            raise ValueError(f"a share of gas lies between 0 and 1, not at {share}")
        self.ledger.vented += self.gas.total * share
        self._remove(self.gas.total * share)

    def _part(self, dt: float) -> None:
        self._leak(dt)
        if self.vacuum_valve_open and self.pump_running:
            self._pump(dt)
        if self.charge_to_pa is not None:
            self._charge(dt, self.charge_to_pa)
        if self.vent_open:
            self._vent(dt)
        self._give_off(dt)
        self.thermal.step(dt, self.gas.total, self.weather.ambient_k)

    def _remove(self, mol: float) -> None:
        """Take gas out in proportion; what stays cools by its expansion."""
        before = self.gas.total
        if before <= 0.0:
            return
        factor = max(0.0, 1.0 - mol / before)
        self.gas.scale(factor)
        if factor > 0.0:
            self.thermal.gas_k *= factor ** (_GAMMA - 1.0)

    def _enter(self, mol: float, from_k: float) -> None:
        """Heat the gas by what streams in at ``from_k`` (its flow work included)."""
        before = self.gas.total - mol
        gas_k = before * self.thermal.gas_k + mol * _GAMMA * from_k
        self.thermal.gas_k = gas_k / self.gas.total

    def _leak(self, dt: float) -> None:
        mol = self.leak_mol_per_s * dt
        if mol > 0.0:
            self.ledger.leaked_out += mol
            self._remove(mol)
        elif mol < 0.0:
            self.gas.air -= mol
            self.ledger.leaked_in -= mol
            self._enter(-mol, self.weather.ambient_k)

    def _pump(self, dt: float) -> None:
        p = self.pressure_pa
        if p <= self.spec.pump.ultimate_pa:
            return
        share = 1.0 - math.exp(-self.spec.pump.effective_speed(p) * dt / self.volume_m3)
        mol = self.gas.total * share * (1.0 - self.spec.pump.ultimate_pa / p)
        self.ledger.pumped += mol
        self._remove(mol)

    def _charge(self, dt: float, to_pa: float) -> None:
        missing_pa = to_pa - self.gauge_pa
        if missing_pa <= 0.0:
            return
        rate = min(self.spec.charge_mol_per_s, self.spec.charge_mol_per_s_per_pa * missing_pa)
        self.gas.nitrogen += rate * dt
        self.ledger.charged += rate * dt
        self._enter(rate * dt, self.weather.ambient_k)

    def _vent(self, dt: float) -> None:
        p, outside = self.pressure_pa, self.weather.barometer_pa
        share = 1.0 - math.exp(-self.spec.vent_m3_per_s * dt / self.volume_m3)
        mol = self.gas.total * share * (1.0 - outside / p) if p > 0.0 else 0.0
        if mol > 0.0:
            self.ledger.vented += mol
            self._remove(mol)
        elif p < outside:
            mol = (outside - p) * self.volume_m3 / (fd.GAS_CONSTANT * self.thermal.gas_k) * share
            self.gas.air += mol
            self.ledger.vented -= mol
            self._enter(mol, self.weather.ambient_k)

    def _give_off(self, dt: float) -> None:
        wall_k = self.thermal.coldest_wall_k
        mol_per_pa = self.volume_m3 / (fd.GAS_CONSTANT * self.thermal.gas_k)
        p = self.pressure_pa
        water, refrigerant = self.outgassing.release(dt, p, self.gas.water / mol_per_pa, wall_k)
        self.gas.water += water
        if self.water.mol > 0.0 or self.gas.water > 0.0:
            boiled = self.water.exchange(dt, self.gas.water, mol_per_pa, wall_k)
            self.gas.water += boiled
            water += boiled
        self.gas.refrigerant += refrigerant
        self.ledger.water_released += water
        self.ledger.refrigerant_released += refrigerant
