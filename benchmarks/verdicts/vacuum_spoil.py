"""False alarms and detection of the watches over a standing vacuum.

python -m benchmarks run vacuum_spoil --holds 200
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

sys.path.insert(0, str(Path(__file__).parent))

from vacuum_campaign import dry, moist
from vacuum_world import World, simulate

from holdwatch_procedures.holds.estimates import Block, Cause
from holdwatch_procedures.holds.vacuum.disturbances import VacuumWatch
from holdwatch_procedures.holds.vacuum.setup import VacuumSetup

MINUTES = 60


def found(world: World, blocks: list[Block]) -> list[tuple[Cause, float]]:
    setup = VacuumSetup(
        limit_pa_per_s=1 / 60,
        resolution_pa=world.resolution_pa,
        noise_floor_pa=world.noise_floor_pa,
        noise_share=world.noise_share,
    )
    watch = VacuumWatch(setup)
    return [
        (disturbance.cause, disturbance.t_s)
        for block in blocks
        for disturbance in watch.push(block)
    ]


def draw(rng: np.random.Generator, share: float | None) -> World:
    world = moist(rng) if rng.random() < 0.5 else dry(rng, rng.uniform(0, 20))
    return world if share is None else replace(world, noise_share=share)


def false_alarms(name: str, holds: int, share: float | None, rng: np.random.Generator) -> None:
    alarms: Counter[str] = Counter()
    spoilt = 0
    for _ in range(holds):
        world = draw(rng, share)
        seen = found(world, simulate(world, MINUTES, rng))
        alarms.update(str(cause) for cause, _ in seen)
        spoilt += bool(seen)
    ends = binomtest(spoilt, holds).proportion_ci(0.95)
    print(
        f"{name}: {spoilt} of {holds} hours with a false alarm [{100 * ends.low:.1f}, "
        f"{100 * ends.high:.1f} %] {dict(alarms)}"
    )


def steps(size: float, holds: int, rng: np.random.Generator) -> None:
    hits = 0
    for _ in range(holds):
        world = draw(rng, None)
        at = int(rng.integers(20, 350))
        blocks = [
            replace(block, pressure_pa=block.pressure_pa + size)
            if block.index >= at and block.pressure_pa is not None
            else block
            for block in simulate(world, MINUTES, rng)
        ]
        hits += any(
            cause is Cause.STEP and abs(t - 10.0 * at - 5.0) <= 20.0
            for cause, t in found(world, blocks)
        )
    print(f"step of {size:+.0f} Pa: {100 * hits / holds:.0f} % of {holds} found within 20 s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=3)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    false_alarms("noise up to 0.5 %", given.holds, None, rng)
    false_alarms("noise 1.5 %", given.holds, 0.015, rng)
    for size in (30.0, 60.0, 150.0, -60.0):
        steps(size, max(given.holds // 2, 1), rng)


if __name__ == "__main__":
    main()
