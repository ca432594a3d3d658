"""What disturbances a standing vacuum, a rise within a time, and several holds together."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from vacuum_world import Release, World, simulate

from holdwatch_procedures.holds.estimates import Action, Block, Cause, Disturbance, Estimate
from holdwatch_procedures.holds.sliding import SlidingMedian
from holdwatch_procedures.holds.vacuum.disturbances import VacuumWatch
from holdwatch_procedures.holds.vacuum.rise import RiseLook, RiseWatch
from holdwatch_procedures.holds.vacuum.series import combine_holds
from holdwatch_procedures.holds.vacuum.setup import VacuumSetup
from holdwatch_procedures.holds.verdict import Outcome
from holdwatch_procedures.wording import render

SETUP = VacuumSetup(
    limit_pa_per_s=1 / 60, resolution_pa=0.133, noise_floor_pa=0.3, range_top_pa=2600.0
)


def hold(world: World, *, minutes: float = 30, seed: int = 1) -> list[Block]:
    return simulate(world, minutes, np.random.default_rng(seed))


def moved(blocks: list[Block], start: int, by: float) -> list[Block]:
    return [
        dataclasses.replace(b, pressure_pa=b.pressure_pa + by)
        if b.index >= start and b.pressure_pa is not None
        else b
        for b in blocks
    ]


def watch(blocks: list[Block], setup: VacuumSetup = SETUP, **more: float) -> list[Disturbance]:
    seen = VacuumWatch(setup, **more)
    return [disturbance for block in blocks for disturbance in seen.push(block)]


@pytest.mark.parametrize("remembered", [1, 2, 7, 8])
def test_the_median_of_the_newest_values_is_that_of_a_list_of_them(remembered: int) -> None:
    values = np.random.default_rng(1).choice(
        [0.0, 0.1, 0.2, 1e3, *np.random.default_rng(2).random(9)], 60
    )
    sliding = SlidingMedian(remembered)
    for place, value in enumerate(values.tolist(), start=1):
        sliding.push(value)
        newest = values[max(place - remembered, 0) : place]
        assert (sliding.count, sliding.median) == (newest.size, float(np.median(newest)))


# -- disturbances ------------------------------------------------------------------------------


@pytest.mark.parametrize("by", [40.0, -40.0])
def test_a_step_restarts_the_judging_within_a_block(by: float) -> None:
    disturbances = watch(moved(hold(World(leak_pa_per_s=0.05)), 60, by))
    assert next((s.cause, s.action) for s in disturbances) == (Cause.STEP, Action.RESTART)
    assert disturbances[0].t_s == 605.0


def test_ordinary_holds_raise_nothing() -> None:
    rng = np.random.default_rng(8)
    for seed in range(12):
        world = World(
            leak_pa_per_s=rng.uniform(0, 0.8),
            releases=(Release("wall", rng.uniform(0, 1500), rng.uniform(120, 900)),),
            noise_share=0.005,
        )
        setup = dataclasses.replace(SETUP, noise_share=0.005)
        blocks = hold(world, seed=seed)
        disturbances = [s for s in watch(blocks, setup) if s.cause is not Cause.SATURATED]
        assert disturbances == []


def test_a_pump_that_pulls_again_voids_the_hold() -> None:
    blocks = hold(World(leak_pa_per_s=0.1))
    pulled = [
        dataclasses.replace(b, pressure_pa=max(30.0, b.pressure_pa - 2.0 * (b.index - 90)))
        if b.index >= 90 and b.pressure_pa is not None
        else b
        for b in blocks
    ]
    disturbances = watch(pulled)
    assert (disturbances[-1].cause, disturbances[-1].action) == (Cause.STEP, Action.VOID)
    assert "fell" in render(disturbances[-1].text)


def test_hoses_evening_out_in_the_first_two_minutes_void_nothing() -> None:
    assert watch(hold(World(hose_excess_pa=40, hose_tau_s=30, leak_pa_per_s=0.02))) == []


def test_the_end_of_the_range_voids_the_hold_once() -> None:
    disturbances = watch(hold(World(leak_pa_per_s=3.0, top_pa=2600.0)))
    assert [(s.cause, s.action) for s in disturbances] == [(Cause.SATURATED, Action.VOID)]


def test_a_gauge_that_froze_voids_the_hold_after_five_minutes() -> None:
    blocks = hold(World(leak_pa_per_s=0.02))
    frozen = [
        dataclasses.replace(b, pressure_pa=blocks[60].pressure_pa, pressure_sd_pa=0.0)
        if b.index >= 60
        else b
        for b in blocks
    ]
    disturbances = watch(frozen)
    assert [(s.cause, s.action) for s in disturbances] == [(Cause.GAP, Action.VOID)]
    assert disturbances[0].t_s == 600.0 + 300.0 - 5.0


def test_a_coarse_silent_gauge_may_rest_longer_once_it_has_moved() -> None:
    setup = VacuumSetup(limit_pa_per_s=1 / 60, resolution_pa=1.0, noise_floor_pa=0.0)
    still = hold(World(resolution_pa=1.0, noise_floor_pa=0.0, noise_share=0.0, start_pa=40.2))
    assert [s.cause for s in watch(still, setup)] == [Cause.GAP]
    moving = hold(
        World(resolution_pa=1.0, noise_floor_pa=0.0, noise_share=0.0, leak_pa_per_s=1 / 500)
    )
    assert watch(moving, setup) == []


def test_a_short_gap_is_noted_and_a_long_one_restarts() -> None:
    blocks = hold(World(leak_pa_per_s=0.02))
    short = [b for b in blocks if not 50 <= b.index < 56]
    long = [dataclasses.replace(b, pressure_pa=None) if 50 <= b.index < 90 else b for b in blocks]
    assert [s.action for s in watch(short)] == [Action.NOTE]
    assert [s.action for s in watch(long)] == [Action.RESTART]
    assert watch(long)[0].t_s == 905.0
    assert [s.action for s in watch(long, max_gap_s=1800.0)] == [Action.NOTE]


# -- a rise within a time -------------------------------------------------------------------------


def rises(world: World, *, limit_pa: float, minutes: float = 15, seed: int = 3) -> list[RiseLook]:
    seen = RiseWatch(SETUP, limit_pa=limit_pa, within_s=minutes * 60)
    looks = (seen.push(block) for block in hold(world, minutes=minutes + 2, seed=seed))
    return [look for look in looks if look is not None]


def test_a_small_rise_passes_at_the_end_of_the_time_and_not_before() -> None:
    looks = rises(World(leak_pa_per_s=20 / 900), limit_pa=66.7)
    assert next(look.t_s for look in looks if look.outcome is not None) == 900.0
    assert looks[-1].outcome is Outcome.PASS
    at_end = next(look for look in looks if look.t_s == 900.0)
    assert at_end.rise_pa == pytest.approx(20.0, abs=1.0)


def test_a_large_rise_fails_as_soon_as_it_is_clear_whatever_its_cause() -> None:
    leak = rises(World(leak_pa_per_s=0.2), limit_pa=66.7)
    water = rises(World(releases=(Release("wall", 800, 300),)), limit_pa=66.7)
    for looks, crossed_s in ((leak, 333.0), (water, 26.0)):
        first = next(look for look in looks if look.outcome is not None)
        assert first.outcome is Outcome.FAIL
        assert crossed_s < first.t_s < crossed_s + 60.0
        assert looks[-1].outcome is Outcome.FAIL


def test_a_rise_too_near_the_limit_is_inconclusive() -> None:
    looks = rises(World(leak_pa_per_s=66.5 / 900), limit_pa=66.7)
    assert looks[-1].outcome is Outcome.INCONCLUSIVE


def test_an_end_that_was_not_measured_is_inconclusive() -> None:
    seen = RiseWatch(SETUP, limit_pa=66.7, within_s=900)
    blocks = [b for b in hold(World(), minutes=20) if b.index < 70]
    silent = [
        dataclasses.replace(blocks[0], index=k, t_s=10.0 * k + 5, pressure_pa=None)
        for k in range(70, 90)
    ]
    looks = [seen.push(block) for block in blocks + silent]
    assert looks[-1] is not None
    assert looks[-1].outcome is Outcome.INCONCLUSIVE


def test_the_stated_rates_of_a_rise_hold_at_the_limit() -> None:
    # At exactly the limit a pass or a fail is an error: each at most 1 %, together 2 % of 100.
    rng = np.random.default_rng(12)
    errors = 0
    for _ in range(100):
        seen = RiseWatch(SETUP, limit_pa=30.0, within_s=600)
        look = None
        for k in range(60):
            pressure = 40 + 30.0 / 600 * (10 * k + 5) + rng.normal(0, 0.1)
            look = seen.push(Block(k, 10.0 * k + 5, pressure, 0.3, 10, None, None, None, 101325.0))
        assert look is not None
        errors += look.outcome is not Outcome.INCONCLUSIVE
    assert errors <= 6


# -- several holds --------------------------------------------------------------------------------


def estimate(slope: float, low: float, high: float, *, ready: bool = True) -> Estimate:
    return Estimate(900, slope, low, high, low, high, high - slope, 0.0, ready=ready)


def test_a_slope_that_repeats_is_a_leak() -> None:
    both = combine_holds([estimate(2.0, 1.2, 3.0), estimate(2.1, 1.4, 2.8)])
    assert (both.low, both.high, both.repeats, both.faded) == (1.2, 2.8, True, False)
    assert any("repeated" in render(note) for note in both.notes)


def test_a_slope_that_fades_was_desorption() -> None:
    both = combine_holds([estimate(2.0, 1.5, 2.5), estimate(0.5, 0.3, 0.9)])
    assert (both.low, both.high, both.repeats, both.faded) == (0.3, 0.9, False, True)


def test_one_hold_stands_for_itself_and_unready_ones_do_not_count() -> None:
    one = combine_holds([estimate(2.0, 1.5, 2.5), estimate(0, 0, 9, ready=False)])
    assert (one.slope, one.low, one.high, one.notes) == (2.0, 1.5, 2.5, ())
    with pytest.raises(ValueError, match="8 minutes"):
        combine_holds([estimate(0, 0, 9, ready=False)])
