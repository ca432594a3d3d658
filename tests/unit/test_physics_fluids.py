"""Fluid properties against printed tables, and the states that must be refused."""

from __future__ import annotations

import random
import subprocess
import sys
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_physics.fluids import (
    R_GAS,
    FluidError,
    Fluids,
    fluid,
    gas,
    refrigerant,
    wall_exponent,
)
from holdwatch_physics.substances import GASES, REFRIGERANTS, Refrigerant, SafetyGroup

LOADED = Fluids.load()  # hypothesis asks for hundreds of states: one object for all of them


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return LOADED


def k(t_c: float) -> float:
    return t_c + 273.15


def from_f(t_f: float) -> float:
    return (t_f + 459.67) * 5.0 / 9.0


# -- names --------------------------------------------------------------------------------------


@pytest.mark.parametrize("spelling", ["R-134a", "R134a", "r134a", "R 134A", "r-134A", "R134a "])
def test_every_usual_spelling_names_the_refrigerant(spelling: str) -> None:
    assert refrigerant(spelling).name == "R-134a"


@pytest.mark.parametrize("it", REFRIGERANTS, ids=lambda it: it.name)
def test_short_names_name_their_refrigerant(it: Refrigerant) -> None:
    assert refrigerant(it.short_name) is it
    assert refrigerant(it.name) is it
    assert fluid(it.name) is it


def test_an_unknown_refrigerant_lists_those_known() -> None:
    with pytest.raises(FluidError, match=r"'R-13B1'.*R134a, R1234yf, R744.*R404A"):
        refrigerant("R-13B1")


def test_gases_by_name_and_formula() -> None:
    assert gas("Nitrogen") is gas("N2") is gas(" nitrogen ")
    assert gas("carbon-dioxide").name == "carbon dioxide"
    with pytest.raises(FluidError, match="nitrogen, air, argon, helium, carbon dioxide"):
        gas("hydrogen")


@pytest.mark.parametrize("name", ["oxygen", "O2", "Oxygen"])
def test_oxygen_is_refused_for_what_it_does(name: str) -> None:
    with pytest.raises(FluidError, match=r"oxygen must never.*explodes with the oil.*nitrogen"):
        gas(name)


# ASHRAE 34 safety groups (from memory).
@pytest.mark.parametrize(
    ("name", "group"),
    [("R134a", "A1"), ("R1234yf", "A2L"), ("R744", "A1"), ("R152a", "A2"), ("R290", "A3")],
)
def test_flammability(name: str, group: str) -> None:
    it = refrigerant(name)
    assert it.safety_group is SafetyGroup(group)
    assert it.safety_group.is_flammable == (group != "A1")


# Printed molar masses, ASHRAE Handbook—Fundamentals, chapter 29, table 5, g/mol.
@pytest.mark.parametrize(
    ("name", "grams"),
    [
        ("R134a", 102.03),
        ("R1234yf", 114.04),
        ("R152a", 66.051),
        ("R32", 52.024),
        ("R410A", 72.585),
        ("R744", 44.01),
        ("R290", 44.096),
        ("R22", 86.468),
        ("R1234ze(E)", 114.04),
        ("R407C", 86.204),
    ],
)
def test_molar_mass(name: str, grams: float) -> None:
    assert refrigerant(name).molar_mass * 1e3 == pytest.approx(grams, abs=0.006)


def test_constants_are_those_of_the_equation_of_state(fluids: Fluids) -> None:
    for it in (*REFRIGERANTS, *GASES):
        state = fluids.equations.state(it)
        assert it.molar_mass == pytest.approx(state.molar_mass(), rel=1e-9), it.name
        assert it.critical_k == pytest.approx(state.T_critical(), abs=1e-3), it.name


def test_naming_fluids_loads_no_equation_of_state() -> None:
    code = (
        "import sys; from holdwatch_physics.fluids import refrigerant; refrigerant('R134a'); "
        "import holdwatch_physics.leak; sys.exit('CoolProp' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# -- saturation ---------------------------------------------------------------------------------

# ASHRAE Handbook—Fundamentals, chapter 29, table 8 (data from NIST CYCLE_D 4.0), MPa. Printed
# temperatures are roundings of −25, 20, 45 and 86 °F; printed to 1 kPa.
TABLE_8 = [
    ("R134a", {20: 0.228, 45: 0.377, 86: 0.770}),
    ("R1234yf", {20: 0.250, 45: 0.401, 86: 0.783}),
    ("R744", {-25: 1.349, 20: 2.909, 86: 7.213}),
    ("R32", {20: 0.653, 45: 1.018, 86: 1.928}),
    ("R1234ze(E)", {20: 0.168, 45: 0.280, 86: 0.578}),
    ("R290", {20: 0.385, 45: 0.588, 86: 1.079}),
    ("R22", {20: 0.399, 45: 0.626, 86: 1.192}),
]


@pytest.mark.parametrize(("name", "printed"), TABLE_8)
def test_saturation_pressure_of_the_handbook(
    fluids: Fluids, name: str, printed: dict[int, float]
) -> None:
    for t_f, megapascal in printed.items():
        bubble, dew = fluids.saturation_pressure_pa(name, from_f(t_f))
        assert bubble == pytest.approx(dew, rel=1e-9)
        assert dew == pytest.approx(megapascal * 1e6, abs=800.0)


def test_blends_have_a_bubble_and_a_dew_point(fluids: Fluids) -> None:
    # Handbook table 8 prints R-410A at its mean temperature: 1.886 MPa at 86 °F.
    bubble, dew = fluids.saturation_pressure_pa("R410A", from_f(86.0))
    assert dew < 1.886e6 < bubble
    assert bubble / dew - 1.0 == pytest.approx(0.003, abs=0.001)
    bubble, dew = fluids.saturation_pressure_pa("R407C", from_f(45.0))
    assert dew < 0.640e6 < bubble


# ASHRAE Handbook—Fundamentals, chapter 29, table 5: normal boiling point (bubble), °C.
@pytest.mark.parametrize(
    ("name", "t_c", "tolerance"),
    [
        ("R134a", -26.074, 0.005),
        ("R1234yf", -29.45, 0.03),
        ("R152a", -24.023, 0.005),
        ("R32", -51.651, 0.005),
        ("R410A", -51.446, 0.02),
        ("R290", -42.11, 0.01),
        ("R22", -40.81, 0.01),
        ("R1234ze(E)", -18.95, 0.05),
        ("R407C", -43.627, 0.01),
    ],
)
def test_normal_boiling_point(fluids: Fluids, name: str, t_c: float, tolerance: float) -> None:
    bubble, dew = fluids.saturation_temperature_k(name, 101325.0)
    assert bubble == pytest.approx(k(t_c), abs=tolerance)
    assert dew >= bubble - 1e-9


# Mechanical Engineers' Handbook vol. 4, table 14 (−10.18 is printed without its sign).
@pytest.mark.parametrize(("bar", "t_c"), [(2, -10.18), (5, 15.68), (6, 21.54), (10, 39.41)])
def test_r134a_boiling_temperature(fluids: Fluids, bar: float, t_c: float) -> None:
    assert fluids.saturation_temperature_k("R134a", bar * 1e5)[1] == pytest.approx(k(t_c), abs=0.15)


def test_no_saturation_of_carbon_dioxide_on_a_hot_day(fluids: Fluids) -> None:
    # Critical temperature 30.98 °C (handbook table 5: 30.978).
    with pytest.raises(FluidError, match=r"R-744 .* 35.00 °C.*30.98 °C.*charge density"):
        fluids.saturation_pressure_pa("R744", k(35.0))
    assert fluids.saturation_pressure_pa("R744", k(30.97))[1] < 7.3773e6


@pytest.mark.parametrize("p", [0.0, -5.0, 100.0, 4.1e6, float("nan")])
def test_no_boiling_outside_triple_and_critical_pressure(fluids: Fluids, p: float) -> None:
    with pytest.raises(FluidError, match=r"R-134a .* between 0.3896 and 4059.3 kPa"):
        fluids.saturation_temperature_k("R134a", p)


@pytest.mark.parametrize("t_k", [20.0, 900.0, float("nan"), float("inf")])
def test_temperatures_beyond_the_equation_are_refused(fluids: Fluids, t_k: float) -> None:
    with pytest.raises(FluidError, match=r"R-134a at .*-103.30 to 181.85 °C"):
        fluids.saturation_pressure_pa("R134a", t_k)


# -- nitrogen -----------------------------------------------------------------------------------

# Span et al. 2000 through the equation-of-state library; kg/m³ at °C and bar absolute.
NITROGEN = [
    (5, 5, 6.0681),
    (20, 10, 11.5184),
    (25, 20, 22.6699),
    (35, 35, 38.3270),
    (0, 1.01325, 1.25039),
]


@pytest.mark.parametrize(("t_c", "bar", "density"), NITROGEN)
def test_nitrogen_density(fluids: Fluids, t_c: float, bar: float, density: float) -> None:
    rho = fluids.molar_density("nitrogen", bar * 1e5, k(t_c))
    assert rho * gas("nitrogen").molar_mass == pytest.approx(density, rel=1e-4)


@pytest.mark.parametrize(("t_c", "z"), [(5, 0.99436), (20, 0.99673), (35, 0.99864)])
def test_nitrogen_compressibility_at_16_bar(fluids: Fluids, t_c: float, z: float) -> None:
    assert fluids.compressibility("nitrogen", 16e5, k(t_c)) == pytest.approx(z, abs=1e-4)


def test_nitrogen_second_virial_coefficient(fluids: Fluids) -> None:
    # Dymond and Smith; Kaye and Laby: −4.5 to −4.7 cm³/mol at 300 K (from memory, ± 0.5).
    # From a difference, since the equation carries the gas constant of its year (6e-6 off).
    t_k = 300.0
    z1, z2 = (fluids.compressibility("nitrogen", p, t_k) for p in (1e5, 2e5))
    b = (z2 - z1) * R_GAS * t_k / 1e5
    assert b * 1e6 == pytest.approx(-4.6, abs=0.5)


# A closed vessel warmed or cooled from 20 °C: real pressure by the equation of Span et al.
@pytest.mark.parametrize(
    ("bar", "t_c", "pascal"),
    [(5, 25, 508631.4), (10, 5, 947576.9), (20, 25, 2035762.2), (35, 5, 3305628.5)],
)
def test_nitrogen_in_a_closed_vessel(fluids: Fluids, bar: float, t_c: float, pascal: float) -> None:
    rho = fluids.molar_density("nitrogen", bar * 1e5, k(20.0))
    assert fluids.pressure_at_density("nitrogen", rho, k(t_c)) == pytest.approx(pascal, abs=1.0)


def test_the_ideal_gas_undercorrects_as_much_as_is_said(fluids: Fluids) -> None:
    # 2.4 % of the change at 10 bar, 4.7 % at 20 (check table); 1.038 at 15 bar gauge.
    exponent = [fluids.temperature_exponent("nitrogen", bar * 1e5, k(20.0)) for bar in (10, 20)]
    assert [1.0 - 1.0 / e for e in exponent] == pytest.approx([0.024, 0.047], abs=1e-3)
    at_15_gauge = fluids.temperature_exponent("nitrogen", 16.01325e5, k(20.0))
    assert at_15_gauge == pytest.approx(1.0388, abs=5e-4)
    # In copper, 1.5 % less: the tubes grow with the gas.
    assert at_15_gauge + wall_exponent("copper", k(20.0))[0] == pytest.approx(1.0239, abs=5e-4)


@given(st.floats(1e5, 40e5), st.floats(250.0, 330.0))
def test_exponent_and_slope_are_the_derivatives_of_the_closed_vessel(p: float, t_k: float) -> None:
    fluids = LOADED
    rho = fluids.molar_density("nitrogen", p, t_k)
    h = 0.01
    hot = fluids.pressure_at_density("nitrogen", rho, t_k + h)
    cold = fluids.pressure_at_density("nitrogen", rho, t_k - h)
    exponent = (hot - cold) / (2 * h) * t_k / p
    assert fluids.temperature_exponent("nitrogen", p, t_k) == pytest.approx(exponent, rel=1e-6)
    more = fluids.molar_density("nitrogen", p * 1.0001, t_k)
    less = fluids.molar_density("nitrogen", p * 0.9999, t_k)
    slope = (more - less) / (p * 2e-4)
    assert fluids.density_slope("nitrogen", p, t_k) == pytest.approx(slope, rel=1e-6)


# -- vapour -------------------------------------------------------------------------------------


def test_r134a_superheated_vapour(fluids: Fluids) -> None:
    # Thermodynamics textbook table: 0.23349 m³/kg at 0.10 MPa and 20 °C.
    rho = fluids.molar_density("R134a", 1e5, k(20.0)) * refrigerant("R134a").molar_mass
    assert 1.0 / rho == pytest.approx(0.23349, rel=2e-3)


def test_saturated_r134a_vapour_is_14_percent_denser_than_ideal(fluids: Fluids) -> None:
    # Z = 0.86149 at 20 °C (Tillner-Roth and Baehr 1994, through the library).
    dew = fluids.saturation_pressure_pa("R134a", k(20.0))[1]
    vapour = fluids.saturation_density("R134a", k(20.0))[1]
    assert dew / (vapour * R_GAS * k(20.0)) == pytest.approx(0.86149, abs=2e-5)


@pytest.mark.parametrize("name", [r.name for r in REFRIGERANTS])
@pytest.mark.parametrize("off", [0.0, 1e-9, -1e-9, 1e-7, -1e-7, -1e-6])
def test_a_hair_from_saturation_the_vapour_is_still_found(
    fluids: Fluids, name: str, off: float
) -> None:
    t_k = k(20.0)
    dew = fluids.saturation_pressure_pa(name, t_k)[1]
    rho = fluids.molar_density(name, dew * (1.0 + off), t_k)
    assert rho == pytest.approx(fluids.saturation_density(name, t_k)[1], rel=1e-4)


def test_a_liquid_is_not_passed_off_as_gas(fluids: Fluids) -> None:
    with pytest.raises(FluidError, match=r"R-134a at 20.00 °C is a gas only up to 571\.7"):
        fluids.molar_density("R134a", 6e5, k(20.0))


@pytest.mark.parametrize("p", [0.0, -1.0, 1e12, float("nan")])
def test_impossible_pressures_are_refused(fluids: Fluids, p: float) -> None:
    with pytest.raises(FluidError, match="pressure must be above 0"):
        fluids.molar_density("nitrogen", p, k(20.0))


# REFPROP-fitted correlations at 25 °C and 1 atm, µPa·s, an independent library (`thermo`); for
# nitrogen and air Lemmon and Jacobsen 2004 at 300 K, dilute (from memory).
@pytest.mark.parametrize(
    ("name", "t_k", "micro"),
    [
        ("R134a", 298.15, 11.819),
        ("R744", 298.15, 14.9),
        ("nitrogen", 300.0, 17.8771),
        ("air", 300.0, 18.5230),
        ("R152a", 298.15, 10.081),
        ("R1234yf", 298.15, 11.468),
        ("R32", 298.15, 12.613),
        ("R1234ze(E)", 298.15, 11.942),
    ],
)
def test_viscosity_keeps_its_stated_uncertainty(
    fluids: Fluids, name: str, t_k: float, micro: float
) -> None:
    value, u = fluids.vapour_viscosity(name, t_k, 101325.0)
    assert value * 1e6 == pytest.approx(micro, rel=1.1 * u)
    assert u == (0.10 if name in {"R152a", "R1234yf", "R32", "R1234ze(E)"} else 0.02)


# -- charge density -----------------------------------------------------------------------------


def test_pressure_of_a_charge(fluids: Fluids) -> None:
    it = refrigerant("R134a")
    t_k = k(20.0)
    dew = fluids.saturation_pressure_pa(it, t_k)[1]
    assert fluids.pressure_at_density(it, 240.0 / it.molar_mass, t_k) == dew  # part is liquid
    barely_wet = 1.01 * fluids.saturation_density(it, t_k)[1]
    assert fluids.pressure_at_density(it, barely_wet, t_k) == dew
    assert fluids.pressure_at_density(it, 10.0 / it.molar_mass, t_k) < 0.5 * dew  # all vapour
    with pytest.raises(FluidError, match=r"fill the vessel with liquid: 1300 .* liquid's 1225"):
        fluids.pressure_at_density(it, 1300.0 / it.molar_mass, t_k)


def test_a_charge_of_nothing_is_refused(fluids: Fluids) -> None:
    with pytest.raises(FluidError, match="density of R-744 must be above 0"):
        fluids.pressure_at_density("R744", 0.0, k(40.0))


# -- behaviour ----------------------------------------------------------------------------------


def _sample(fluids: Fluids) -> tuple[object, ...]:
    return (
        fluids.molar_density("nitrogen", 16e5, 293.15),
        fluids.molar_density("R134a", 3e5, 293.15),
        fluids.saturation_pressure_pa("R410A", 293.15),
        fluids.saturation_temperature_k("R134a", 3e5),
        fluids.vapour_viscosity("R744", 310.0, 9e6),
    )


def test_the_same_question_has_the_same_bits_whatever_came_before(fluids: Fluids) -> None:
    expected = _sample(Fluids.load())
    rng = random.Random(20)
    for _ in range(200):
        t_k = rng.uniform(285.0, 303.0)
        fluids.molar_density("nitrogen", rng.uniform(1e2, 5e6), t_k)
        fluids.molar_density("R134a", rng.uniform(1e2, 4e5), t_k)
        fluids.saturation_pressure_pa("R410A", t_k)
        fluids.saturation_temperature_k("R134a", rng.uniform(1e5, 3e6))
        with pytest.raises(FluidError):
            fluids.molar_density("R744", 9e6, t_k)
        assert _sample(fluids) == expected


def test_threads_do_not_disturb_each_other(fluids: Fluids) -> None:
    expected = [fluids.molar_density("nitrogen", 1e5 * i, 250.0 + i) for i in range(1, 9)]
    wrong: list[int] = []

    def ask(i: int) -> None:
        got = {fluids.molar_density("nitrogen", 1e5 * i, 250.0 + i) for _ in range(300)}
        if got != {expected[i - 1]}:
            wrong.append(i)

    threads = [threading.Thread(target=ask, args=(i,)) for i in range(1, 9)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_walls() -> None:
    t_k = 300.0
    assert wall_exponent("rigid", t_k) == (0.0, 0.0)
    copper, aluminium = wall_exponent("copper", t_k)[0], wall_exponent("aluminium", t_k)[0]
    assert (copper, aluminium) == pytest.approx((-0.0153, -0.0207))
    mixed, u = wall_exponent("mixed", t_k)
    assert mixed == pytest.approx((copper + aluminium) / 2.0)
    assert u >= (copper - aluminium) / 2.0
    with pytest.raises(FluidError, match="copper, aluminium, mixed or rigid"):
        wall_exponent("steel", t_k)
