"""Standing-vacuum verdicts over worlds that do not share the judge's family.

    python -m benchmarks run vacuum_campaign --holds 100
    python -m benchmarks run vacuum_campaign --holds 400 --only moist both

Every hold is judged at every ``--every``-th block until its first verdict (the service looks at
every one: 1). One line a world: wrong verdicts with a 95 % binomial interval, undecided, times,
coverage of both intervals at 15, 30 and 60 min, causes named, cost of a look.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binomtest

sys.path.insert(0, str(Path(__file__).parent))

from vacuum_world import Release, World, buck_pa, simulate

from holdwatch_procedures.holds.vacuum.disturbances import VacuumWatch
from holdwatch_procedures.holds.vacuum.engine import VacuumEngine
from holdwatch_procedures.holds.vacuum.setup import VacuumSetup

MINUTE = 60.0
LIMIT = 1.0 / MINUTE
LOOKS = (89, 179, 359)
Rng = np.random.Generator
Maker = Callable[[Rng], World]


def outgassing(rng: Rng) -> Release:
    return Release("wall", rng.uniform(0, 60), rng.uniform(120, 1200))


def moisture(rng: Rng, kind: str = "wall", slowest_min: float = 15.0) -> Release:
    return Release(kind, rng.uniform(200, buck_pa(20.0)), MINUTE * rng.uniform(2, slowest_min))


def leak(rng: Rng) -> float:
    return float(np.exp(rng.uniform(np.log(2), np.log(50)))) / MINUTE


def base(rng: Rng) -> dict[str, Any]:
    return {
        "start_pa": rng.uniform(15, 65),
        "noise_floor_pa": rng.uniform(0.1, 1.0),
        "noise_share": rng.uniform(0.0, 0.005),
        "drift_k_per_h": rng.normal(0, 0.15),
    }


def dry(rng: Rng, slope_per_min: float = 0.0) -> World:
    return World(leak_pa_per_s=slope_per_min / MINUTE, releases=(outgassing(rng),), **base(rng))


def moist(rng: Rng, slope_per_min: float = 0.0, kind: str = "wall", **more: Any) -> World:
    figures: dict[str, Any] = {**base(rng), **more}
    return World(
        leak_pa_per_s=slope_per_min / MINUTE,
        releases=(moisture(rng, kind), outgassing(rng)),
        **figures,
    )


def puddle(rng: Rng, slope_per_min: float = 0.0, wall_c: float = 20.0, **more: Any) -> World:
    figures: dict[str, Any] = {**base(rng), **more}
    return World(
        leak_pa_per_s=slope_per_min / MINUTE,
        puddle=True,
        puddle_tau_s=rng.uniform(60, 600),
        puddle_cooling_k=rng.uniform(0, 4),
        wall_c=wall_c,
        releases=(outgassing(rng),),
        **figures,
    )


def both(rng: Rng, kind: str = "wall") -> World:
    return replace(moist(rng, 0.0, kind), leak_pa_per_s=leak(rng))


def changed(make: Maker, **more: Any) -> Maker:
    return lambda rng: replace(make(rng), **more)


def slow(tau_min: float, slope_per_min: float = 0.0) -> Maker:
    def make(rng: Rng) -> World:
        store = Release("wall", rng.uniform(100, 1200), tau_min * MINUTE)
        return World(leak_pa_per_s=slope_per_min / MINUTE, releases=(store,), **base(rng))

    return make


def refrigerant(rng: Rng) -> World:
    """Refrigerant out of a deep layer of oil: the square root of time, then it tires."""
    oil = Release("sheet", rng.uniform(30, 400), MINUTE * rng.uniform(5, 40))
    return World(releases=(oil,), **base(rng))


WORLDS: dict[str, Maker] = {
    "tight dry": dry,
    "leak 2-50 dry": lambda rng: replace(dry(rng), leak_pa_per_s=leak(rng)),
    "moist": moist,
    "moist + leak 2-50": both,
    "dry 0.5": lambda rng: dry(rng, 0.5),
    "dry 0.8": lambda rng: dry(rng, 0.8),
    "dry 1.2": lambda rng: dry(rng, 1.2),
    "dry 1.5": lambda rng: dry(rng, 1.5),
    "dry 2": lambda rng: dry(rng, 2.0),
    "moist 0.5": lambda rng: moist(rng, 0.5),
    "moist 0.8": lambda rng: moist(rng, 0.8),
    "moist 1.2": lambda rng: moist(rng, 1.2),
    "moist 1.5": lambda rng: moist(rng, 1.5),
    "moist 2": lambda rng: moist(rng, 2.0),
    "moist, 1 K/h": changed(moist, drift_k_per_h=1.0),
    "moist, noise 1.5 %": changed(moist, noise_share=0.015),
    "moist, swing 0.5 K": changed(moist, swing_k=0.5),
    "desorption 25 min": slow(25.0),
    "desorption 40 min": slow(40.0),
    "diffusing sheet": lambda rng: moist(rng, 0.0, "sheet"),
    "sheet + leak 2-50": lambda rng: both(rng, "sheet"),
    "sheet + leak 1.2": lambda rng: moist(rng, 1.2, "sheet"),
    "oil refrigerant": refrigerant,
    "puddle": puddle,
    "puddle, 1 K/h": lambda rng: puddle(rng, drift_k_per_h=1.0),
    "puddle, -1 K/h": lambda rng: puddle(rng, drift_k_per_h=-1.0),
    "puddle, -1 K/h, 1.2": lambda rng: puddle(rng, 1.2, drift_k_per_h=-1.0),
    "puddle + leak 3": lambda rng: puddle(rng, 3.0),
    "ice at -5": lambda rng: puddle(rng, wall_c=-5.0),
    "hose above, tight": lambda rng: changed(dry, hose_excess_pa=rng.uniform(5, 40))(rng),
    "hose above, 1.2": lambda rng: changed(
        lambda r: dry(r, 1.2), hose_excess_pa=rng.uniform(5, 40), hose_tau_s=rng.uniform(60, 400)
    )(rng),
    "hose above, 2": lambda rng: changed(
        lambda r: dry(r, 2.0), hose_excess_pa=rng.uniform(5, 40), hose_tau_s=rng.uniform(60, 400)
    )(rng),
    "1 Pa steps, tight": changed(dry, resolution_pa=1.0, noise_floor_pa=0.0, noise_share=0.0),
    "1 Pa steps, 1.2": changed(
        lambda rng: dry(rng, 1.2), resolution_pa=1.0, noise_floor_pa=0.0, noise_share=0.0
    ),
    "1 Pa steps, 0.8": changed(
        lambda rng: dry(rng, 0.8), resolution_pa=1.0, noise_floor_pa=0.0, noise_share=0.0
    ),
    "4 Hz": changed(dry, readings_per_block=40),
    "0.1 Hz": changed(dry, readings_per_block=1),
    "0.1 Hz, 1.2": changed(lambda rng: dry(rng, 1.2), readings_per_block=1),
    "gauge wander 2 Pa/h, tight": changed(dry, wander_pa=2.0),
    "gauge wander 2 Pa/h, 1.2": changed(lambda rng: dry(rng, 1.2), wander_pa=2.0),
    "no thermometer, moist": changed(moist, thermometer=False),
    "slow gauge 20 s": changed(dry, gauge_lag_s=20.0),
}


@dataclass
class Tally:
    """What a world's holds came to."""

    verdicts: Counter[str] = field(default_factory=Counter)
    minutes: list[float] = field(default_factory=list)
    decided: list[float] = field(default_factory=list)
    covered95: list[bool] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    causes: Counter[str] = field(default_factory=Counter)
    disturbances: Counter[str] = field(default_factory=Counter)
    looks_ms: list[float] = field(default_factory=list)


def judge(
    world: World, rng: Rng, tally: Tally, *, minutes: float, declared: bool, every: int
) -> str:
    """Judge one hold as the service does, and go on to the end for the coverage."""
    setup = VacuumSetup(
        limit_pa_per_s=LIMIT,
        resolution_pa=world.resolution_pa,
        noise_floor_pa=world.noise_floor_pa if declared else None,
        noise_share=world.noise_share if declared else 0.0,
        range_top_pa=world.top_pa,
        gauge_drift_pa=world.wander_pa,
    )
    engine, watch = VacuumEngine(setup), VacuumWatch(setup)
    verdict, at, spoilt = "", minutes, False
    estimate = None
    for block in simulate(world, minutes, rng):
        disturbances = watch.push(block)
        tally.disturbances.update(disturbance.text.key for disturbance in disturbances)
        spoilt = spoilt or any(disturbance.action != "note" for disturbance in disturbances)
        enough = engine.take(block)
        due = not verdict and not spoilt and block.index % every == every - 1
        if not enough or not (due or block.index in LOOKS):
            continue
        begun = time.process_time()
        latest = engine.look(block.t_s)
        tally.looks_ms.append(1e3 * (time.process_time() - begun))
        if not latest.ready:
            continue
        estimate = latest
        if block.index in LOOKS:
            tally.covered95.append(latest.low95 <= world.leak_pa_per_s <= latest.high95)
            tally.covered.append(latest.low <= world.leak_pa_per_s <= latest.high)
            tally.widths.append((latest.high95 - latest.low95) * MINUTE)
        if not verdict and not spoilt:
            if latest.high < LIMIT:
                verdict, at = "pass", latest.t_s / MINUTE
            elif latest.low > LIMIT:
                verdict, at = "fail", latest.t_s / MINUTE
    if estimate is not None:
        tally.causes.update(estimate.causes)
    tally.minutes.append(at)
    if verdict:
        tally.decided.append(at)
    tally.verdicts[verdict or "open"] += 1
    return verdict


def run(name: str, holds: int, seed: int, *, minutes: float, declared: bool, every: int) -> Tally:
    """Run one world."""
    tally = Tally()
    rng = np.random.default_rng([seed, *name.encode()])
    for _ in range(holds):
        world = WORLDS[name](rng)
        verdict = judge(world, rng, tally, minutes=minutes, declared=declared, every=every)
        above = world.leak_pa_per_s > LIMIT
        if (verdict == "pass" and above) or (verdict == "fail" and not above):
            tally.verdicts["wrong"] += 1
    return tally


def report(name: str, tally: Tally) -> None:
    count = len(tally.minutes)
    wrong = tally.verdicts["wrong"]
    ends = binomtest(wrong, count).proportion_ci(0.95)
    decided = tally.decided or [float("nan")]
    share = {word: round(100 * tally.verdicts[word] / count) for word in ("pass", "fail", "open")}
    print(
        f"{name:26s} wrong {100 * wrong / count:4.1f} % [{100 * ends.low:.1f}, "
        f"{100 * ends.high:.1f}]  {share}  min {np.median(tally.minutes):.0f} "
        f"(p90 {np.percentile(tally.minutes, 90):.0f}, of decided {np.median(decided):.0f})  "
        f"95 %: {100 * np.mean(tally.covered95):.1f}  deciding: {100 * np.mean(tally.covered):.1f}"
        f"  width {np.median(tally.widths):.2f}  ms {np.mean(tally.looks_ms):.1f}  "
        f"{ {str(k): v for k, v in tally.causes.items()} } {dict(tally.disturbances)}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=100)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--undeclared", action="store_true", help="the recipe gives no noise")
    parser.add_argument("--only", nargs="*", choices=list(WORLDS))
    given = parser.parse_args()
    for name in given.only or WORLDS:
        tally = run(
            name,
            given.holds,
            given.seed,
            minutes=given.minutes,
            declared=not given.undeclared,
            every=given.every,
        )
        report(name, tally)


if __name__ == "__main__":
    main()
