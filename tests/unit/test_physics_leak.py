"""Leak laws against worked examples, their ideal limits, and the numbers we print."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_physics.fluids import (
    R_GAS,
    FlowState,
    Fluid,
    FluidError,
    Fluids,
    fluid,
    gas,
    refrigerant,
)
from holdwatch_physics.leak import (
    YEAR_S,
    Law,
    LeakError,
    Restatement,
    g_per_year_to_mol_per_s,
    mol_per_s_to_g_per_year,
    mol_per_s_to_pa_m3_per_s,
    molecular_flow,
    pa_m3_per_s_to_mol_per_s,
    rate_of_rise_mol_per_s,
    restate_air_inflow,
    restate_pressure_test,
)

ATMOSPHERE = 101325.0
T20 = 293.15
T25 = 298.15


@dataclass(frozen=True)
class IdealFluids:
    """Ideal gases of constant viscosity: every integral of a restatement in closed form."""

    saturation_pa: float
    viscosity: dict[str, float]

    def saturation_pressure_pa(self, of: Fluid | str, t_k: float) -> tuple[float, float]:  # noqa: ARG002 - the protocol's signature
        return self.saturation_pa, self.saturation_pa

    def saturation_density(self, of: Fluid | str, t_k: float) -> tuple[float, float]:  # noqa: ARG002 - the protocol's signature
        return 1e4, self.saturation_pa / (R_GAS * t_k)

    def molar_density(self, of: Fluid | str, p_pa: float, t_k: float) -> float:  # noqa: ARG002 - the protocol's signature
        return p_pa / (R_GAS * t_k)

    def pressure_at_density(self, of: Fluid | str, rho_molar: float, t_k: float) -> float:  # noqa: ARG002 - the protocol's signature
        return min(rho_molar * R_GAS * t_k, self.saturation_pa)

    def flow_state(self, of: Fluid | str, rho_molar: float, t_k: float) -> FlowState:
        it = fluid(of) if isinstance(of, str) else of
        return FlowState(rho_molar * R_GAS * t_k, R_GAS * t_k, self.viscosity[it.name])


LOADED = Fluids.load()  # hypothesis asks for hundreds of states: one object for all of them


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return LOADED


def throughput_ratio(restated: Restatement, law: Law, name: str, t_k: float) -> float:
    """Return the refrigerant's Pa·m³/s for 1 Pa·m³/s of the test gas, both at one temperature."""
    mol_per_s = pa_m3_per_s_to_mol_per_s(1.0, t_k)
    out = g_per_year_to_mol_per_s(restated.g_per_year(mol_per_s, law), name)
    return mol_per_s_to_pa_m3_per_s(out, t_k)


# -- amounts and rates --------------------------------------------------------------------------


def test_rate_of_rise_of_the_federal_example() -> None:
    # 40 CFR 1065.644, worked example: 2.0000 L, 25.300 to 50.600 kPa in 70 s at 293.15 K.
    n = rate_of_rise_mol_per_s(2.0e-3, 25300.0, T20, 50600.0, T20, 70.0)
    assert n == pytest.approx(2.966e-4, abs=1e-7)
    assert mol_per_s_to_pa_m3_per_s(n, T20) == pytest.approx(0.722857, abs=1e-6)


# Measured rate-of-rise rows of a vacuum laboratory (relozwall, BSD-3: R3N18 outgassing table):
# base and peak in mTorr, seconds, and the throughput reported there in Torr·L/s; 34.00 L.
@pytest.mark.parametrize(
    ("base", "peak", "dt_s", "reported"),
    [
        (19.0, 47.0, 1.2861516, 0.7401927),
        (18.0, 30.0, 1.2942522, 0.3152400),
        (4.4, 15.0, 1.4657114, 0.2458874),
        (4.7, 11.0, 1.6219263, 0.1320652),
    ],
)
def test_rate_of_rise_of_measured_vacuum_rows(
    base: float, peak: float, dt_s: float, reported: float
) -> None:
    millitorr = 101325.0 / 760e3
    n = rate_of_rise_mol_per_s(34.00e-3, base * millitorr, T20, peak * millitorr, T20, dt_s)
    torr_l_per_s = mol_per_s_to_pa_m3_per_s(n, T20) / (1e3 * millitorr * 1e-3)
    assert torr_l_per_s == pytest.approx(reported, rel=2e-3)


def test_temperature_and_compressibility_are_taken_out() -> None:
    # A tight vessel that warms: pressure rises with Z·T, the amount does not change.
    p2 = 1e6 * (0.999 * 303.15) / (0.998 * T20)
    n = rate_of_rise_mol_per_s(2.5e-3, 1e6, T20, p2, 303.15, 60.0, z1=0.998, z2=0.999)
    assert n == pytest.approx(0.0, abs=1e-12)


def test_rates_need_time_and_volume() -> None:
    with pytest.raises(LeakError, match="later"):
        rate_of_rise_mol_per_s(2e-3, 1.0, T20, 2.0, T20, 0.0)
    with pytest.raises(LeakError, match="volume"):
        rate_of_rise_mol_per_s(0.0, 1.0, T20, 2.0, T20, 1.0)


# Arithmetic from the gas constant and molar masses: 1 g/yr as Pa·m³/s at 20 °C.
@pytest.mark.parametrize(
    ("name", "pa_m3_per_s"),
    [
        ("R134a", 7.56979e-7),
        ("R1234yf", 6.77262e-7),
        ("R744", 1.75497e-6),
        ("R152a", 1.16934e-6),
        ("R32", 1.48462e-6),
        ("R410A", 1.06407e-6),
    ],
)
def test_grams_a_year_as_throughput(name: str, pa_m3_per_s: float) -> None:
    n = g_per_year_to_mol_per_s(1.0, name)
    assert mol_per_s_to_pa_m3_per_s(n, T20) == pytest.approx(pa_m3_per_s, rel=1e-5)
    assert mol_per_s_to_g_per_year(n, name) == pytest.approx(1.0, rel=1e-12)


def test_standard_cubic_centimetres() -> None:
    # NIST SP 811: 1 cm³/s at 0 °C and 101325 Pa is 4.461503·10⁻⁵ mol/s; 1 sccm 1.6888·10⁻³ Pa·m³/s.
    assert pa_m3_per_s_to_mol_per_s(0.101325, 273.15) == pytest.approx(4.461503e-5, rel=1e-6)
    assert pytest.approx(1.6888e-3, rel=1e-4) == 0.101325 / 60.0


def test_a_year() -> None:
    assert YEAR_S == 31_557_600.0


# -- the laws in their ideal limit --------------------------------------------------------------


def test_pressure_squared_law() -> None:
    # Worked example: 20 bar instead of 10 onto 1 atm gives 399/99 of the laminar flow.
    ideal = IdealFluids(20.0 * ATMOSPHERE, {"nitrogen": 17e-6, "R-744": 17e-6})
    r = restate_pressure_test(ideal, "nitrogen", 10 * ATMOSPHERE, ATMOSPHERE, T20, "R744", T20)
    assert throughput_ratio(r, Law.LAMINAR, "R744", T20) == pytest.approx(399 / 99, rel=1e-9)


def test_nitrogen_test_to_service() -> None:
    # Worked example (arithmetic): 1e-6 Pa·m³/s of nitrogen at 11 bar absolute, R-134a at 5.717
    # bar, 20 °C: laminar 3.9897e-7 Pa·m³/s = 0.52706 g/yr.
    ideal = IdealFluids(5.717e5, {"nitrogen": 17.573e-6, "R-134a": 11.623e-6})
    r = restate_pressure_test(ideal, "nitrogen", 11e5, ATMOSPHERE, T20, "R134a", T20)
    assert throughput_ratio(r, Law.LAMINAR, "R134a", T20) == pytest.approx(0.39897, rel=2e-4)
    n = pa_m3_per_s_to_mol_per_s(1e-6, T20)
    assert r.g_per_year(n) == pytest.approx(0.52706, rel=2e-4)


def test_molecular_flow_of_the_worked_example() -> None:
    # Same example with total pressures on both sides: 2.4680e-7 Pa·m³/s.
    n2 = molecular_flow(gas("nitrogen").molar_mass, 11e5 - ATMOSPHERE, T20)
    r134a = molecular_flow(refrigerant("R134a").molar_mass, 5.717e5 - ATMOSPHERE, T20)
    assert r134a / n2 == pytest.approx(0.24680, rel=2e-4)


@pytest.mark.parametrize(
    ("name", "ratio"), [("R134a", 0.524), ("R1234yf", 0.496), ("R744", 0.798), ("R152a", 0.651)]
)
def test_molecular_ratio_is_the_root_of_the_masses(fluids: Fluids, name: str, ratio: float) -> None:
    # Arithmetic, √(M of nitrogen / M): with equal driving pressures only the masses remain.
    p = fluids.saturation_pressure_pa(name, T20)[1]
    p_up = p + 0.7808 * ATMOSPHERE
    r = restate_pressure_test(fluids, "nitrogen", p_up, ATMOSPHERE, T20, name, T20)
    assert throughput_ratio(r, Law.MOLECULAR, name, T20) == pytest.approx(ratio, rel=2e-3)


def test_outside_pressure_is_the_gas_s_own(fluids: Fluids) -> None:
    # Nitrogen meets nitrogen outside, helium meets none: at 2 bar that is 0.78 of an atmosphere.
    def factor(name: str) -> float:
        r = restate_pressure_test(fluids, name, 2e5, ATMOSPHERE, T20, "R134a", T20)
        return r.factor(Law.MOLECULAR)

    mass = math.sqrt(gas("nitrogen").molar_mass / gas("helium").molar_mass)
    driven = 2e5 / (2e5 - 0.7808 * ATMOSPHERE)
    assert factor("nitrogen") / factor("helium") == pytest.approx(mass * driven, rel=1e-9)


# The ideal p² form is low: ∫ρ dp of the real vapour is this much larger, at 25 °C.
@pytest.mark.parametrize(
    ("name", "excess"), [("R134a", 0.11), ("R1234yf", 0.13), ("R410A", 0.21), ("R744", 0.44)]
)
def test_what_the_ideal_pressure_squared_form_misses(
    fluids: Fluids, name: str, excess: float
) -> None:
    class FlatViscosity(Fluids):
        def flow_state(self, of: Fluid | str, rho_molar: float, t_k: float) -> FlowState:
            state = super().flow_state(of, rho_molar, t_k)
            return FlowState(state.pressure_pa, state.dp_drho, 1e-5)

    flat = FlatViscosity(fluids._tables, fluids.equations)
    p = fluids.saturation_pressure_pa(name, T25)[1]
    ideal = IdealFluids(p, {"nitrogen": 1e-5, refrigerant(name).name: 1e-5})
    # A test pressure just above the room's keeps nitrogen ideal.
    real, low = (
        restate_pressure_test(f, "nitrogen", 1.02e5, ATMOSPHERE, T25, name, T25).laminar
        for f in (flat, ideal)
    )
    assert real / low - 1.0 == pytest.approx(excess, abs=0.006)


# -- the figures that are printed ---------------------------------------------------------------


def test_scale_of_a_decay_in_a_van(fluids: Fluids) -> None:
    # 2.5 L, 15 bar gauge, R-134a at 25 °C: 500 g/yr is 2.1 kPa an hour by the ideal form, and
    # 11 % less nitrogen for the same grams by the real one.
    p_up = 15e5 + ATMOSPHERE
    r = restate_pressure_test(fluids, "nitrogen", p_up, ATMOSPHERE, T20, "R134a", T25)
    pascal_per_hour = r.mol_per_s(500.0) * R_GAS * T20 / 2.5e-3 * 3600.0
    assert pascal_per_hour == pytest.approx(2100.0 / 1.11, rel=0.06)


def test_scale_of_air_into_a_vacuum(fluids: Fluids) -> None:
    # 1 Pa a minute of air into 2.5 L is about 3600 g/yr of R-134a by the ideal form.
    r = restate_air_inflow(fluids, ATMOSPHERE, 66.0, T20, "R134a", T25)
    n = pa_m3_per_s_to_mol_per_s(2.5e-3 / 60.0, T20)
    assert r.g_per_year(n) == pytest.approx(3600.0 * 1.11, rel=0.05)


def test_air_inflow_in_the_ideal_limit() -> None:
    ideal = IdealFluids(6e5, {"air": 18e-6, "R-134a": 12e-6})
    r = restate_air_inflow(ideal, ATMOSPHERE, 100.0, T20, "R134a", T20)
    expected = 18 / 12 * (6e5**2 - ATMOSPHERE**2) / (ATMOSPHERE**2 - 100.0**2)
    assert throughput_ratio(r, Law.LAMINAR, "R134a", T20) == pytest.approx(expected, rel=1e-9)
    mass = math.sqrt(gas("air").molar_mass / refrigerant("R134a").molar_mass)
    molecular = mass * 6e5 / (ATMOSPHERE - 100.0)
    assert throughput_ratio(r, Law.MOLECULAR, "R134a", T20) == pytest.approx(molecular, rel=1e-9)


@given(st.floats(2e5, 40e5), st.floats(270.0, 320.0), st.floats(270.0, 320.0))
def test_there_and_back_under_both_laws(p_up: float, t_k: float, reference: float) -> None:
    r = restate_pressure_test(LOADED, "nitrogen", p_up, 9e4, t_k, "R134a", reference)
    for law in Law:
        assert r.mol_per_s(r.g_per_year(1e-7, law), law) == pytest.approx(1e-7, rel=1e-12)
        assert r.by_law(1e-7)[law] == r.g_per_year(1e-7, law)
        assert r.g_per_year_per_mol_per_s[law.value] == r.factor(law) > 0.0


def test_uncertainty_comes_from_the_viscosities(fluids: Fluids) -> None:
    def u(name: str) -> float:
        r = restate_pressure_test(fluids, "nitrogen", 16e5, ATMOSPHERE, T20, name, T25)
        assert r.relative_uncertainty(Law.MOLECULAR) == 0.0
        return r.relative_uncertainty()

    assert u("R1234yf") == u("R152a") == u("R32") == pytest.approx(math.hypot(0.10, 0.02))
    assert u("R134a") == pytest.approx(math.hypot(0.02, 0.02))


# -- charges that may all be gas ----------------------------------------------------------------


def test_carbon_dioxide_on_a_hot_day_asks_for_the_charge_density(fluids: Fluids) -> None:
    with pytest.raises(FluidError, match=r"R-744 .*30.98 °C.*charge density"):
        restate_pressure_test(fluids, "nitrogen", 40e5, ATMOSPHERE, T20, "R744", 308.15)
    r = restate_pressure_test(
        fluids, "nitrogen", 40e5, ATMOSPHERE, T20, "R744", 308.15, density=240.0
    )
    assert 7.0e6 < r.refrigerant_pa < 7.5e6
    assert r.laminar > 0.0


def test_a_small_charge_that_is_all_vapour_leaks_less(fluids: Fluids) -> None:
    def laminar(density: float | None) -> float:
        return restate_air_inflow(
            fluids, ATMOSPHERE, 66.0, T20, "R134a", T25, density=density
        ).laminar

    assert laminar(240.0) == pytest.approx(laminar(None), rel=1e-9)  # part of it is liquid
    assert laminar(10.0) < 0.5 * laminar(None)


def test_the_path_is_continuous_through_the_critical_temperature(fluids: Fluids) -> None:
    below, above = (
        restate_air_inflow(fluids, ATMOSPHERE, 66.0, T20, "R744", t_k, density=300.0).laminar
        for t_k in (304.12, 304.14)
    )
    assert above == pytest.approx(below, rel=1e-3)


# -- refusals -----------------------------------------------------------------------------------


def test_a_flow_needs_a_pressure_difference(fluids: Fluids) -> None:
    with pytest.raises(LeakError, match="must be above the room's"):
        restate_pressure_test(fluids, "nitrogen", ATMOSPHERE, ATMOSPHERE, T20, "R134a", T25)
    with pytest.raises(LeakError, match="must be below the room's"):
        restate_air_inflow(fluids, ATMOSPHERE, ATMOSPHERE, T20, "R134a", T25)


def test_a_refrigerant_below_the_room_s_pressure_does_not_leak_out(fluids: Fluids) -> None:
    # R-600a boils at −11.7 °C: in the cold it draws air in instead.
    with pytest.raises(LeakError, match=r"R-600a at -20.00 °C.*higher reference temperature"):
        restate_pressure_test(fluids, "nitrogen", 10e5, ATMOSPHERE, T20, "R600a", 253.15)


def test_an_unknown_law_is_no_law(fluids: Fluids) -> None:
    r = restate_air_inflow(fluids, ATMOSPHERE, 66.0, T20, "R134a", T25)
    assert r.factor(Law("laminar-viscous")) == r.laminar
    with pytest.raises(ValueError, match="turbulent"):
        Law("turbulent")


def test_a_vacuum_that_reads_a_little_below_zero_is_zero(fluids: Fluids) -> None:
    below = restate_air_inflow(fluids, ATMOSPHERE, -20.0, T20, "R134a", T25)
    zero = restate_air_inflow(fluids, ATMOSPHERE, 0.0, T20, "R134a", T25)
    assert below == zero


def test_a_restatement_is_built_in_a_blink(fluids: Fluids) -> None:
    restate_pressure_test(fluids, "nitrogen", 16e5, ATMOSPHERE, T20, "R744", T25)
    start = time.perf_counter()
    for _ in range(10):
        restate_pressure_test(fluids, "nitrogen", 16e5, ATMOSPHERE, T20, "R744", T25)
    assert (time.perf_counter() - start) / 10 < 0.050
