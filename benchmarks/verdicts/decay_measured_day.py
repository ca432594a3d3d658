"""How small a leak a night can decide: measured weather through the exact equation of state.

One measured day drives a plant of four thermal parts: its barometer as it was, its temperature
scaled to an indoor drift. Pressure comes from nitrogen's equation of state, 2.5 L of copper, a
viscous leak. A 14 h hold is judged for windows of the day that start on the hour.

Run: python -m benchmarks run decay_measured_day
"""

from __future__ import annotations

import argparse
import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from decay_world import (
    ROOM_K,
    Array,
    Trace,
    Truth,
    World,
    coloured,
    four_parts,
    lagged,
    mean_blocks,
    robust_blocks,
)

from holdwatch_physics.fluids import Fluids, wall_exponent
from holdwatch_physics.leak import restate_pressure_test
from holdwatch_procedures.holds.decay.engine import DecayEngine
from holdwatch_procedures.holds.decay.setup import DecaySetup

HERE = Path(__file__).parent
VOLUME_M3 = 2.5e-3
COPPER_PER_K = 16.6e-6
LIMIT_G_PER_YEAR = 40.0
HOURS = 14


@dataclass(frozen=True, slots=True)
class Night:
    """One hold to simulate."""

    gauge_pa: float
    leak_g_per_year: float
    start_h: int
    drift_k_per_h: float
    tempco_pa_per_k: float
    seed: int


@dataclass(frozen=True, slots=True)
class Result:
    """What the engine said of it."""

    outcome: str
    decided_h: float
    visible_g_per_year: float
    value_g_per_year: float
    high_g_per_year: float
    covered: bool


def measured_day() -> tuple[Array, Array]:
    """Return station pressure (Pa) and air temperature (K) of each minute of the day."""
    with (HERE / "data" / "measured_day.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return (
        np.array([100.0 * float(row["station_pressure_hpa"]) for row in rows]),
        np.array([273.15 + float(row["air_temperature_c"]) for row in rows]),
    )


def window(night: Night) -> tuple[Array, Array]:
    """Return room pressure (Pa) and temperature rise (K) of each second of the hold."""
    pressure, air = measured_day()
    minutes = HOURS * 60
    first = night.start_h * 60
    cut = slice(first, first + minutes)
    span_k = float(np.ptp(air[cut]))
    rise = (air[cut] - air[first]) * night.drift_k_per_h * HOURS / span_k
    seconds = np.arange(minutes * 60) / 60.0
    grid = np.arange(minutes, dtype=float)
    return np.interp(seconds, grid, pressure[cut]), np.interp(seconds, grid, rise)


def exact_pressure(
    fluids: Fluids, start_pa: float, mol_per_s: float, warmth: Array, outside: Array
) -> Array:
    """Absolute pressure of each second, from nitrogen's equation of state each ten."""
    t0 = ROOM_K + warmth[600]
    amount = fluids.molar_density("nitrogen", start_pa, t0) * VOLUME_M3
    head = start_pa**2 - outside[0] ** 2
    points = np.arange(5, len(warmth), 10)
    levels = np.empty(len(points))
    pressure = start_pa
    for place, second in enumerate(points):
        amount -= 10.0 * mol_per_s * (pressure**2 - outside[second] ** 2) / head
        t_k = ROOM_K + warmth[second]
        volume = VOLUME_M3 * (1.0 + 3.0 * COPPER_PER_K * (t_k - t0))
        pressure = fluids.pressure_at_density("nitrogen", amount / volume, t_k)
        levels[place] = pressure
    out: Array = np.interp(np.arange(len(warmth)), points, levels)
    return out


def judge_night(fluids: Fluids, night: Night) -> Result:
    """Simulate one night and judge it against 40 g a year."""
    rng = np.random.default_rng([night.seed, night.start_h])
    outside, shop = window(night)
    n = len(shop)
    pipe, warmth = four_parts(rng, shop)
    warmth = warmth + coloured(rng, n, 0.05, 1200.0)
    start = night.gauge_pa + outside[0]
    restatement = restate_pressure_test(
        fluids, "nitrogen", start, outside[0], ROOM_K, "R134a", 298.15
    )
    mol_per_pa = VOLUME_M3 * fluids.density_slope("nitrogen", start, ROOM_K)
    mol_per_s = restatement.mol_per_s(night.leak_g_per_year)
    pressure = exact_pressure(fluids, start, mol_per_s, warmth, outside)
    tempco = rng.normal(0.0, night.tempco_pa_per_k)
    gauge = pressure - outside + tempco * lagged(shop, 600.0) + rng.normal(0.0, 400.0, n)
    gauge = np.round(gauge / 690.0) * 690.0
    clamp = np.round((pipe + rng.normal(0.0, 0.06, n)) / 0.1) * 0.1 + ROOM_K
    seen = np.round((outside + rng.normal(0.0, 5.0, n)) / 10.0) * 10.0
    trace = Trace(
        truth=Truth(start, 0.0, 0.05, 1200.0, 0, 0, 0, 1, 0.06, 400, 0, 690, tempco, World()),
        pressure_pa=robust_blocks(gauge + seen),
        pipe_k=mean_blocks(clamp),
        room_k=mean_blocks(shop + ROOM_K),
        barometer_pa=mean_blocks(seen),
        true_pipe_k=mean_blocks(pipe),
    )

    def grams(slope: float) -> float:
        return restatement.g_per_year(slope * mol_per_pa)

    wall, wall_u = wall_exponent("copper", ROOM_K)
    setup = DecaySetup(
        limit_pa_per_s=LIMIT_G_PER_YEAR / grams(1.0),
        resolution_pa=690.0,
        noise_pa=400.0,
        tempco_pa_per_k=night.tempco_pa_per_k,
        kappa=fluids.temperature_exponent("nitrogen", start, ROOM_K) + wall,
        kappa_u=wall_u,
    )
    engine = DecayEngine(setup)
    outcome, decided = "inconclusive", math.nan
    estimate = None
    for block in trace.blocks():
        estimate = engine.push(block)
        if estimate is None or not estimate.ready or outcome != "inconclusive":
            continue
        if estimate.high < setup.limit_pa_per_s:
            outcome, decided = "pass", estimate.t_s / 3600.0
        elif estimate.low > setup.limit_pa_per_s:
            outcome, decided = "fail", estimate.t_s / 3600.0
    if estimate is None:
        raise RuntimeError("no estimate after a night")
    truth = night.leak_g_per_year
    return Result(
        outcome=outcome,
        decided_h=decided,
        visible_g_per_year=grams(estimate.smallest_visible),
        value_g_per_year=grams(estimate.slope),
        high_g_per_year=grams(estimate.high),
        covered=grams(estimate.low95) <= truth <= grams(estimate.high95),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    args = parser.parse_args()
    fluids = Fluids.load()
    print("bar g | drift K/h | tempco Pa/K | leak g/yr: outcomes, visible g/yr (range), |error|")
    for bar in (15, 10):
        for drift, tempco in (
            (0.25, 0.0),
            (0.25, 125.0),
            (0.25, 700.0),
            (0.05, 0.0),
            (0.05, 125.0),
        ):
            for leak in (0.0, 40.0, 80.0):
                results = [
                    judge_night(fluids, Night(bar * 1e5, leak, start, drift, tempco, seed))
                    for start in (0, 3, 6, 9)
                    for seed in range(args.seeds)
                ]
                counts = {
                    word: sum(r.outcome == word for r in results)
                    for word in ("pass", "fail", "inconclusive")
                }
                sight = sorted(r.visible_g_per_year for r in results)
                error = np.median([abs(r.value_g_per_year - leak) for r in results])
                covered = sum(r.covered for r in results)
                print(
                    f"{bar} | {drift} | {tempco:.0f} | {leak:.0f}: {counts}, "
                    f"{np.median(sight):.0f} ({sight[0]:.0f} to {sight[-1]:.0f}), {error:.1f}, "
                    f"covered {covered}/{len(results)}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
