"""How far the shipped fluid tables are from the equations of state, fluid by fluid.

Run: ``python -m benchmarks run fluid_tables [--points 400] [--write]``. With
``--write`` the table of docs/fluids.md is made anew.
"""

from __future__ import annotations

import argparse
import random
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from page_table import write_table

from holdwatch_physics.fluids import Fluids
from holdwatch_physics.substances import GASES, REFRIGERANTS, Fluid, FluidError

if TYPE_CHECKING:
    from holdwatch_physics.fluid_tables import Boiling, Isotherm

PAGE = Path(__file__).parent.parent / "docs" / "fluids.md"
NEARLY_CRITICAL = 0.99
"""Up to here the tables reach a little beyond dry vapour, above it not as far."""
MARKS = ("<!-- table: benchmarks/fluid_tables.py -->", "<!-- end of table -->")


@dataclass(slots=True)
class Apart:
    """Greatest relative deviations found.

    Attributes:
        refused: Boiling temperatures that the equations' solver did not find and the table did.
    """

    density: float = 0.0
    pressure: float = 0.0
    slope: float = 0.0
    exponent: float = 0.0
    viscosity: float = 0.0
    boiling_pa: float = 0.0
    boiling_k: float = 0.0
    boiling_density: float = 0.0
    refused: int = 0

    def note(self, name: str, tabled: float, computed: float) -> None:
        """Keep a deviation if it is the greatest of its kind."""
        setattr(self, name, max(getattr(self, name), abs(tabled / computed - 1.0)))


def compare(fluids: Fluids, it: Fluid, points: int, seed: int) -> Apart:
    """Ask table and equations for the same random states."""
    rng = random.Random(seed)  # noqa: S311 - states to compare, not a secret
    table = fluids._tables[it.key]  # noqa: SLF001 - what is shipped, not what is answered
    apart = Apart()
    for _ in range(points):
        t_k = rng.uniform(table.pieces[0].t.low, table.pieces[-1].t.high)
        isotherm = table.isotherm(t_k)
        if isotherm is None:
            raise LookupError(f"{it.name} has no table at {t_k} K")
        _compare_gas(fluids, it, isotherm, rng.random() ** 2, apart)
        if table.boiling is not None:
            _compare_boiling(fluids, it, table.boiling, rng, apart)
    return apart


def _compare_gas(fluids: Fluids, it: Fluid, isotherm: Isotherm, share: float, apart: Apart) -> None:
    true, t_k = fluids.equations, isotherm.t_k
    densest = isotherm.densest
    if t_k < NEARLY_CRITICAL * it.critical_k:
        densest = min(densest, true.saturation_densities(it, t_k)[1])
    rho = densest * (1e-6 + share * (1.0 - 1e-6))
    p = true.pressure(it, rho, t_k)
    apart.note("pressure", isotherm.pressure(rho), p)
    apart.note("density", isotherm.density(p), rho)
    apart.note("slope", isotherm.pressure_and_slope(rho)[1], true.pressure_slope(it, rho, t_k))
    apart.note("exponent", isotherm.pressure_slope_t(rho), true.pressure_slope_t(it, rho, t_k))
    apart.note("viscosity", isotherm.viscosity(rho), true.viscosity(it, rho, t_k))


def _compare_boiling(
    fluids: Fluids, it: Fluid, boiling: Boiling, rng: random.Random, apart: Apart
) -> None:
    true = fluids.equations
    # Near the critical point the library answers to fewer digits, and for blends not at all.
    blend = boiling.dew is not boiling.bubble
    theta = rng.uniform(0.1 if blend else 0.01, boiling.theta.high)
    t_k = it.critical_k * (1.0 - theta * theta)
    pressures = true.saturation_pressures(it, t_k)
    for tabled, computed in zip(boiling.pressures(t_k) or (), pressures, strict=True):
        apart.note("boiling_pa", tabled, computed)
    for side, p in enumerate(pressures):
        tabled_k = boiling.temperatures(p)
        if tabled_k is None:  # a blend at the ends: not both of its pressures are tabled
            continue
        try:
            computed = true.saturation_temperatures(it, p)[side]
        except FluidError:
            apart.refused += 1
            continue
        apart.note("boiling_k", tabled_k[side], computed)
    if boiling.density_theta.holds(theta):
        for tabled, computed in zip(
            boiling.densities(t_k) or (), true.saturation_densities(it, t_k), strict=True
        ):
            apart.note("boiling_density", tabled, computed)


def table(points: int) -> str:
    """Return the deviations of every fluid as a table in Markdown."""
    fluids = Fluids.load()
    names = [each.name for each in fields(Apart) if each.name != "refused"]
    lines = ["| fluid | " + " | ".join(name.replace("_", " ") for name in names) + " |"]
    lines.append("| --- " * (len(names) + 1) + "|")
    for it in (*REFRIGERANTS, *GASES):
        apart = compare(fluids, it, points, seed=1)
        found = [getattr(apart, name) for name in names]
        lines.append(f"| {it.name} | " + " | ".join(_shown(x) for x in found) + " |")
    return "\n".join(lines)


def _shown(found: float) -> str:
    return f"{found:.0e}" if found else "–"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=400)
    parser.add_argument("--write", action="store_true", help="into docs/fluids.md")
    options = parser.parse_args()
    made = table(options.points)
    print(made)
    if options.write:
        write_table(PAGE, MARKS, made)


if __name__ == "__main__":
    main()
