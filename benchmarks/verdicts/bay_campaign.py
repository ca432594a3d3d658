"""Judges whole simulated bays: plant, probes, trace, recipe, hold, verdict, against the plan.

The simulated bay shares no judging code; its leaks are restated by its own fluid data. Each class
is a scenario with a leak in multiples of its criterion and a time that the plan calls enough.
Run it from the repository: ``python -m benchmarks run bay_campaign [--holds 20]``.
"""

from __future__ import annotations

import argparse
import io
import time
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.stats import binomtest

from holdwatch_adapters.trace import read_trace
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.judge import judge
from holdwatch_procedures.holds.plan import Conditions, plan
from holdwatch_procedures.holds.recipe import load_recipe
from holdwatch_simulators.garage import Overrides, scenario
from holdwatch_simulators.scenario import Run
from holdwatch_simulators.trace_writer import recipe_toml, write_trace

if TYPE_CHECKING:
    from holdwatch_procedures.holds.verdict import Verdict

BEFORE_S = {"nitrogen-tight": 300.0, "vacuum-tight": 1080.0}
"""Seconds of each scenario before its mark."""
MULTIPLES = (0.0, 0.25, 0.9, 1.1, 2.5, 4.0)
SURE = {0.0, 0.25, 2.5, 4.0}


@dataclass(frozen=True)
class Case:
    """A scenario, its criterion, and how long it is held."""

    scenario: str
    criterion: float
    minutes: float
    pressure_pa: float = 1.0e6


CASES = (
    Case("nitrogen-tight", 8000.0, 45.0),
    Case("nitrogen-tight", 2000.0, 120.0),
    Case("nitrogen-tight", 1000.0, 240.0, 1.5e6),
    Case("vacuum-tight", 4000.0, 45.0),
    Case("vacuum-tight", 1500.0, 60.0),
)


def run(case: Case, multiple: float, seed: int, fluids: Fluids) -> tuple[Verdict, float, bool]:
    """Judge one hold; return verdict, milliseconds of judging, and whether the plan sees it."""
    story = scenario(
        case.scenario,
        Overrides(
            duration_s=BEFORE_S[case.scenario] + case.minutes * 60.0,
            leak_g_per_year=multiple * case.criterion,
            criterion_g_per_year=case.criterion,
            pressure_pa=case.pressure_pa,
        ),
    )
    written = io.StringIO()
    write_trace(Run(story, seed), written)
    recipe = load_recipe(tomllib.loads(recipe_toml(story)))
    gauge = None if recipe.is_vacuum else case.pressure_pa
    conditions = Conditions(gauge_pa=gauge)
    planned = plan(recipe, fluids, conditions, minutes=case.minutes) if seed == 0 else None
    began = time.perf_counter()
    verdict = judge(read_trace(written.getvalue().splitlines()), recipe, fluids, version="campaign")
    took_ms = (time.perf_counter() - began) * 1e3
    return verdict, took_ms, planned is not None and bool(planned.sees_criterion)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=20)
    options = parser.parse_args()
    fluids = Fluids.load()
    for case in CASES:
        for multiple in MULTIPLES:
            truth = multiple * case.criterion
            right = "pass" if multiple < 1.0 else "fail"
            outcomes = {"pass": 0, "fail": 0, "inconclusive": 0}
            covered = bounded = 0
            seen = False
            decided: list[float] = []
            for seed in range(options.holds):
                verdict, _, sees = run(case, multiple, seed, fluids)
                seen = seen or sees
                outcomes[verdict.outcome] += 1
                grams = verdict.leak.g_per_year
                if grams.low is not None and grams.high is not None:
                    bounded += 1
                    covered += grams.low <= truth <= grams.high
                if verdict.decided_at_s is not None:
                    decided.append(verdict.decided_at_s - (verdict.mark_s or 0.0))
            wrong = outcomes["fail" if right == "pass" else "pass"]
            upper = binomtest(wrong, options.holds).proportion_ci().high
            median = sorted(decided)[len(decided) // 2] / 60 if decided else float("nan")
            print(
                f"{case.scenario:15} {case.criterion:6g} g/yr {case.minutes:4g} min x{multiple:<4} "
                f"plan sees {'yes' if seen else 'no '} wrong {wrong} (< {100 * upper:.0f} %) "
                f"undecided {outcomes['inconclusive']:3} of {options.holds}"
                f"{'' if multiple in SURE else ' (near the limit)':17} "
                f"bounds cover {covered} of {bounded}, median {median:.0f} min",
                flush=True,
            )


if __name__ == "__main__":
    main()
