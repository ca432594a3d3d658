"""Internal volume by expansion: by hand with the gas law, and in a bottle simulated otherwise."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from holdwatch_physics.fluids import R_GAS, Fluids
from holdwatch_procedures.vehicles.expansion import (
    Bottle,
    ExpansionReadings,
    Instruments,
    expanded_volume,
    expected_pressure,
)
from holdwatch_procedures.vehicles.validation import VehicleError

BOTTLE = Bottle(1.0e-3, 2e-6)


class Ideal:
    """Nitrogen as the ideal gas, for sums by hand."""

    def molar_density(self, of: str, p_pa: float, t_k: float) -> float:
        assert of == "nitrogen"
        return p_pa / (R_GAS * t_k)


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return Fluids.load()


# Second virial coefficient of nitrogen, m³/mol, a straight line between -10.3 at 273.15 K and
# -4.7 at 300 K (published tables, from memory; 1 cm³/mol off moves the volume by 0.04 %).
def virial_b(t_k: float) -> float:
    return (-10.3 + (t_k - 273.15) * 5.6 / 26.85) * 1e-6


def virial_density(p_pa: float, t_k: float) -> float:
    """Density from p = ρRT(1 + Bρ), the root of a quadratic."""
    b = virial_b(t_k)
    return (-1.0 + math.sqrt(1.0 + 4.0 * b * p_pa / (R_GAS * t_k))) / (2.0 * b)


def simulated(unit_m3: float, hose_m3: float, p_pa: float, left_pa: float) -> ExpansionReadings:
    """Open a bottle of nitrogen, 20 °C, into a unit at 24 °C: count moles until both agree."""
    t_bottle, t_unit = 293.15, 297.15
    moles = BOTTLE.volume_m3 * virial_density(p_pa, t_bottle)
    moles += (unit_m3 + hose_m3) * virial_density(left_pa, t_unit)
    low, high = left_pa, p_pa
    for _ in range(200):
        middle = 0.5 * (low + high)
        held = BOTTLE.volume_m3 * virial_density(middle, t_bottle)
        held += (unit_m3 + hose_m3) * virial_density(middle, t_unit)
        low, high = (middle, high) if held < moles else (low, middle)
    return ExpansionReadings(p_pa, t_bottle, left_pa, low, t_bottle, t_unit, hose_m3)


def test_by_hand_with_the_gas_law() -> None:
    """1 L at 1000 kPa, 200 kPa after, all at one temperature: 1·(1000 - 200)/200 = 4 L."""
    read = ExpansionReadings(1000e3, 293.15, 0.0, 200e3, 293.15, 293.15)
    assert expanded_volume(Ideal(), BOTTLE, read).volume_m3 == pytest.approx(4.0e-3)
    with_hose = replace(read, hose_m3=0.1e-3)
    assert expanded_volume(Ideal(), BOTTLE, with_hose).volume_m3 == pytest.approx(3.9e-3)
    left = replace(read, unit_before_pa=2e3)  # 2 kPa left: 800/198
    assert expanded_volume(Ideal(), BOTTLE, left).volume_m3 == pytest.approx(800 / 198 * 1e-3)
    warm = replace(read, unit_k=303.15)  # warmer gas stands thinner: more room for the same moles
    assert expanded_volume(Ideal(), BOTTLE, warm).volume_m3 == pytest.approx(
        4.0e-3 * 303.15 / 293.15
    )


@pytest.mark.parametrize("unit_m3", [1.5e-3, 2.5e-3, 6e-3])
def test_a_simulated_bottle_gives_its_unit_back(fluids: Fluids, unit_m3: float) -> None:
    read = simulated(unit_m3, 0.05e-3, 1.2e6, 60.0)
    made = expanded_volume(fluids, BOTTLE, read)
    assert made.volume_m3 == pytest.approx(unit_m3, rel=1e-3)
    assert abs(made.volume_m3 - unit_m3) < made.u_m3
    ideal = expanded_volume(Ideal(), BOTTLE, read).volume_m3
    assert abs(ideal - unit_m3) > 3 * abs(made.volume_m3 - unit_m3)


def test_the_uncertainty_against_the_formula_by_hand() -> None:
    """Only the bottle's volume unsure: V + hose is proportional to it."""
    read = ExpansionReadings(1000e3, 293.15, 0.0, 200e3, 293.15, 293.15)
    sure = Instruments(*[0.0] * 8)
    made = expanded_volume(Ideal(), BOTTLE, read, sure)
    assert made.u_m3 == pytest.approx(4.0 * BOTTLE.u_m3, rel=1e-6)
    # One reading unsure by 1 kPa: dV/dp2 = -V_b p1/p2² = -25 mL/kPa, dV/dp1 = V_b/p2 = 5 mL/kPa.
    made = expanded_volume(Ideal(), Bottle(1e-3, 0.0), read, replace(sure, reading_pa=1e3))
    assert made.u_m3 == pytest.approx(math.hypot(25e-6, 5e-6), rel=1e-3)
    # A scale that is wrong reads both pressures alike and cancels.
    scaled = expanded_volume(Ideal(), Bottle(1e-3, 0.0), read, replace(sure, scale=0.01))
    assert scaled.u_m3 == pytest.approx(0.0, abs=1e-12)


def test_the_uncertainty_against_monte_carlo(fluids: Fluids) -> None:
    rng = np.random.default_rng(3)
    read = simulated(2.5e-3, 0.05e-3, 1.2e6, 60.0)
    known = Instruments()
    made = expanded_volume(fluids, BOTTLE, read, known)
    volumes = []
    for _ in range(800):
        zero, scale = rng.normal(0, known.zero_pa), 1 + rng.normal(0, known.scale)
        wall = rng.normal(0, known.bottle_k)
        off = ExpansionReadings(
            read.bottle_before_pa * scale + zero + rng.normal(0, known.reading_pa),
            read.bottle_before_k + wall,
            max(read.unit_before_pa + rng.normal(0, known.left_pa), 0.0),
            read.after_pa * scale + zero + rng.normal(0, known.reading_pa),
            read.bottle_after_k + wall + rng.normal(0, known.settling_k),
            read.unit_k + rng.normal(0, known.unit_k),
            read.hose_m3 + rng.normal(0, known.hose_m3),
        )
        bottle = Bottle(BOTTLE.volume_m3 + rng.normal(0, BOTTLE.u_m3), 0.0)
        volumes.append(expanded_volume(fluids, bottle, off, Instruments(*[0.0] * 8)).volume_m3)
    assert np.std(volumes) == pytest.approx(made.u_m3, rel=0.08)
    assert np.mean(volumes) == pytest.approx(made.volume_m3, abs=4 * made.u_m3 / math.sqrt(800))


def test_the_measured_volume_beats_the_class_and_says_what_holds_it_back(fluids: Fluids) -> None:
    made = expanded_volume(fluids, BOTTLE, simulated(2.5e-3, 0.05e-3, 1.2e6, 60.0))
    assert made.relative_u < 0.02
    assert made.budget[0][1] == max(share for _, share in made.budget)
    assert math.sqrt(sum(share**2 for _, share in made.budget)) == pytest.approx(made.u_m3)
    row = made.as_internal_volume(date(2026, 5, 4))
    assert row.how == "measured"
    assert row.litres == pytest.approx(2.5, rel=2e-3)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"after_pa": 1.19e6}, "valve still closed"),
        ({"after_pa": 1.3e6}, "valve still closed"),
        ({"unit_before_pa": 20e3}, "evacuate it first"),
        ({"unit_k": 20.0}, "`unit_k` is 20.0 K"),
        ({"bottle_before_pa": float("nan")}, "0 or more"),
        ({"hose_m3": 1.0}, "no volume for the unit"),
    ],
)
def test_readings_that_cannot_be_are_refused(change: dict[str, float], says: str) -> None:
    read = replace(simulated(2.5e-3, 0.05e-3, 1.2e6, 60.0), **change)
    with pytest.raises(VehicleError, match=says):
        expanded_volume(Ideal(), BOTTLE, read)


def test_a_measurement_that_says_nothing_is_not_kept() -> None:
    read = ExpansionReadings(300e3, 293.15, 0.0, 290e3, 293.15, 293.15)
    made = expanded_volume(Ideal(), BOTTLE, read, Instruments(reading_pa=5e3))
    with pytest.raises(VehicleError, match="larger bottle"):
        made.as_internal_volume(date(2026, 5, 4))


def test_the_pressure_to_expect() -> None:
    assert expected_pressure(1e6, 1e-3, 4e-3) == pytest.approx(200e3)
