"""How a hold begins: at what vacuum, under what pressure, and what a pump that goes on does."""

from __future__ import annotations

import math

import pytest
from hold_builder import (
    Row,
    decay_recipe,
    decay_rows,
    mark,
    reading,
    vacuum_recipe,
    vacuum_rows,
)

from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.judge import UnusableTraceError, judge
from holdwatch_procedures.holds.verdict import Outcome, Verdict
from holdwatch_procedures.wording import render


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return Fluids.load()


def judged(rows: list[Row], fluids: Fluids, limit: float = 5000.0) -> Verdict:
    return judge(rows, vacuum_recipe(limit=limit), fluids, version="test")


def test_isolated_a_little_above_the_target_is_told_and_judged(fluids: Fluids) -> None:
    verdict = judged(list(vacuum_rows(40, start_pa=90.0)), fluids)
    assert verdict.outcome is Outcome.PASS
    assert any("above the target of 500" in render(reason) for reason in verdict.reasons)


@pytest.mark.parametrize("start_pa", [400.0, 2000.0])
def test_isolated_far_above_the_target_cannot_pass(fluids: Fluids, start_pa: float) -> None:
    verdict = judged(list(vacuum_rows(40, start_pa=start_pa)), fluids)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert any("no pass from there" in render(reason) for reason in verdict.reasons)


def test_a_gauge_open_to_the_room_is_no_leak(fluids: Fluids) -> None:
    rows = [mark(0, "isolated")]
    rows += [
        reading(second, "vacuum", 98_000.0 + 0.2 * second + 3.0 * math.sin(second))
        for second in range(2400)
    ]
    verdict = judged(rows, fluids)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert any("There was no vacuum" in render(reason) for reason in verdict.reasons)


def test_a_mark_that_is_not_the_procedures_own_is_an_error_with_its_line(fluids: Fluids) -> None:
    for word in ("closed", "valve_closed"):
        rows = [reading(0, "vacuum", 40.0), mark(1, word)]
        with pytest.raises(UnusableTraceError, match=rf"line 3: mark '{word}'.*'isolated'"):
            judged(rows, fluids)


def test_a_barometer_that_no_room_has_is_an_error_with_its_line(fluids: Fluids) -> None:
    rows = [reading(0, "vacuum", 40.0), reading(0, "barometer", 10_000.0)]
    with pytest.raises(UnusableTraceError, match="line 3: no room has 10 kPa"):
        judged(rows, fluids)


def test_over_pressure_before_the_start_is_told_in_the_verdict(fluids: Fluids) -> None:
    rows = [reading(second, "low_side", 1.6e6) for second in range(-60, -30)]
    rows += list(decay_rows(60))
    verdict = judge(rows, decay_recipe(limit=10_000), fluids, version="test")
    assert Cause.OVERPRESSURE in verdict.causes
    assert any("Over-pressure" in render(reason) for reason in verdict.reasons)


@pytest.mark.parametrize(
    ("channel", "cause"), [("low_side", Cause.GAP), ("pipe_temperature", Cause.THERMOMETER)]
)
def test_an_instrument_that_falls_silent_is_named(
    fluids: Fluids, channel: str, cause: Cause
) -> None:
    rows = [row for row in decay_rows(40) if row.channel != channel or row.t_ns < 780e9]
    verdict = judge(rows, decay_recipe(limit=2000), fluids, version="test")
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert cause in verdict.causes


def test_the_measured_change_is_that_of_the_readings(fluids: Fluids) -> None:
    rows = [reading(0, "vacuum", 25_300.0), reading(70, "vacuum", 50_600.0)]
    assert judged(rows, fluids).pressure_change_raw_pa == pytest.approx(25_300.0)
    recipe = vacuum_recipe(criterion={"max_change_micron": 500.0, "within_min": 15.0})
    verdict = judge(vacuum_rows(30, slope=0.02), recipe, fluids, version="test")
    assert verdict.pressure_change_raw_pa == pytest.approx(18.0, abs=1.0)
