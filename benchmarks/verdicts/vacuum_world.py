"""A bay under vacuum as the world makes it: gas, water, walls and gauge, step by step.

Shares nothing with the judge: rates are integrated in time (no fitted family), the vapour
pressure is Buck's formula, and desorption comes from a diffusing sheet, an adsorbing wall, a
puddle that cools as it evaporates, ice, or refrigerant leaving oil.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from holdwatch_procedures.holds.estimates import BLOCK_S, Block


def buck_pa(celsius: float) -> float:
    """Vapour pressure over water, or ice below zero, Pa (Buck 1996, from memory)."""
    if celsius >= 0.0:
        return float(611.21 * np.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius)))
    return float(611.15 * np.exp((23.036 - celsius / 333.7) * celsius / (279.82 + celsius)))


@dataclass(frozen=True)
class Release:
    """A store of gas in the walls: ``wall`` (first order), ``sheet`` or ``root`` (diffusion)."""

    kind: str
    amount_pa: float
    tau_s: float


@dataclass(frozen=True)
class World:
    """Everything that is true of one simulated standing vacuum; Pa, s, °C."""

    leak_pa_per_s: float = 0.0
    start_pa: float = 40.0
    releases: tuple[Release, ...] = ()
    puddle: bool = False  # liquid water or ice
    puddle_tau_s: float = 300.0
    puddle_cooling_k: float = 0.0  # how far evaporation cools it at first
    hose_excess_pa: float = 0.0  # gauge's hose above the system at isolation
    hose_tau_s: float = 120.0
    wall_c: float = 20.0
    drift_k_per_h: float = 0.0
    swing_k: float = 0.0
    swing_s: float = 1500.0
    noise_share: float = 0.005
    noise_floor_pa: float = 0.3
    resolution_pa: float = 0.133
    wander_pa: float = 0.0
    gauge_lag_s: float = 1.0
    top_pa: float = 2666.4
    readings_per_block: int = 10
    thermometer: bool = True


@dataclass
class Sheet:
    """Slab that gives off gas from one face, explicit finite differences."""

    amount_pa: float
    tau_s: float
    cells: int = 24
    fill: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.fill = np.full(self.cells, self.amount_pa / self.cells)

    def step(self, dt: float) -> float:
        """Advance by dt and return what left, Pa."""
        # First mode of a slab of thickness l: tau = 4 l² / (π² D); cell width l/cells.
        rate = 4.0 * self.cells**2 / (np.pi**2 * self.tau_s) * dt
        flow = rate * (self.fill[:-1] - self.fill[1:])
        out = 2.0 * rate * self.fill[0]
        self.fill[:-1] -= flow
        self.fill[1:] += flow
        self.fill[0] -= out
        return float(out)


def true_pressure(world: World, seconds: int, wall_c: np.ndarray) -> np.ndarray:
    """Integrate the pressure of the system, 1 s steps, Pa."""
    gas = world.start_pa
    water = 0.0
    cool = world.puddle_cooling_k
    stores = [[r.amount_pa, r.tau_s] for r in world.releases if r.kind == "wall"]
    sheets = [Sheet(r.amount_pa, r.tau_s) for r in world.releases if r.kind == "sheet"]
    roots = [r for r in world.releases if r.kind == "root"]
    result = np.empty(seconds + 1)
    for second in range(seconds + 1):
        result[second] = gas + water
        gas += world.leak_pa_per_s
        for store in stores:
            out = store[0] / store[1]
            store[0] -= out
            gas += out
        for sheet in sheets:
            steps = max(1, int(np.ceil(16 * sheet.cells**2 / (np.pi**2 * sheet.tau_s))))
            gas += sum(sheet.step(1.0 / steps) for _ in range(steps))
        for root in roots:
            gas += root.amount_pa * (
                np.sqrt((second + 1) / root.tau_s) - np.sqrt(second / root.tau_s)
            )
        if world.puddle:
            saturated = buck_pa(wall_c[second] - cool)
            water += (saturated - water) / world.puddle_tau_s
            cool -= cool / 900.0
    return result


def simulate(world: World, minutes: float, rng: np.random.Generator) -> list[Block]:
    """Return the blocks that a hold would gather, and nothing of the truth."""
    seconds = int(minutes * 60)
    time = np.arange(seconds + 1.0)
    wall_c = (
        world.wall_c
        + world.drift_k_per_h * time / 3600.0
        + world.swing_k * np.sin(2 * np.pi * time / world.swing_s + rng.uniform(0, 6.28))
    )
    pressure = true_pressure(world, seconds, wall_c)
    pressure = pressure + world.hose_excess_pa * np.exp(-time / world.hose_tau_s)
    if world.gauge_lag_s > 1.0:
        for k in range(1, seconds + 1):
            pressure[k] = pressure[k - 1] + (pressure[k] - pressure[k - 1]) / world.gauge_lag_s
    wander = world.wander_pa / 60.0 * np.cumsum(rng.normal(0, 1, seconds + 1))
    n = world.readings_per_block
    blocks = []
    clamp = wall_c[0]
    zero = rng.uniform(-0.1, 0.1)
    for index in range(seconds // int(BLOCK_S)):
        when = index * BLOCK_S + (np.arange(n) + 0.5) * BLOCK_S / n
        true = np.interp(when, time, pressure + wander)
        shown = true + rng.normal(0, 1, n) * np.hypot(
            world.noise_floor_pa, world.noise_share * true
        )
        shown = np.minimum(np.maximum(shown, 0.0), world.top_pa)
        if world.resolution_pa > 0:
            shown = np.round(shown / world.resolution_pa) * world.resolution_pa
        clamp += (wall_c[int(when[-1])] - clamp) * (1 - np.exp(-BLOCK_S / 200.0))
        kelvin = None
        if world.thermometer:
            kelvin = round((clamp + zero + rng.normal(0, 0.05)) * 10) / 10 + 273.15
        middle = float(np.median(shown))
        blocks.append(
            Block(
                index=index,
                t_s=(index + 0.5) * BLOCK_S,
                pressure_pa=float(shown.mean()),
                pressure_sd_pa=float(1.4826 * np.median(np.abs(shown - middle))),
                pressure_n=n,
                pipe_k=kelvin,
                coldest_k=kelvin,
                ambient_k=None,
                barometer_pa=101325.0,
            )
        )
    return blocks
