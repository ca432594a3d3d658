"""Holds as state machines: clear verdicts, order of arrival, doubtful data, bad input."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hold_builder import (
    ROOM_PA,
    Row,
    decay_recipe,
    decay_rows,
    judged,
    mark,
    reading,
    shuffled_within,
    vacuum_recipe,
    vacuum_rows,
)

from holdwatch_adapters.trace import read_trace
from holdwatch_physics.fluids import Fluids
from holdwatch_physics.reading import Quality, Quantity
from holdwatch_physics.trace_line import TRACE_HEADER, mark_line, trace_line
from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.events import AlarmRaised, CurvePoint, Noted, curve_of
from holdwatch_procedures.holds.hold import Hold, conclude
from holdwatch_procedures.holds.judge import UnusableTraceError, judge
from holdwatch_procedures.holds.order import Mark, Readings
from holdwatch_procedures.holds.verdict import Outcome, Phase
from holdwatch_procedures.wording import render

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_procedures.holds.recipe import Recipe


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return Fluids.load()


def one(t_ns: int, channel: str, quantity: Quantity, value: float, quality: Quality) -> Readings:
    """A batch of one reading."""
    return Readings((t_ns,), (channel,), (quantity,), (value,), (quality,))


def fed(rows: Iterable[Row], recipe: Recipe, fluids: Fluids) -> Hold:
    """A hold that has taken the rows, and is not finished."""
    hold = Hold(recipe, fluids, version="test")
    for row in rows:
        if row.quantity is None:
            hold.take(Mark(row.t_ns, row.word))
        else:
            hold.take(one(row.t_ns, row.channel, row.quantity, row.value, row.quality))
    return hold


# -- clear cases ------------------------------------------------------------------------------


def test_a_tight_unit_under_nitrogen_passes_a_coarse_criterion(fluids: Fluids) -> None:
    verdict = judged(decay_rows(60), decay_recipe(limit=10_000), fluids)
    assert verdict.outcome is Outcome.PASS
    assert render(verdict.sentence).startswith("Tight: leaks of more than ")
    high = verdict.leak.g_per_year.high
    assert high is not None
    assert high < 10_000


def test_a_leak_of_several_times_the_criterion_fails(fluids: Fluids) -> None:
    verdict = judged(decay_rows(60, slope=10.0), decay_recipe(limit=5000), fluids)
    assert verdict.outcome is Outcome.FAIL
    assert verdict.causes == (Cause.LEAK,)
    # 10 Pa/s in 2.5 L at 295.15 K is 2.5e-3·10/(R·295.15) mol/s by the ideal gas law.
    figure = verdict.leak.mol_per_s
    assert figure.low is not None
    assert figure.high is not None
    assert figure.low < 10 * 2.5e-3 / (8.314462618 * 295.15) < figure.high


def test_a_warming_shop_does_not_hide_a_leak(fluids: Fluids) -> None:
    # 8 K an hour lifts 11 bar by about 8 Pa/s: a bare gauge sees no fall at all.
    rows = [
        row._replace(value=row.value + (row.t_ns / 1e9) * (8.0 / 3600))
        if row.channel == "pipe_temperature"
        else row._replace(value=row.value + (row.t_ns / 1e9) * (8.0 / 3600) * 1.1013e6 / 295.15)
        if row.channel == "low_side"
        else row
        for row in decay_rows(60, slope=8.0)
    ]
    verdict = judged(rows, decay_recipe(limit=5000), fluids)
    assert verdict.outcome is Outcome.FAIL
    assert verdict.pressure_change_raw_pa is not None
    assert verdict.pressure_change_compensated_pa is not None
    assert abs(verdict.pressure_change_raw_pa) < 0.5 * abs(verdict.pressure_change_compensated_pa)


def test_a_dry_tight_vacuum_passes(fluids: Fluids) -> None:
    verdict = judged(vacuum_rows(40), vacuum_recipe(limit=5000), fluids)
    assert verdict.outcome is Outcome.PASS
    assert verdict.decided_at_s is not None
    assert verdict.decided_at_s >= 8 * 60


def test_a_straight_rise_fails_and_says_its_assumption(fluids: Fluids) -> None:
    # 10 Pa a minute into 2.5 L is some 36 kg a year.
    verdict = judged(vacuum_rows(60, slope=10 / 60), vacuum_recipe(limit=5000), fluids)
    assert verdict.outcome is Outcome.FAIL
    assert Cause.LEAK in verdict.causes
    assert any("a leak repeats its slope" in render(reason) for reason in verdict.reasons)


def test_a_hold_that_ends_early_is_inconclusive_and_says_what_would_settle_it(
    fluids: Fluids,
) -> None:
    verdict = judged(decay_rows(25), decay_recipe(limit=600), fluids)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert Cause.TOO_SHORT in verdict.causes
    assert verdict.decided_at_s is None
    assert any("What would settle it" in render(reason) for reason in verdict.reasons)


@pytest.mark.parametrize(
    ("slope", "outcome"), [(0.0, Outcome.PASS), (0.2, Outcome.FAIL), (0.0741, Outcome.INCONCLUSIVE)]
)
def test_a_rise_within_a_time_is_counted_from_isolation(
    fluids: Fluids, slope: float, outcome: Outcome
) -> None:
    # 500 micron within 15 min is 66.66 Pa in 900 s: 0.0741 Pa/s is too near to call.
    recipe = vacuum_recipe(criterion={"max_change_micron": 500.0, "within_min": 15.0})
    verdict = judged(vacuum_rows(30, slope=slope), recipe, fluids)
    assert verdict.outcome is outcome
    assert verdict.criterion_kind == "max_change_micron"
    assert any("15 min" in render(reason) for reason in verdict.reasons)
    if outcome is Outcome.PASS:
        assert verdict.decided_at_s == 900.0
    if outcome is Outcome.FAIL:
        assert verdict.decided_at_s is not None
        assert verdict.decided_at_s < 600.0
        # So early nothing can tell a leak from desorption, and nothing is named.
        assert verdict.causes == ()


@pytest.mark.parametrize(("slope", "outcome"), [(0.0, Outcome.PASS), (20.0, Outcome.FAIL)])
def test_a_pressure_drop_within_a_time_is_compensated(
    fluids: Fluids, slope: float, outcome: Outcome
) -> None:
    recipe = decay_recipe(criterion={"max_change_kpa": 8.0, "within_min": 15.0})
    verdict = judged(decay_rows(60, slope=slope, swing_k=0.5), recipe, fluids)
    assert verdict.outcome is outcome


def test_a_jump_restarts_the_judging_and_is_told(fluids: Fluids) -> None:
    rows = [
        row._replace(value=row.value - 3e4)
        if row.channel == "low_side" and row.t_ns > 800e9
        else row
        for row in decay_rows(80)
    ]
    verdict = judged(rows, decay_recipe(limit=10_000), fluids)
    assert verdict.outcome is Outcome.PASS
    assert Cause.STEP in verdict.causes
    assert verdict.settled_at_s is not None
    assert verdict.settled_at_s > 800 + 600


# -- the plain estimate -----------------------------------------------------------------------


def test_the_worked_example_of_40_cfr_1065_644_gives_its_plain_rate(fluids: Fluids) -> None:
    # 40 CFR 1065.644: 2.0000 L, 25.300 to 50.600 kPa in 70 s at 293.15 K: 2.966e-4 mol/s.
    rows = [
        reading(0, "vacuum", 25_300.0),
        reading(0, "pipe_temperature", 293.15),
        reading(70, "vacuum", 50_600.0),
        reading(70, "pipe_temperature", 293.15),
    ]
    verdict = judged(rows, vacuum_recipe(volume_l=2.0, volume_uncertainty=0.0), fluids)
    figure = verdict.leak.mol_per_s
    assert figure.value == pytest.approx(2.966e-4, abs=1e-6)
    assert (figure.low, figure.high, figure.interval95) == (None, None, None)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert verdict.causes == (Cause.TOO_SHORT,)
    throughput = verdict.leak.pa_m3_per_s.value
    assert throughput == pytest.approx(2.0e-3 * 25_300 / 70, rel=1e-3)


def test_a_single_reading_gives_no_figure_and_no_verdict_but_inconclusive(fluids: Fluids) -> None:
    verdict = judged([reading(0, "low_side", 1e6)], decay_recipe(), fluids)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert verdict.leak.mol_per_s.value is None
    assert verdict.to_dict()["leak"]["g_per_year"]["interval95"] is None


# -- the same readings, the same verdict ------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_order_of_arrival_within_two_seconds_changes_nothing(fluids: Fluids, seed: int) -> None:
    rows = list(decay_rows(40, slope=10.0))
    straight = judged(rows, decay_recipe(), fluids).to_dict()
    assert judged(shuffled_within(rows, 1.9, seed), decay_recipe(), fluids).to_dict() == straight


def test_an_export_is_judged_to_the_same_verdict_bit_for_bit(fluids: Fluids) -> None:
    rows = list(vacuum_rows(30, slope=10 / 60))
    live = judged(rows, vacuum_recipe(), fluids)
    until = live.judged_until_ns
    assert until is not None
    lines = [
        (row.t_ns, row.quantity is not None, row.channel, _line(row))
        for row in rows
        if row.t_ns <= until
    ]
    text = (TRACE_HEADER + b"".join(line for *_, line in sorted(lines))).decode()
    again = judge(read_trace(text.splitlines()), vacuum_recipe(), fluids, version="test")
    assert again.to_dict() == live.to_dict()


def _line(row: Row) -> bytes:
    if row.quantity is None:
        return mark_line(row.t_ns, row.word)
    return trace_line(row.t_ns, row.channel, row.value, row.quantity, row.quality)


def test_a_repeated_reading_keeps_the_first(fluids: Fluids) -> None:
    rows = list(vacuum_rows(12))
    doubled = [copy for row in rows for copy in (row, row._replace(value=row.value + 1e4))]
    doubled = [row for row in doubled if row.quantity is not None or row.word]
    assert (
        judged(doubled, vacuum_recipe(), fluids).to_dict()
        == judged(rows, vacuum_recipe(), fluids).to_dict()
    )


def test_the_first_verdict_stands(fluids: Fluids) -> None:
    hold = fed(vacuum_rows(60, slope=10 / 60), vacuum_recipe(), fluids)
    verdict = hold.verdict
    assert verdict is not None
    assert not hold.take(one(10**13, "vacuum", Quantity.PRESSURE_ABSOLUTE, 1.0, Quality.GOOD))
    assert not hold.finish()
    assert hold.verdict is verdict


# -- doubtful data never passes ---------------------------------------------------------------


@pytest.mark.parametrize("quality", [Quality.SUSPECT, Quality.STALE, Quality.SATURATED])
@pytest.mark.parametrize("channel", ["low_side", "pipe_temperature"])
def test_doubtful_readings_never_pass(fluids: Fluids, quality: Quality, channel: str) -> None:
    rows = [
        row._replace(quality=quality) if row.channel == channel and row.t_ns > 120e9 else row
        for row in decay_rows(60)
    ]
    verdict = judged(rows, decay_recipe(limit=10_000), fluids)
    assert verdict.outcome is not Outcome.PASS
    assert verdict.quality[quality] > 10


def test_a_gauge_at_the_end_of_its_range_ends_the_hold_as_saturated(fluids: Fluids) -> None:
    recipe = decay_recipe(limit=10_000, channels={"low_side": {"unit": "kPag", "range": [0, 1000]}})
    rows = [
        row._replace(value=min(row.value, 1.0e6)) if row.channel == "low_side" else row
        for row in decay_rows(60, start_pa=1.02e6)
    ]
    verdict = judged(rows, recipe, fluids)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert Cause.SATURATED in verdict.causes


def test_readings_that_stop_coming_never_pass(fluids: Fluids) -> None:
    rows = [
        row for row in decay_rows(60) if row.channel != "low_side" or row.t_ns < 13 * 60 * 10**9
    ]
    assert judged(rows, decay_recipe(limit=10_000), fluids).outcome is Outcome.INCONCLUSIVE


def test_over_pressure_is_told_at_the_first_reading_and_ends_the_hold(fluids: Fluids) -> None:
    hold = fed(decay_rows(5), decay_recipe(), fluids)
    over = hold.take(one(300 * 10**9, "low_side", Quantity.PRESSURE_GAUGE, 1.51e6, Quality.GOOD))
    (alarm,) = (event for event in over if not isinstance(event, CurvePoint))
    assert isinstance(alarm, AlarmRaised)
    assert "Over-pressure" in render(alarm.text)
    for second in range(301, 330):
        hold.take(one(second * 10**9, "low_side", Quantity.PRESSURE_GAUGE, 1.51e6, Quality.GOOD))
    verdict = conclude(hold)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert Cause.OVERPRESSURE in verdict.causes


def test_a_late_reading_is_told_once_and_not_judged(fluids: Fluids) -> None:
    rows = list(decay_rows(5))
    hold = fed(rows, decay_recipe(), fluids)
    before = hold.snapshot().elapsed_s
    (late,) = hold.take(one(10 * 10**9, "low_side", Quantity.PRESSURE_GAUGE, 2e5, Quality.GOOD))
    assert isinstance(late, Noted)
    assert "late" in render(late.text)
    assert not hold.take(one(11 * 10**9, "low_side", Quantity.PRESSURE_GAUGE, 2e5, Quality.GOOD))
    assert hold.snapshot().elapsed_s == before
    assert conclude(hold).to_dict() == judged(rows, decay_recipe(), fluids).to_dict()


# -- what starts the clock --------------------------------------------------------------------


def test_a_live_hold_waits_for_the_word_however_long_the_pressure_stands(fluids: Fluids) -> None:
    rows = [row for row in decay_rows(60) if row.quantity is not None]
    hold = fed(rows, decay_recipe(limit=10_000, start="said"), fluids)
    assert hold.snapshot().phase is Phase.WAITING
    verdict = conclude(hold)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert verdict.mark_s is None
    assert any("nobody said" in render(reason) for reason in verdict.reasons)


def test_isolation_is_seen_in_the_data_where_nobody_says_it(fluids: Fluids) -> None:
    pumping = [reading(second, "vacuum", 40.0 + 0.2 * math.sin(second)) for second in range(300)]
    held = [
        row._replace(t_ns=row.t_ns + 300 * 10**9)
        for row in vacuum_rows(40, slope=0.2)
        if row.quantity is not None
    ]
    hold = fed(pumping, vacuum_recipe(start="seen"), fluids)
    assert hold.snapshot().phase is Phase.EVACUATING
    verdict = judged([*pumping, *held], vacuum_recipe(start="seen"), fluids)
    assert verdict.outcome is Outcome.FAIL
    assert verdict.mark_s == pytest.approx(300, abs=15)


def test_a_pump_that_holds_its_base_is_not_a_tight_unit(fluids: Fluids) -> None:
    pumping = [reading(second, "vacuum", 40.0 + 0.2 * math.sin(second)) for second in range(3600)]
    verdict = judged(pumping, vacuum_recipe(limit=5000, start="seen"), fluids)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert any("never isolated" in render(reason) for reason in verdict.reasons)


def test_the_mark_starts_the_clock_and_a_second_one_starts_it_anew(fluids: Fluids) -> None:
    rows = [row for row in decay_rows(40) if row.quantity is not None]
    marked = sorted(
        [*rows, mark(60, "valve_closed"), mark(300, "valve_closed"), mark(400, "note door open")],
        key=lambda row: row.t_ns,
    )
    verdict = judged(marked, decay_recipe(limit=10_000), fluids)
    assert verdict.mark_s == 300.0
    assert verdict.settled_at_s is not None
    assert verdict.settled_at_s >= 300 + 600


def test_a_hold_ends_at_its_longest_duration_counted_from_the_mark(fluids: Fluids) -> None:
    recipe = decay_recipe(
        limit=500, limits={"max_pressure_kpa_g": 1500.0, "max_duration_min": 20.0}
    )
    hold = fed(decay_rows(30), recipe, fluids)
    assert hold.verdict is not None
    assert hold.verdict.outcome is Outcome.INCONCLUSIVE
    assert hold.verdict.judged_until_ns is not None
    assert hold.verdict.judged_until_ns <= (20 * 60 + 1) * 10**9


# -- input that cannot be used ----------------------------------------------------------------


def test_a_reading_more_than_two_seconds_out_of_order_makes_a_trace_unusable(
    fluids: Fluids,
) -> None:
    rows = [reading(0, "vacuum", 40.0), reading(10, "vacuum", 40.0), reading(7.9, "vacuum", 40.0)]
    with pytest.raises(UnusableTraceError, match=r"line 4: 7.9 s is more than 2 s older"):
        judged(rows, vacuum_recipe(), fluids)


def test_a_channel_that_cannot_have_its_role_is_named_with_its_line(fluids: Fluids) -> None:
    rows = [Row(0, "vacuum", Quantity.TEMPERATURE, 300.0)]
    with pytest.raises(UnusableTraceError, match=r"line 2: channel 'vacuum' has the role vacuum"):
        judged(rows, vacuum_recipe(), fluids)


def test_a_trace_without_any_pressure_role_says_how_to_give_one(fluids: Fluids) -> None:
    rows = [Row(0, "left gauge", Quantity.PRESSURE_GAUGE, 1e6)]
    with pytest.raises(UnusableTraceError, match=r"channels: left gauge.*give it a role"):
        judged(rows, decay_recipe(), fluids)


def test_a_channel_of_any_name_is_judged_under_the_role_that_the_recipe_gives(
    fluids: Fluids,
) -> None:
    rows = list(decay_rows(20))
    renamed = [
        row._replace(channel="left gauge") if row.channel == "low_side" else row for row in rows
    ]
    recipe = decay_recipe(channels={"left gauge": {"role": "low_side"}})
    assert (
        judged(renamed, recipe, fluids).to_dict() == judged(rows, decay_recipe(), fluids).to_dict()
    )


# -- progress ---------------------------------------------------------------------------------


def test_progress_says_what_the_hold_waits_for_and_what_it_could_have_seen(fluids: Fluids) -> None:
    recipe = decay_recipe(limit=600)
    hold = Hold(recipe, fluids, version="test")
    assert render(hold.snapshot().sentence) == (
        "Waiting for pressure and for the charging valve to be closed."
    )
    settling = fed(decay_rows(5), recipe, fluids).snapshot()
    assert settling.phase is Phase.SETTLING
    holding = fed(decay_rows(40), recipe, fluids).snapshot()
    assert holding.phase is Phase.HOLDING
    assert render(holding.sentence).startswith("Holding, 40 min. Leaks above ")
    assert holding.smallest_visible_g_per_year is not None
    assert math.isfinite(holding.smallest_visible_g_per_year)
    assert holding.earliest_end_s is not None
    assert 40 * 60 < holding.earliest_end_s <= holding.latest_end_s
    assert holding.criterion_g_per_year == pytest.approx(600)
    assert holding.pressure_pa == pytest.approx(1e6 + ROOM_PA, rel=0.01)


def test_the_curve_has_a_point_for_every_block(fluids: Fluids) -> None:
    hold = Hold(decay_recipe(limit=600), fluids, version="test")
    events = hold.take(Mark(0, "valve_closed"))
    for row in decay_rows(30):
        if row.quantity is not None:
            events += hold.take(one(row.t_ns, row.channel, row.quantity, row.value, row.quality))
    points = curve_of(events)
    assert len(points) == 179  # the last block is still open to late readings
    assert points[0].leak_g_per_year is None
    last = points[-1]
    assert last.low_g_per_year is not None
    assert last.high_g_per_year is not None
    assert last.low_g_per_year < last.high_g_per_year
    assert [point.t_s for point in points] == [10.0 * (block + 1) for block in range(179)]
