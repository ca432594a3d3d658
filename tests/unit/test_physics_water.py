"""Vapour pressure of water and ice against published values and an independent library."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import iapws97
from iapws._iapws import _Sublimation_Pressure

from holdwatch_physics.water import (
    CRITICAL_PA,
    TRIPLE_K,
    WaterError,
    frost_or_dew_temperature_k,
    log_slope_per_k,
    over_ice_pa,
    over_liquid_pa,
    vapour_pressure_pa,
)


def test_program_check_value_of_the_sublimation_release() -> None:
    # IAPWS R14-08(2011), check value at 230 K: 8.94735·10⁻⁶ MPa (number from memory).
    assert over_ice_pa(230.0) == pytest.approx(8.94735, abs=5e-6)


@pytest.mark.parametrize("t_k", [60.0, 150.0, 200.0, 233.15, 253.15, 263.15, 268.15, 273.15])
def test_ice_agrees_with_an_independent_library(t_k: float) -> None:
    # `iapws` package, R14-08.
    assert over_ice_pa(t_k) == pytest.approx(_Sublimation_Pressure(t_k) * 1e6, rel=1e-9)


@pytest.mark.parametrize("t_k", [273.16, 278.15, 283.15, 293.15, 303.15, 313.15, 373.15, 500.0])
def test_liquid_agrees_with_the_industrial_formulation(t_k: float) -> None:
    # `iapws` package, IF97 region 4, another formula fitted to the same water.
    assert over_liquid_pa(t_k) == pytest.approx(iapws97._PSat_T(t_k) * 1e6, rel=3e-4)


# Published: IF97 release, table 35 (from memory; the `iapws` package gives every digit).
@pytest.mark.parametrize(
    ("t_k", "pascal"), [(300.0, 3536.58941), (500.0, 2.63889776e6), (600.0, 12.3443146e6)]
)
def test_liquid_agrees_with_the_printed_table(t_k: float, pascal: float) -> None:
    assert over_liquid_pa(t_k) == pytest.approx(pascal, rel=3e-4)


@pytest.mark.parametrize(
    ("t_c", "pascal"),
    [(5, 872.6), (10, 1228.2), (20, 2339.3), (25, 3169.9), (30, 4247.0), (40, 7384.9)],
)
def test_liquid_agrees_with_iapws95(t_c: float, pascal: float) -> None:
    # IAPWS-95, computed with the equation of state.
    assert over_liquid_pa(t_c + 273.15) == pytest.approx(pascal, rel=5e-4)


def test_triple_point() -> None:
    # IAPWS: 611.657 Pa at 0.01 °C (from memory); ice and liquid meet there.
    assert over_ice_pa(TRIPLE_K) == pytest.approx(611.657, abs=1e-3)
    assert over_liquid_pa(TRIPLE_K) == pytest.approx(611.657, abs=1e-2)


def test_below_freezing_it_is_ice_not_supercooled_water() -> None:
    # Supercooled liquid would be 286 Pa at −10 °C, 10 % too much.
    assert vapour_pressure_pa(263.15) == pytest.approx(259.87, abs=0.05)
    assert vapour_pressure_pa(233.15) == pytest.approx(12.841, abs=0.01)


# Frost and dew points of vacuum readings, computed independently (R14-08 and SR1-86 inverted).
@pytest.mark.parametrize(
    ("micron", "t_c"),
    [
        (50, -45.65),
        (100, -39.67),
        (250, -31.25),
        (500, -24.48),
        (1000, -17.31),
        (2000, -9.71),
        (5000, 1.20),
        (10_000, 11.23),
        (20_000, 22.13),
    ],
)
def test_frost_and_dew_points_of_vacuum_readings(micron: float, t_c: float) -> None:
    p = micron * 101325.0 / 760e3
    assert frost_or_dew_temperature_k(p) - 273.15 == pytest.approx(t_c, abs=0.02)


@given(st.floats(180.0, 640.0))
def test_the_inverse_undoes_the_formula(t_k: float) -> None:
    assert frost_or_dew_temperature_k(vapour_pressure_pa(t_k)) == pytest.approx(t_k, abs=1e-3)


@given(st.floats(60.0, 640.0).filter(lambda t: abs(t - TRIPLE_K) > 0.01))
def test_the_slope_is_the_derivative(t_k: float) -> None:
    h = 1e-3
    rise = math.log(vapour_pressure_pa(t_k + h) / vapour_pressure_pa(t_k - h)) / (2.0 * h)
    assert log_slope_per_k(t_k) == pytest.approx(rise, rel=1e-5)


def test_liquid_water_moves_with_the_wall() -> None:
    # 145 Pa per kelvin at 20 °C: what a drifting room does to a wet vacuum.
    t_k = 293.15
    assert log_slope_per_k(t_k) * vapour_pressure_pa(t_k) == pytest.approx(145.0, abs=1.0)


@pytest.mark.parametrize("t_k", [49.9, 647.2, math.nan, -1.0])
def test_no_vapour_pressure_outside_the_range(t_k: float) -> None:
    with pytest.raises(WaterError):
        vapour_pressure_pa(t_k)


@pytest.mark.parametrize("p", [0.0, -1.0, math.nan, CRITICAL_PA * 1.01])
def test_no_frost_point_of_an_impossible_pressure(p: float) -> None:
    with pytest.raises(WaterError):
        frost_or_dew_temperature_k(p)
