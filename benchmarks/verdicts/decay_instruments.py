"""Judges whole holds on coarse, slow, stuck and fallen instruments, reading by reading.

Run: python -m benchmarks run decay_instruments --holds 20
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from decay_world import NOMINAL, Array, World, simulate

from holdwatch_physics.fluids import Fluids
from holdwatch_physics.reading import Quality, Quantity
from holdwatch_procedures.holds.hold import Hold, conclude
from holdwatch_procedures.holds.order import Mark, Readings
from holdwatch_procedures.holds.recipe import Recipe, load_recipe

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_procedures.holds.verdict import Outcome

LIMIT_PA_PER_S = 1.0
MINUTES = 130.0
LEAKS = (0.0, 1.0, 2.0, 4.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One class of instruments.

    Attributes:
        world: What the gauge and the clamp are like.
        gauge_every_s: Time between the gauge's readings.
        clamp_every_s: Time between the clamp's.
        repeats: Whether a gateway sends the last reading again every second.
        stuck: Whether the gauge freezes between minute 5 and 60.
        falls: Whether the clamp falls onto colder air between minute 12 and 60.
        silent: Whether ten minutes of the gauge are lost after minute 18.
        declared: Whether the recipe states both resolutions.
    """

    world: World = NOMINAL
    gauge_every_s: int = 1
    clamp_every_s: int = 1
    repeats: bool = False
    stuck: bool = False
    falls: bool = False
    silent: bool = False
    declared: bool = False


def coarse_gauge(step_pa: float) -> World:
    """A gauge whose noise is far below its step."""
    return replace(NOMINAL, resolution_pa=(step_pa,), noise_pa=(20.0, 150.0), coloured_pa=(0, 20))


def coarse_clamp(step_k: float) -> World:
    """A clamp whose noise is far below its step."""
    return replace(NOMINAL, clamp_resolution_k=step_k, clamp_noise_k=(0.005, 0.03))


CASES = {
    "1 kPa gauge": Case(world=coarse_gauge(1e3)),
    "1 psi gauge": Case(world=coarse_gauge(6894.76)),
    "1 psi gauge, declared": Case(world=coarse_gauge(6894.76), declared=True),
    "0.1 K quiet clamp": Case(world=coarse_clamp(0.1)),
    "0.5 K quiet clamp": Case(world=coarse_clamp(0.5)),
    "1 K quiet clamp": Case(world=coarse_clamp(1.0)),
    "1 K quiet clamp, declared": Case(world=coarse_clamp(1.0), declared=True),
    "both every 15 s": Case(gauge_every_s=15, clamp_every_s=15),
    "both every 30 s": Case(gauge_every_s=30, clamp_every_s=30),
    "both every 60 s": Case(gauge_every_s=60, clamp_every_s=60),
    "clamp every 60 s": Case(clamp_every_s=60),
    "every 30 s, sent again each second": Case(gauge_every_s=30, clamp_every_s=30, repeats=True),
    "gauge freezes": Case(stuck=True),
    "1 kPa gauge freezes, declared": Case(world=coarse_gauge(1e3), stuck=True, declared=True),
    "clamp falls": Case(falls=True),
    "ten minutes silent": Case(silent=True),
}


def recipe_for(case: Case) -> Recipe:
    """The recipe of a class: a limit of 1 Pa/s as a pressure change."""
    channels = {}
    if case.declared:
        world = case.world
        channels = {
            "low_side": {"unit": "Pag", "resolution": world.resolution_pa[0]},
            "pipe_temperature": {"unit": "K", "resolution": world.clamp_resolution_k},
        }
    return load_recipe(
        {
            "procedure": "pressure-decay",
            "volume_l": 2.5,
            "refrigerant": "R134a",
            "max_pressure_kpa_g": 2500.0,
            "criterion": {
                "max_change_kpa": 3.6 * LIMIT_PA_PER_S,
                "within_min": 60.0,
                "source": "campaign",
            },
            "limits": {"max_gap_min": 20.0},
            "channels": channels,
        }
    )


def sent(series: Array, every_s: int, *, repeats: bool) -> Array:
    """What arrives of an instrument that measures so often; NaN where nothing does."""
    if every_s == 1:
        return series
    place = np.arange(len(series))
    if repeats:
        return series[place // every_s * every_s]
    return np.where(place % every_s == 0, series, np.nan)


def spoilt(case: Case, rng: np.random.Generator, gauge: Array, clamp: Array) -> None:
    """Do to the readings, in place, what the class does to its instruments."""
    if case.stuck:
        at = int(rng.uniform(300.0, 3600.0))
        gauge[at:] = gauge[:at][~np.isnan(gauge[:at])][-1]
    if case.falls:
        at = int(rng.uniform(720.0, 3600.0))
        later = np.arange(len(clamp) - at) / 3600.0
        clamp[at:] -= rng.uniform(1.5, 4.0) + rng.uniform(-1.5, 1.5) * later
    if case.silent:
        at = int(rng.uniform(1080.0, 3000.0))
        gauge[at : at + 590] = np.nan


def readings(case: Case, number: int, leak: float, seed: int) -> Iterator[tuple[int, str, float]]:
    """The readings of one hold in the order of time."""
    rng = np.random.default_rng([seed, number, int(1000 * leak)])
    trace = simulate(rng, case.world, leak * LIMIT_PA_PER_S, MINUTES)
    if trace.gauge is None or trace.clamp is None:
        raise RuntimeError("a campaign on instruments needs their readings")
    gauge, clamp = trace.gauge.copy(), trace.clamp.copy()
    spoilt(case, rng, gauge, clamp)
    shown = {
        "low_side": sent(gauge, case.gauge_every_s, repeats=case.repeats),
        "pipe_temperature": sent(clamp, case.clamp_every_s, repeats=case.repeats),
    }
    for second in range(len(gauge)):
        if second % 10 == 0:
            yield second, "barometer", float(trace.barometer_pa[second // 10])
        for role, series in shown.items():
            if not math.isnan(series[second]):
                yield second, role, float(series[second])


QUANTITY = {
    "barometer": Quantity.PRESSURE_ABSOLUTE,
    "low_side": Quantity.PRESSURE_GAUGE,
    "pipe_temperature": Quantity.TEMPERATURE,
}


def judge_one(
    case: Case, number: int, leak: float, seed: int, fluids: Fluids
) -> tuple[Outcome, float]:
    """Return the outcome of one hold and the minute at which it fell."""
    hold = Hold(recipe_for(case), fluids, version="campaign")
    hold.take(Mark(0, "valve_closed"))
    for second, role, value in readings(case, number, leak, seed):
        hold.take(
            Readings((second * 10**9,), (role,), (QUANTITY[role],), (value,), (Quality.GOOD,))
        )
        if hold.verdict is not None:
            break
    verdict = conclude(hold)
    decided_s = verdict.decided_at_s
    return verdict.outcome, MINUTES if decided_s is None else decided_s / 60.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=17)
    parser.add_argument("--case", action="append", help="only these classes")
    args = parser.parse_args()
    fluids = Fluids.load()
    for name, case in CASES.items():
        if args.case and name not in args.case:
            continue
        for leak in LEAKS:
            found = [judge_one(case, n, leak, args.seed, fluids) for n in range(args.holds)]
            count = Counter(outcome.value for outcome, _ in found)
            middle = float(np.median([minute for _, minute in found]))
            print(
                f"{name}, x{leak:g}: {count['pass']} pass, {count['fail']} fail, "
                f"{count['inconclusive']} inconclusive of {args.holds}, median {middle:.0f} min",
                flush=True,
            )


if __name__ == "__main__":
    main()
