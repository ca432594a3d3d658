"""The shipped fluid tables against the equations of state that they were fitted to."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from fluid_tables import MARKS, PAGE, compare
from hypothesis import given
from hypothesis import strategies as st
from numpy.polynomial import chebyshev

from holdwatch_physics.fluid_tables import FILE, read_tables
from holdwatch_physics.fluids import Fluids
from holdwatch_physics.series import value, value_and_slope
from holdwatch_physics.substances import GASES, REFRIGERANTS, Fluid, fluid

if TYPE_CHECKING:
    from types import ModuleType

SCRIPT = Path(__file__).parents[2] / "scripts" / "make_fluid_tables.py"
FLUIDS = Fluids.load()


class NoEquations:
    """Stands where the equations of state do, and refuses to be asked."""

    def __getattr__(self, name: str) -> Any:
        raise AssertionError(f"the equations were asked for {name}")


def tabled() -> Fluids:
    return Fluids(read_tables(), NoEquations())  # type: ignore[arg-type]


@pytest.mark.parametrize("it", [*REFRIGERANTS, *GASES[:-1]], ids=lambda it: it.name)
def test_tables_answer_as_the_equations_do(it: Fluid) -> None:
    apart = compare(FLUIDS, it, points=25, seed=7)
    assert apart.density < 1e-8
    assert apart.pressure < 1e-8
    assert apart.slope < 2e-6  # near the critical point it goes to 0
    assert apart.exponent < 1e-6
    assert apart.viscosity < 1e-8
    assert apart.boiling_pa < 1e-7
    assert apart.boiling_k < 1e-7
    assert apart.boiling_density < 1e-7
    assert apart.refused <= 3


def test_every_fluid_has_a_table() -> None:
    tables = read_tables()
    assert set(tables) == {it.key for it in (*REFRIGERANTS, *GASES)}


def test_the_page_says_of_every_fluid_how_close_its_table_is() -> None:
    page = PAGE.read_text(encoding="utf-8").partition(MARKS[0])[2].partition(MARKS[1])[0]
    rows = {line.split("|")[1].strip() for line in page.splitlines() if line.startswith("| ")}
    assert rows >= {it.name for it in (*REFRIGERANTS, *GASES)}


def _script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_fluid_tables", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["nitrogen", "R134a", "R410A"])
def test_the_shipped_file_is_what_the_script_makes(name: str) -> None:
    it = fluid(name)
    made = json.loads(_script().written({it.key: _script().fitted(it)}))["fluids"][it.key]
    shipped = json.loads(FILE.read_text(encoding="ascii"))["fluids"][it.key]
    _assert_alike(made, shipped, name)


def _assert_alike(made: Any, shipped: Any, where: str) -> None:
    assert type(made) is type(shipped), where
    if isinstance(made, dict):
        assert list(made) == list(shipped), where
        for key, each in made.items():
            _assert_alike(each, shipped[key], f"{where} {key}")
    elif isinstance(made, list) and made and isinstance(made[0], (list, dict)):
        # Terms at the floor may fall on either side of it.
        assert abs(len(made) - len(shipped)) <= 1, where
        for index, (one, other) in enumerate(zip(made, shipped, strict=False)):
            _assert_alike(one, other, f"{where} {index}")
    elif isinstance(made, list):
        length = max(len(made), len(shipped))
        one, other = (np.pad(each, (0, length - len(each))) for each in (made, shipped))
        assert one == pytest.approx(other, rel=1e-9, abs=1e-8 * max(1e-6, abs(other).max()))
    elif made is not None:
        assert made == pytest.approx(shipped, rel=1e-9), where


@given(st.lists(st.floats(-10.0, 10.0), max_size=30), st.floats(-1.0, 1.0))
def test_sums_are_those_of_numpy(series: list[float], x: float) -> None:
    expected = chebyshev.chebval(x, series) if series else 0.0
    slope = chebyshev.chebval(x, chebyshev.chebder(series)) if series else 0.0
    assert value(series, x) == pytest.approx(expected, abs=1e-9)
    assert value_and_slope(series, x)[0] == pytest.approx(expected, abs=1e-9)
    assert value_and_slope(series, x)[1] == pytest.approx(slope, abs=1e-6)


# -- what never needs the equations -------------------------------------------------------------


@pytest.mark.parametrize("gas", ["nitrogen", "air", "argon", "helium"])
@pytest.mark.parametrize("t_k", [223.15, 260.0, 293.15, 300.0, 368.15])
def test_test_gases_at_60_bar_are_tabled(gas: str, t_k: float) -> None:
    fluids = tabled()
    rho = fluids.molar_density(gas, 60e5, t_k)
    assert fluids.pressure_at_density(gas, rho, t_k) == pytest.approx(60e5, rel=1e-12)
    assert fluids.temperature_exponent(gas, 60e5, t_k) > 0.99
    assert fluids.vapour_viscosity(gas, t_k, 60e5)[0] > 1e-5


@pytest.mark.parametrize("it", REFRIGERANTS, ids=lambda it: it.name)
@pytest.mark.parametrize("t_k", [233.15, 273.15, 293.15, 298.15])
def test_refrigerants_at_a_workshops_temperatures_are_tabled(it: Fluid, t_k: float) -> None:
    fluids = tabled()
    bubble, dew = fluids.saturation_pressure_pa(it, t_k)
    found = fluids.saturation_temperature_k(it, bubble)[0], fluids.saturation_temperature_k(it, dew)
    assert found[0] == pytest.approx(t_k, abs=1e-7)
    assert found[1][1] == pytest.approx(t_k, abs=1e-7)
    vapour = fluids.saturation_density(it, t_k)[1]
    assert fluids.molar_density(it, dew, t_k) == pytest.approx(vapour, rel=1e-7)
    assert fluids.flow_state(it, vapour, t_k).pressure_pa == pytest.approx(dew, rel=1e-7)
    assert fluids.flow_state(it, vapour / 50.0, t_k).dp_drho > 0.0


def test_boiling_is_tabled_up_to_the_critical_point_itself() -> None:
    fluids = tabled()
    it = fluid("R744")
    for p_pa in np.linspace(7.2e6, 7.377298e6, 40):
        t_k = fluids.saturation_temperature_k(it, float(p_pa))[1]
        assert t_k <= it.critical_k
        if t_k < it.critical_k:
            assert fluids.saturation_pressure_pa(it, t_k)[1] == pytest.approx(p_pa, rel=1e-7)


def test_a_hot_carbon_dioxide_charge_is_tabled() -> None:
    it = fluid("R744")
    for t_k in (304.2, 305.0, 312.0, 330.0):
        rho = (170.0 if t_k < 310.3 else 370.0) / it.molar_mass
        tables, equations = tabled().pressure_at_density(it, rho, t_k), FLUIDS.equations
        assert tables == pytest.approx(equations.pressure(it, rho, t_k), rel=1e-8)


def test_beyond_the_tables_the_equations_answer() -> None:
    fluids, it = Fluids.load(), fluid("nitrogen")
    assert fluids.molar_density(it, 16e5, 400.0) == fluids.equations.density(it, 16e5, 400.0)
    assert fluids.molar_density(it, 300e5, 293.15) == fluids.equations.density(it, 300e5, 293.15)
    co2 = fluid("R744")
    assert fluids.pressure_at_density(co2, 12_000.0, 310.0) == fluids.equations.pressure(
        co2, 12_000.0, 310.0
    )


def test_at_the_border_table_and_equation_agree() -> None:
    it = fluid("nitrogen")
    inside, outside = (FLUIDS.molar_density(it, 16e5, 368.15 + d) for d in (0.0, 1e-9))
    assert inside == pytest.approx(outside, rel=1e-8)


def test_a_workshops_questions_load_no_equations() -> None:
    code = (
        "import sys; from holdwatch_physics.fluids import Fluids; f = Fluids.load();"
        "f.saturation_temperature_k('R134a', 6e5); f.vapour_viscosity('R744', 293.15, 3e6);"
        "f.temperature_exponent('nitrogen', 16e5, 293.15);"
        "sys.exit('CoolProp' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
