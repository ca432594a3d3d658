"""Leaks that several holds show together, and leaks that empty a unit at once."""

from __future__ import annotations

import random

import pytest
from hold_builder import (
    ROOM_PA,
    Row,
    decay_recipe,
    judged,
    mark,
    reading,
    vacuum_recipe,
    vacuum_rows,
)

from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.verdict import Outcome
from holdwatch_procedures.wording import render


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return Fluids.load()


# -- several holds of one work order ------------------------------------------------------------


def test_a_later_hold_profits_from_an_earlier_one_of_the_same_closed_system(
    fluids: Fluids,
) -> None:
    # 0.03 Pa/s into 2.5 L is above a criterion of 5 kg a year; 14 minutes alone do not show it.
    first = judged(vacuum_rows(14, slope=0.031), vacuum_recipe(limit=5000), fluids)
    assert first.outcome is Outcome.INCONCLUSIVE
    own = first.own_slope_pa_per_s
    assert own is not None
    earlier = {
        "hold": "1",
        "slope_pa_per_s": own[0],
        "low_pa_per_s": own[1],
        "high_pa_per_s": own[2],
    }
    rows = list(vacuum_rows(14, slope=0.031, seed=2))
    alone = judged(rows, vacuum_recipe(limit=5000), fluids)
    together = judged(rows, vacuum_recipe(limit=5000, earlier_holds=[earlier]), fluids)
    bound = together.leak.g_per_year.low
    alone_bound = alone.leak.g_per_year.low
    assert bound is not None
    assert alone_bound is not None
    assert together.own_slope_pa_per_s is not None
    # Two holds vouch for the second largest of their lower bounds.
    assert bound <= max(alone_bound, first.leak.g_per_year.low or 0.0)
    assert any("repeated its slope" in render(reason) for reason in together.reasons)


def test_a_rise_that_faded_was_desorption_and_does_not_fail(fluids: Fluids) -> None:
    faded = {"slope_pa_per_s": 0.5, "low_pa_per_s": 0.4, "high_pa_per_s": 0.6}
    verdict = judged(vacuum_rows(40), vacuum_recipe(limit=5000, earlier_holds=[faded]), fluids)
    assert verdict.outcome is Outcome.PASS
    assert any("which fades, not a leak" in render(reason) for reason in verdict.reasons)


# -- gross leaks --------------------------------------------------------------------------------


def emptying(minutes: float, *, time_s: float, plateau: float = 0.0) -> list[Row]:
    """Nitrogen at 10 bar that flows by p² − room², or evens out to a plateau (share of gauge)."""
    rows, pressure = [mark(0, "valve_closed")], 1.0e6 + ROOM_PA
    rate = 1.0 / time_s / pressure
    chance = random.Random(7)
    for second in range(round(minutes * 60)):
        noisy = pressure - ROOM_PA + chance.gauss(0.0, 50.0)
        rows.append(reading(second, "low_side", noisy))
        rows.append(reading(second, "pipe_temperature", 295.15 + chance.gauss(0.0, 0.01)))
        if plateau:
            pressure += (1.0e6 * plateau + ROOM_PA - pressure) / time_s
        else:
            pressure -= rate * (pressure**2 - ROOM_PA**2)
    return rows


@pytest.mark.parametrize("time_s", [30.0, 120.0, 600.0, 3600.0])
def test_a_unit_that_empties_while_its_gas_settles_fails_at_once(
    fluids: Fluids, time_s: float
) -> None:
    verdict = judged(emptying(20, time_s=time_s), decay_recipe(limit=5000), fluids)
    assert verdict.outcome is Outcome.FAIL
    assert verdict.decided_at_s is not None
    assert verdict.decided_at_s < 600
    assert any("gross leak" in render(reason).lower() for reason in verdict.reasons)


@pytest.mark.parametrize("time_s", [10.0, 60.0, 90.0])
def test_pressure_that_evens_out_between_the_sides_is_no_gross_leak(
    fluids: Fluids, time_s: float
) -> None:
    verdict = judged(emptying(30, time_s=time_s, plateau=0.7), decay_recipe(limit=5000), fluids)
    assert verdict.outcome is not Outcome.FAIL
