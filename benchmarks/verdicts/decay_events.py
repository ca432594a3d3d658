"""How often the watches of a pressure-decay hold cry wolf, and what they find.

Run: python -m benchmarks run decay_events --holds 20
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np
from decay_world import WORLDS, Trace, simulate

from holdwatch_procedures.holds.decay.disturbances import DecayWatch
from holdwatch_procedures.holds.estimates import Action, Cause

HOURS = 6.0


def causes(trace: Trace) -> list[Cause]:
    """What restarts the hold in a trace."""
    watch = DecayWatch()
    return [
        disturbance.cause
        for block in trace.blocks()
        for disturbance in watch.push(block)
        if disturbance.action is not Action.NOTE
    ]


def false_alarms(world: str, holds: int, seed: int) -> Counter[Cause]:
    """Count alarms in holds where nothing happens but the world's nuisances."""
    found: Counter[Cause] = Counter()
    for number in range(holds):
        rng = np.random.default_rng([seed, number])
        found.update(causes(simulate(rng, WORLDS[world], 0.2, 60.0 * HOURS)))
    return found


def step_power(world: str, size_pa: float, holds: int, seed: int) -> float:
    """Share of steps of a size, in the middle of an hour, that are found within a minute."""
    found = 0
    for number in range(holds):
        rng = np.random.default_rng([seed, number])
        trace = simulate(rng, WORLDS[world], 0.2, 60.0)
        sign = 1.0 if number % 2 else -1.0
        trace.pressure_pa[200:] += sign * size_pa
        found += Cause.STEP in causes(trace)
    return found / holds


def fall_power(difference_k: float, holds: int, seed: int) -> float:
    """Share of clamps that fall onto air of another temperature and are found."""
    found = 0
    for number in range(holds):
        rng = np.random.default_rng([seed, number])
        trace = simulate(rng, replace(WORLDS["nominal"]), 0.2, 60.0)
        trace.pipe_k[200:] = trace.room_k[200:] - difference_k
        found += Cause.THERMOMETER in causes(trace)
    return found / holds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=7)
    args = parser.parse_args()
    for world in ("nominal", "harsh", "quiet coarse gauge", "four parts"):
        alarms = false_alarms(world, args.holds, args.seed)
        days = args.holds * HOURS / 24.0
        rates = {cause.value: round(count / days, 2) for cause, count in alarms.items()}
        print(f"{world}: {days:.1f} days, false alarms a day {rates}", flush=True)
    for size_kpa in (2, 3, 5, 10):
        for world in ("nominal", "harsh"):
            share = step_power(world, 1e3 * size_kpa, args.holds, args.seed)
            print(f"step of {size_kpa} kPa, {world}: found {100 * share:.0f} %", flush=True)
    for kelvin in (1.0, 2.0, 4.0):
        share = fall_power(kelvin, args.holds, args.seed)
        print(f"clamp fallen onto air {kelvin:g} K off: found {100 * share:.0f} %", flush=True)


if __name__ == "__main__":
    main()
