"""Judges thousands of simulated pressure-decay holds and counts what went wrong.

Run: python -m benchmarks run decay_campaign --holds 500 --processes 2 --json out.json
"""

from __future__ import annotations

import argparse
import json
import math
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from decay_oracle import oracle_verdict
from decay_world import WORLDS, Trace, simulate
from scipy.stats import beta

from holdwatch_procedures.holds.decay.engine import DecayEngine
from holdwatch_procedures.holds.decay.setup import Barometer, DecaySetup

RIGHT = {"pass": lambda m: m < 1.0, "fail": lambda m: m > 1.0}
FIXED_RULE_PA = 3000.0
FIXED_RULE_BLOCKS = (30, 120)
"""The rule to compare with: the raw drop from 5 to 20 min after the mark is under 3 kPa."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One class of holds."""

    world: str
    limit: float
    minutes: float
    leak: float
    holds: int
    seed: int
    blind: bool = False
    barometer: bool = True


@dataclass(frozen=True, slots=True)
class Score:
    """What one hold gave."""

    engine: str
    engine_block: int
    oracle: str
    oracle_block: int
    fixed: str
    covered: bool
    error: float
    half95: float
    us_a_block: float


def setup_for(trace: Trace, cell: Cell) -> DecaySetup:
    """What a careful recipe would declare of this hold."""
    truth = trace.truth
    return DecaySetup(
        limit_pa_per_s=cell.limit,
        resolution_pa=truth.resolution_pa,
        tempco_pa_per_k=truth.world.tempco_pa_per_k,
        kappa=truth.world.kappa[0],
        kappa_u=truth.world.kappa[1],
        thermometer=not cell.blind,
        barometer=Barometer.MEASURED if cell.barometer else Barometer.CONSTANT,
    )


def judge_one(cell: Cell, number: int) -> Score:
    """Simulate a hold and judge it by engine, oracle and fixed rule."""
    rng = np.random.default_rng([cell.seed, int(1000 * cell.leak), number])
    trace = simulate(rng, WORLDS[cell.world], cell.leak * cell.limit, cell.minutes)
    if not cell.barometer:
        still = trace.barometer_pa - trace.barometer_pa[0]
        trace.pressure_pa[:] -= still
        trace.barometer_pa[:] -= still
    if cell.blind:
        trace.pipe_k[:] = np.nan
    engine = DecayEngine(setup_for(trace, cell))
    blocks = trace.blocks()
    outcome, decided = "inconclusive", len(blocks)
    estimate = None
    began = time.perf_counter()
    for block in blocks:
        estimate = engine.push(block)
        if estimate is None or not estimate.ready or outcome != "inconclusive":
            continue
        if estimate.high < cell.limit:
            outcome, decided = "pass", block.index
        elif estimate.low > cell.limit:
            outcome, decided = "fail", block.index
    spent = time.perf_counter() - began
    if estimate is None:
        raise RuntimeError("a hold without an estimate cannot be scored")
    plain = cell.blind or cell.world == "four parts"
    oracle, oracle_block = ("inconclusive", 0) if plain else oracle_verdict(trace, cell.limit)
    first, last = FIXED_RULE_BLOCKS
    drop = np.nanmean(trace.pressure_pa[first : first + 3]) - np.nanmean(
        trace.pressure_pa[last - 3 : last]
    )
    truth = cell.leak * cell.limit
    return Score(
        engine=outcome,
        engine_block=decided,
        oracle=oracle,
        oracle_block=oracle_block,
        fixed="pass" if drop < FIXED_RULE_PA else "fail",
        covered=estimate.low95 <= truth <= estimate.high95,
        error=estimate.slope - truth,
        half95=0.5 * (estimate.high95 - estimate.low95),
        us_a_block=1e6 * spent / len(blocks),
    )


def interval(count: int, of: int) -> tuple[float, float]:
    """Clopper–Pearson 95 % interval of a share, percent."""
    low = 0.0 if count == 0 else float(beta.ppf(0.025, count, of - count + 1))
    high = 1.0 if count == of else float(beta.ppf(0.975, count + 1, of - count))
    return 100.0 * low, 100.0 * high


def run_cell(cell: Cell) -> dict[str, Any]:
    """Judge all holds of a class and sum them up."""
    scores = [judge_one(cell, number) for number in range(cell.holds)]
    n = cell.holds
    passes = sum(s.engine == "pass" for s in scores)
    fails = sum(s.engine == "fail" for s in scores)
    wrong = fails if cell.leak < 1.0 else passes
    if cell.leak == 1.0:
        wrong = max(passes, fails)
    engine_min = float(np.median([s.engine_block for s in scores])) / 6.0
    oracle_min = float(np.median([s.oracle_block for s in scores])) / 6.0
    covered = sum(s.covered for s in scores)
    return {
        **asdict(cell),
        "wrong": wrong,
        "wrong_percent": 100.0 * wrong / n,
        "wrong_interval": interval(wrong, n),
        "passes": passes,
        "fails": fails,
        "undecided_percent": 100.0 * (n - passes - fails) / n,
        "median_min": engine_min,
        "oracle_min": oracle_min,
        "oracle_wrong": sum(s.oracle == ("fail" if cell.leak <= 1.0 else "pass") for s in scores),
        "ratio": engine_min / oracle_min if oracle_min > 0.0 else math.nan,
        "coverage_percent": 100.0 * covered / n,
        "coverage_interval": interval(covered, n),
        "rmse": float(np.sqrt(np.mean([s.error**2 for s in scores]))),
        "bias": float(np.mean([s.error for s in scores])),
        "half95": float(np.median([s.half95 for s in scores])),
        "fixed_passes_percent": 100.0 * sum(s.fixed == "pass" for s in scores) / n,
        "us_a_block": float(np.median([s.us_a_block for s in scores])),
    }


def default_cells(holds: int, seed: int) -> list[Cell]:
    """The classes of the campaign."""
    leaks = (0.0, 0.5, 0.9, 1.0, 1.1, 2.0, 4.0, 10.0)
    cells = []
    for world in WORLDS:
        cells += [Cell(world, 1.0, 130.0, leak, holds, seed) for leak in leaks]
    some = (0.0, 0.5, 1.0, 2.0, 4.0)
    cells += [Cell("nominal", 0.3, 250.0, leak, holds // 2, seed) for leak in some]
    cells += [Cell("nominal", 0.1, 850.0, leak, holds // 5, seed) for leak in some]
    cells += [Cell("nominal", 10.0, 130.0, x, holds, seed, blind=True) for x in some]
    cells += [Cell("nominal", 1.0, 130.0, x, holds, seed, barometer=False) for x in some]
    return cells


def show(row: dict[str, Any]) -> str:
    """One line of the table."""
    low, high = row["wrong_interval"]
    flags = (" blind" if row["blind"] else "") + ("" if row["barometer"] else " no barometer")
    return (
        f"{row['world']}{flags} L={row['limit']} x{row['leak']:<4} n={row['holds']}: "
        f"wrong {row['wrong_percent']:.1f} % [{low:.1f}, {high:.1f}], undecided "
        f"{row['undecided_percent']:.0f} %, {row['median_min']:.0f} min (oracle "
        f"{row['oracle_min']:.0f}, ratio {row['ratio']:.2f}), coverage "
        f"{row['coverage_percent']:.1f} %, rmse {row['rmse']:.4f}, half95 {row['half95']:.4f}, "
        f"fixed rule passes {row['fixed_passes_percent']:.0f} %, {row['us_a_block']:.0f} µs"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--world", action="append", help="only these worlds")
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    cells = default_cells(args.holds, args.seed)
    if args.world:
        cells = [cell for cell in cells if cell.world in args.world]
    rows = []
    with ProcessPoolExecutor(args.processes) as pool:
        for row in pool.map(run_cell, cells):
            rows.append(row)
            print(show(row), flush=True)
    if args.json:
        args.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
