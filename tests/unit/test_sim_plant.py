"""The simulated system keeps its books and obeys published physics."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws import _iapws
from iapws.iapws97 import _PSat_T

from holdwatch_simulators import fluid_data as fd
from holdwatch_simulators import garage, instruments
from holdwatch_simulators.garage import Overrides
from holdwatch_simulators.leak_path import LeakPath
from holdwatch_simulators.moisture import FreeWater, MoistureSpec
from holdwatch_simulators.plant import Plant, PlantSpec
from holdwatch_simulators.scenario import Run
from holdwatch_simulators.thermal import ThermalSpec
from holdwatch_simulators.weather import RecordedWeather, ShopWeather, WeatherSpec

RIGID = ThermalSpec(expansion_per_k=0.0)


@dataclass
class Still:
    """A shop whose air a test sets by hand."""

    ambient_k: float = 293.15
    barometer_pa: float = 101_325.0

    def step(self, dt_s: float) -> None:
        """Stand still."""


def run_for(plant: Plant, seconds: float, dt_s: float = 1.0) -> None:
    for _ in range(round(seconds / dt_s)):
        plant.step(dt_s)


def charged(spec: PlantSpec, to_pa: float = 1.0e6, weather: Still | None = None) -> Plant:
    """Return a plant under nitrogen, its regulator shut and everything at rest."""
    plant = Plant(spec, weather or Still())
    plant.charge_to_pa = to_pa
    run_for(plant, 3600.0)
    plant.charge_to_pa = None
    return plant


def pumped(spec: PlantSpec, seconds: float = 1200.0) -> Plant:
    plant = Plant(spec, Still())
    plant.pump_running = plant.vacuum_valve_open = True
    run_for(plant, seconds)
    plant.vacuum_valve_open = False
    return plant


def balance(plant: Plant, at_start: float) -> float:
    """Return what is inside less what the ledger says must be, mol."""
    ledger = plant.ledger
    came = ledger.leaked_in + ledger.charged + ledger.water_released + ledger.refrigerant_released
    went = ledger.leaked_out + ledger.pumped + ledger.vented
    return plant.gas.total - (at_start + came - went)


@pytest.mark.parametrize("name", garage.NAMES)
def test_every_scenario_keeps_its_mass_balance(name: str) -> None:
    run = Run(garage.scenario(name, Overrides(duration_s=2400.0)), seed=3)
    at_start = run.plant.gas.total
    for _ in run.events():
        pass
    assert run.plant.gas.total > 0.0
    assert balance(run.plant, at_start) == pytest.approx(0.0, abs=1e-12)


def test_a_vented_and_knocked_system_keeps_its_mass_balance_and_comes_to_the_shops_air() -> None:
    plant = Plant(PlantSpec(), Still())
    at_start = plant.gas.total
    plant.charge_to_pa = 8e5
    run_for(plant, 300.0)
    plant.charge_to_pa = None
    before = plant.pressure_pa
    plant.lose(0.1)
    assert plant.pressure_pa < 0.9 * before  # the expansion cools what stays
    plant.vent_open = True
    run_for(plant, 1200.0)
    assert plant.pressure_pa == pytest.approx(101_325.0, rel=1e-3)
    assert balance(plant, at_start) == pytest.approx(0.0, abs=1e-12)


def test_a_tight_system_keeps_its_gas_through_hours_of_weather() -> None:
    run = Run(garage.scenario("nitrogen-tight", Overrides(duration_s=4 * 3600.0)), seed=5)
    amounts = []
    for event in run.events():
        del event
        if run.t_s >= 300.0:
            amounts.append(run.plant.gas.total)
    assert max(amounts) == min(amounts) > 1.0


def test_charging_heats_the_gas_and_closing_lets_it_settle() -> None:
    plant = Plant(PlantSpec(), Still())
    plant.charge_to_pa = 1e6
    run_for(plant, 150.0)
    hot = plant.thermal.gas_k
    plant.charge_to_pa = None
    closed = plant.pressure_pa
    run_for(plant, 3600.0)
    assert hot > 303.0
    assert plant.thermal.gas_k == pytest.approx(293.15, abs=0.15)
    assert plant.pressure_pa / closed == pytest.approx(plant.thermal.gas_k / hot, rel=0.01)


def test_a_known_leak_decays_as_the_closed_form_of_the_viscous_law() -> None:
    # Ideal gas: dp/dt = -k (p² - a²) has p = a (1 + c e^{-2akt}) / (1 - c e^{-2akt}),
    # c = (p₀ - a)/(p₀ + a); textbook integral. Nitrogen is within 0.3 % of ideal below 5 bar.
    leak = LeakPath.of_nitrogen_throughput(0.05, 501_325.0, 101_325.0, 293.15)
    plant = charged(PlantSpec(leak=None, thermal=RIGID), to_pa=4e5)
    plant.spec = replace(plant.spec, leak=leak)
    p0, a, t_k = plant.pressure_pa, 101_325.0, plant.thermal.gas_k
    q0 = 0.05 * (p0**2 - a**2) / (501_325.0**2 - a**2)
    k = q0 / (2.5e-3 * (p0**2 - a**2))
    c = (p0 - a) / (p0 + a)
    for minutes in (30.0, 60.0, 120.0, 240.0):
        run_for(plant, minutes * 60.0 - (plant.t_s - 3600.0))
        decay = c * math.exp(-2.0 * a * k * minutes * 60.0)
        expected = a * (1.0 + decay) / (1.0 - decay)
        # Expansion cools the gas behind by some tenths of a kelvin while it leaks.
        isothermal = plant.pressure_pa * t_k / plant.thermal.gas_k
        assert isothermal - a == pytest.approx(expected - a, rel=0.01), minutes


def test_a_leak_into_a_vacuum_is_a_straight_line_of_the_stated_throughput() -> None:
    leak = LeakPath.of_air_inflow(2e-4, 101_325.0, 293.15)
    plant = pumped(PlantSpec(leak=leak, thermal=RIGID))
    first = plant.pressure_pa
    run_for(plant, 1800.0)
    # Q = V dp/dt, rate-of-rise formula; air comes in at the vessel's own temperature.
    assert 2.5e-3 * (plant.pressure_pa - first) / 1800.0 == pytest.approx(2e-4, rel=2e-3)


def test_the_pump_reaches_its_ultimate_pressure_and_no_less() -> None:
    plant = pumped(PlantSpec(), 3600.0)
    assert plant.pressure_pa == pytest.approx(plant.spec.pump.ultimate_pa, rel=0.02)


def test_grams_a_year_are_those_of_the_published_throughput_table() -> None:
    # 1 g/yr of R-134a at 25 °C is 7.69890e-7 Pa·m³/s (Julian year, ideal gas).
    q = 7.69890e-7
    gas = fd.refrigerant("R-134a")
    mol_per_s = 1e-3 / gas.kg_per_mol / fd.YEAR_S
    assert mol_per_s * fd.GAS_CONSTANT * 298.15 == pytest.approx(q, rel=1e-5)


@pytest.mark.parametrize(
    ("name", "tolerance"),
    # The predictive viscosities of CoolProp lie above the reference fits by these shares.
    [
        ("R134a", 0.003),
        ("R1234yf", 0.10),
        ("R410A", 0.003),
        ("R32", 0.08),
        ("R152a", 0.12),
        ("R744", 0.01),
        ("R290", 0.003),
        ("R22", 0.003),
        ("R1234ze(E)", 0.05),
    ],
)
def test_refrigerant_flow_integrals_agree_with_the_equations_of_state(
    name: str, tolerance: float
) -> None:
    gas = fd.refrigerant(name)
    count = 200
    low, high = 101_325.0, gas.saturation_pa * 0.9999
    total = 0.0
    for k in range(count):
        p = low + (k + 0.5) * (high - low) / count
        rho = PropsSI("Dmolar", "T", 298.15, "P", p, name)
        total += rho / PropsSI("V", "T", 298.15, "P", p, name) * (high - low) / count
    assert gas.flow_integral() == pytest.approx(total, rel=tolerance)


def test_nitrogen_ten_kelvin_at_ten_bar_gauge_moves_as_the_real_gas() -> None:
    weather = Still(ambient_k=293.15)
    plant = charged(PlantSpec(thermal=RIGID), 1.0e6, weather)
    run_for(plant, 12 * 3600.0, 10.0)
    p1, t1 = plant.pressure_pa, plant.thermal.gas_k
    weather.ambient_k = 303.15
    run_for(plant, 12 * 3600.0, 10.0)
    p2, t2 = plant.pressure_pa, plant.thermal.gas_k
    rho = PropsSI("Dmolar", "T", t1, "P", p1, "Nitrogen")
    real = PropsSI("P", "T", t2, "Dmolar", rho, "Nitrogen") - p1
    ideal = p1 * (t2 / t1) - p1
    assert t2 - t1 == pytest.approx(10.0, abs=0.05)
    assert p2 - p1 == pytest.approx(real, rel=2e-4)
    assert abs(p2 - p1 - ideal) > 0.02 * real  # an ideal gas would not do


@pytest.mark.parametrize(
    ("t_c", "bar", "kg_per_m3"),
    # Span et al. 2000 by CoolProp 8.0.0.
    [(5, 5, 6.0681), (20, 10, 11.5184), (25, 20, 22.6699), (35, 35, 38.3270)],
)
def test_nitrogen_densities_are_those_of_the_equation_of_state(
    t_c: float, bar: float, kg_per_m3: float
) -> None:
    density = kg_per_m3 / fd.NITROGEN_KG_PER_MOL
    assert fd.nitrogen_pressure(density, 273.15 + t_c) == pytest.approx(bar * 1e5, rel=5e-5)


def test_the_density_integral_is_the_integral_of_density() -> None:
    t_k, count, high = 293.15, 2000, 3.5e6
    total = sum(
        PropsSI("Dmolar", "T", t_k, "P", (k + 0.5) * high / count, "Nitrogen") * high / count
        for k in range(count)
    )
    assert fd.nitrogen_density_integral(high, t_k) == pytest.approx(total, rel=2e-4)


@pytest.mark.parametrize(
    ("t_c", "pa", "rel"),
    # IAPWS R14-08 (ice) and IAPWS-IF97 (liquid), by the iapws package 1.5.5.
    [
        (-40, 12.841, 1e-3),
        (-20, 103.239, 1e-3),
        (-10, 259.874, 1e-3),
        (0.01, 611.657, 1e-4),
        (10, 1228.18, 5e-4),
        (20, 2339.22, 5e-4),
        (40, 7384.43, 5e-4),
    ],
)
def test_water_vapour_pressure_is_that_of_the_tables(t_c: float, pa: float, rel: float) -> None:
    assert fd.water_vapour_pressure(273.15 + t_c) == pytest.approx(pa, rel=rel)


@given(st.floats(min_value=223.15, max_value=333.15))
def test_water_vapour_pressure_agrees_with_an_independent_package(t_k: float) -> None:
    if t_k < 273.16:
        other = _iapws._Sublimation_Pressure(t_k) * 1e6
    else:
        other = _PSat_T(t_k) * 1e6
    assert fd.water_vapour_pressure(t_k) == pytest.approx(other, rel=5e-4)


def test_moisture_levels_off_at_the_vapour_pressure_of_the_wall() -> None:
    spec = PlantSpec(moisture=MoistureSpec(liquid_g=5.0, evaporation_s=120.0, wall_w_per_k=20.0))
    plant = pumped(spec)
    pumped_pa = plant.pressure_pa
    run_for(plant, 3600.0)
    # 20 °C: 2339.2 Pa of water (IAPWS) above the 4 Pa or less that the pump left.
    assert plant.gas.water > 0.99 * plant.gas.total
    assert pumped_pa < 200.0
    assert plant.pressure_pa == pytest.approx(2339.2, rel=5e-3)


def test_water_that_boils_fast_under_the_pump_freezes_and_stays_below_the_triple_point() -> None:
    spec = PlantSpec(moisture=MoistureSpec(liquid_g=0.5, evaporation_s=4.0, wall_w_per_k=0.002))
    plant = pumped(spec, 900.0)
    assert plant.water.frozen == 1.0
    assert plant.water.t_k < 273.15
    run_for(plant, 60.0)
    assert plant.pressure_pa < 611.7
    assert plant.pressure_pa == pytest.approx(
        fd.water_vapour_pressure(plant.water.t_k) + 4.0, abs=8.0
    )


def test_ice_thaws_on_a_warm_wall_and_takes_its_heat_of_melting() -> None:
    ice = FreeWater(MoistureSpec(liquid_g=1.0, wall_w_per_k=0.1), 263.15)
    vapour = fd.water_vapour_pressure(263.15) * 1e-6
    seconds = 0
    while ice.frozen > 0.0:
        vapour += ice.exchange(1.0, vapour, 1e-6, 283.15)
        seconds += 1
    # 0.0555 mol · (6010 + 378) J/mol through 0.1 W/K from 10 K and more: about 340 s.
    assert 250 < seconds < 420
    assert ice.t_k == pytest.approx(273.15, abs=1.0)


def test_vapour_condenses_on_a_wall_that_grows_cold() -> None:
    water = FreeWater(MoistureSpec(liquid_g=0.1, evaporation_s=10.0), 293.15)
    mol_per_pa = 1e-6
    vapour = 2339.0 * mol_per_pa
    total = vapour + water.mol
    for _ in range(3600):
        vapour += water.exchange(1.0, vapour, mol_per_pa, 278.15)
    assert vapour / mol_per_pa == pytest.approx(872.6, rel=5e-3)  # IAPWS at 5 °C
    assert vapour + water.mol == pytest.approx(total, rel=1e-12)


def test_refrigerant_leaves_oil_by_the_square_root_of_time() -> None:
    spec = PlantSpec(moisture=MoistureSpec(oil_pa=100.0, oil_s=10_000.0, oil_law="sqrt"))
    plant = pumped(spec, 400.0)
    start = plant.ledger.refrigerant_released
    whole = 100.0 * 2.5e-3 / (fd.GAS_CONSTANT * 293.15)
    exposed = (start / whole) ** 2 * 10_000.0
    run_for(plant, 1600.0)
    expected = whole * math.sqrt((exposed + 1600.0) / 10_000.0)
    assert plant.ledger.refrigerant_released == pytest.approx(expected, rel=1e-9)
    run_for(plant, 10_000.0)
    assert plant.ledger.refrigerant_released == pytest.approx(whole, rel=1e-9)


def test_a_dry_tight_vacuum_rises_less_than_the_shop_would_mind() -> None:
    run = Run(garage.scenario("demo-bm01"), seed=1)
    at_isolation = math.nan
    for _ in run.events():
        if run.t_s == 1080.0:
            at_isolation = run.plant.pressure_pa
    assert at_isolation < 500 * instruments.MICRON_PA
    assert 0.0 < run.plant.pressure_pa - at_isolation < 30.0


@settings(max_examples=8, deadline=None)
@given(
    volume_l=st.floats(0.5, 20.0),
    grams=st.floats(0.0, 1e5),
    ambient_c=st.floats(-10.0, 45.0),
    name=st.sampled_from(garage.NAMES),
)
def test_no_plausible_setting_makes_the_system_unphysical(
    volume_l: float, grams: float, ambient_c: float, name: str
) -> None:
    overrides = Overrides(
        volume_m3=volume_l / 1000.0, leak_g_per_year=grams, ambient_c=ambient_c, duration_s=1500.0
    )
    run = Run(garage.scenario(name, overrides), seed=2)
    for _ in run.events():
        assert 150.0 < run.plant.thermal.gas_k < 450.0  # adiabatic for seconds at worst
        assert 0.0 < run.plant.pressure_pa < 1.7e6
        assert run.plant.gas.water >= 0.0


def test_weather_wanders_with_the_stated_size() -> None:
    import numpy as np  # noqa: PLC0415  # only here

    spec = WeatherSpec(ramp_k_per_h=0.0, swing_k=0.0, wander_k=0.3, wander_s=100.0, doors_per_h=0.0)
    weather = ShopWeather(spec, np.random.default_rng(4))
    values = []
    for _ in range(20_000):
        weather.step(10.0)
        values.append(weather.ambient_k)
    assert np.std(values) == pytest.approx(0.3, rel=0.1)
    assert np.mean(values) == pytest.approx(293.15, abs=0.05)


def test_recorded_weather_plays_back_between_its_points() -> None:
    weather = RecordedWeather([0.0, 60.0, 120.0], [290.0, 292.0, 291.0], [1e5, 1.01e5, 1.0e5])
    weather.step(30.0)
    assert weather.ambient_k == pytest.approx(291.0)
    weather.step(60.0)
    assert weather.ambient_k == pytest.approx(291.5)
    assert weather.barometer_pa == pytest.approx(100_500.0)
    weather.step(1e6)
    assert weather.ambient_k == pytest.approx(291.0)
    with pytest.raises(ValueError, match="times that rise"):
        RecordedWeather([0.0, 0.0], [290.0, 290.0], [1e5, 1e5])


def test_a_leak_by_the_molecular_law_falls_with_the_pressure_difference() -> None:
    path = LeakPath.of_grams_per_year(1000.0, "R134a", "molecular")
    high = path.nitrogen_out(1.1e6, 1e5, 293.15)
    low = path.nitrogen_out(0.6e6, 1e5, 293.15)
    assert high / low == pytest.approx((1.1e6 - 0.78e5) / (0.6e6 - 0.78e5))
    # Same Δp and temperature: √(M_R134a/M_N2) more moles of nitrogen, Graham's law.
    at_same = path.nitrogen_out(665_381.0 + 0.78e5, 1e5, 298.15)
    refrigerant_mol = 1.0 / 0.102032 / fd.YEAR_S
    assert at_same / refrigerant_mol == pytest.approx(math.sqrt(0.102032 / 0.0280134), rel=1e-6)


def test_the_leak_that_was_asked_for_is_the_leak_that_flows() -> None:
    run = Run(garage.scenario("nitrogen-leak", Overrides(leak_pa_m3_per_s=0.02)), seed=1)
    for _ in run.events():
        if run.t_s == 301.0:
            break
    plant = run.plant
    q = plant.leak_mol_per_s * fd.GAS_CONSTANT * plant.thermal.pipe_k
    p, a = plant.pressure_pa, plant.weather.barometer_pa
    asked_at = 1e6 + 100_600.0
    assert q == pytest.approx(0.02 * (p**2 - a**2) / (asked_at**2 - 100_600.0**2), rel=5e-3)


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        (Overrides(volume_m3=0.0), "volume"),
        (Overrides(leak_g_per_year=1.0, leak_pa_m3_per_s=1e-4), "not both"),
        (Overrides(leak_pa_m3_per_s=1e-4, leak_law="molecular"), "laminar"),
        (Overrides(refrigerant="R999", leak_g_per_year=5.0), "R999"),
        (Overrides(pressure_pa=1e9), "nitrogen pressure"),
    ],
)
def test_impossible_figures_are_refused_by_name(overrides: Overrides, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        garage.scenario("nitrogen-leak", overrides)
