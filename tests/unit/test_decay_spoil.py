"""What the watches of a pressure-decay hold find, and what they leave alone."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from holdwatch_procedures.holds.decay.disturbances import DecayWatch
from holdwatch_procedures.holds.estimates import Action, Block, Cause, Clamp, Disturbance
from holdwatch_procedures.holds.resolution import Resolution
from holdwatch_procedures.wording import render


def noise(k: int, size: float) -> float:
    """A scatter without a random generator."""
    return size * (math.sin(1.7 * k) + 0.7 * math.sin(0.9 * k + 1.0) + 0.5 * math.sin(2.9 * k))


def lively(level: float, step: float) -> Resolution:
    """Ten readings that noise shakes over several steps."""
    return Resolution(step, level - 2.0 * step, level + 2.0 * step, 9, 10, 1.0)


def still(level: float, step: float | None, *, moves: int = 0) -> Resolution:
    """Ten readings of one value, or of two if it moved."""
    return Resolution(step, level, level + moves * (step or 0.0), moves, 10, 1.0)


def block(
    k: int,
    *,
    pressure: float | None = None,
    pipe: float | None = None,
    gauge: Resolution | None = None,
    clamp: Resolution | None = None,
) -> Block:
    t_s = (k + 0.5) * 10.0
    warm = 295.0 + 0.2 * math.sin(t_s / 600.0) + noise(k + 500, 0.02)
    level = 1.6e6 * (1.0 + (warm - 295.0) / 295.0) - 0.3 * t_s + noise(k, 200.0)
    level = level if pressure is None else pressure
    warm = warm if pipe is None else pipe
    return Block(
        index=k,
        t_s=t_s,
        pressure_pa=None if math.isnan(level) else level,
        pressure_sd_pa=0.0,
        pressure_n=10,
        pipe_k=warm,
        coldest_k=None,
        ambient_k=None,
        barometer_pa=101325.0,
        pressure_resolution=None if math.isnan(level) else gauge or lively(level, 690.0),
        clamps=(Clamp("pipe_temperature", warm, clamp or lively(warm, 0.02)),),
    )


def watch(blocks: list[Block], watcher: DecayWatch | None = None) -> list[Disturbance]:
    watcher = watcher or DecayWatch(resolution_pa=690.0)
    return [disturbance for each in blocks for disturbance in watcher.push(each)]


def shifted(k: int, by_pa: float) -> Block:
    plain = block(k)
    return block(k, pressure=(plain.pressure_pa or 0.0) + by_pa)


def test_a_quiet_hold_spoils_nothing() -> None:
    assert watch([block(k) for k in range(720)]) == []


@pytest.mark.parametrize("size_pa", [-10_000.0, -5_000.0, 5_000.0, 20_000.0])
def test_a_step_is_found_where_it_was(size_pa: float) -> None:
    found = watch([block(k) if k < 200 else shifted(k, size_pa) for k in range(300)])
    assert [disturbance.cause for disturbance in found] == [Cause.STEP]
    assert found[0].action is Action.RESTART
    assert found[0].t_s == pytest.approx(2000.0, abs=20.0)
    assert ("rose" in render(found[0].text)) == (size_pa > 0.0)


def test_a_step_that_the_temperature_explains_is_left_alone() -> None:
    blocks = [block(k) for k in range(300)]
    for k in range(200, 300):
        rise_k = min(0.4 * (k - 199), 2.0)
        blocks[k] = block(
            k,
            pressure=(blocks[k].pressure_pa or 0.0) + 1.6e6 / 295.0 * rise_k,
            pipe=(blocks[k].pipe_k or 0.0) + rise_k,
        )
    assert watch(blocks) == []
    alone = [block(k, pressure=b.pressure_pa or 0.0) for k, b in enumerate(blocks)]
    assert watch(alone) != []


def test_a_fast_leak_is_not_a_step() -> None:
    assert watch([shifted(k, -60.0 * k * 10.0) for k in range(300)]) == []


def test_a_clamp_that_falls_off_is_found() -> None:
    found = watch([block(k) if k < 200 else block(k, pipe=292.5) for k in range(300)])
    assert {disturbance.cause for disturbance in found if disturbance.action is Action.RESTART} == {
        Cause.THERMOMETER
    }
    assert found[0].t_s == pytest.approx(2000.0, abs=70.0)


@pytest.mark.parametrize("leak_pa_per_s", [0.0, 0.3, 20.0])
def test_a_lively_gauge_that_repeats_itself_is_stuck_whatever_it_did_before(
    leak_pa_per_s: float,
) -> None:
    # The trend of a leak must not make a gauge look quiet.
    blocks = [shifted(k, -10.0 * leak_pa_per_s * k) for k in range(200)]
    frozen = blocks[-1].pressure_pa
    assert frozen is not None
    blocks += [block(k, pressure=frozen, gauge=still(frozen, 690.0)) for k in range(200, 300)]
    found = [s for s in watch(blocks) if s.cause is Cause.GAP]
    assert [disturbance.action for disturbance in found] == [Action.RESTART] * 3
    assert found[0].t_s == pytest.approx(2300.0, abs=15.0)


def test_nothing_is_decided_while_a_gauge_stands_still() -> None:
    watcher = DecayWatch()
    watch([block(k) for k in range(120)], watcher)
    assert not watcher.is_gauge_still
    watch([block(k, pressure=1.6e6, gauge=still(1.6e6, 690.0)) for k in range(120, 132)], watcher)
    assert watcher.is_gauge_still
    watch([block(132)], watcher)
    assert not watcher.is_gauge_still


def test_a_gauge_stuck_from_the_start_is_found_in_five_minutes() -> None:
    found = watch(
        [block(k, pressure=1.6e6, gauge=still(1.6e6, None)) for k in range(40)], DecayWatch()
    )
    assert [(disturbance.cause, disturbance.action) for disturbance in found] == [
        (Cause.GAP, Action.RESTART)
    ]
    assert found[0].t_s <= 310.0


def test_a_declared_resolution_gives_a_resting_gauge_an_hour() -> None:
    resting = [block(k, pressure=1.6e6, gauge=still(1.6e6, 690.0)) for k in range(380)]
    steady = [replace(each, pipe_k=295.0) for each in resting]
    found = watch(steady)
    assert [(disturbance.cause, disturbance.action) for disturbance in found] == [
        (Cause.GAP, Action.NOTE),
        (Cause.GAP, Action.RESTART),
    ]
    assert found[1].t_s == pytest.approx(3600.0, abs=15.0)


def test_a_coarse_quiet_gauge_may_repeat_itself_while_nothing_changes() -> None:
    levels = [round((1.6e6 - 0.2 * k * 10.0) / 690.0) * 690.0 for k in range(300)]
    moved = [False, *(after != before for before, after in pairwise(levels))]
    coarse = [
        block(k, pressure=p, pipe=295.0 + 1e-3 * k, gauge=still(p, 690.0, moves=int(moved[k])))
        for k, p in enumerate(levels)
    ]
    watcher = DecayWatch(resolution_pa=690.0, noise_pa=50.0)
    assert [s for s in watch(coarse, watcher) if s.action is not Action.NOTE] == []


def test_a_coarse_quiet_gauge_is_stuck_when_the_pipe_says_so() -> None:
    blocks = [
        block(k, pressure=1.6e6, pipe=295.0 + 0.01 * k, gauge=still(1.6e6, 690.0))
        for k in range(55)
    ]
    found = watch(blocks, DecayWatch(resolution_pa=690.0, noise_pa=50.0))
    assert [s.cause for s in found if s.action is Action.RESTART] == [Cause.GAP]


def test_the_steps_of_a_coarse_gauge_are_not_steps_of_the_pressure() -> None:
    levels = [1.6e6 - 6895.0 * ((k * 10) // 900) for k in range(500)]
    moved = [False, *(after != before for before, after in pairwise(levels))]
    blocks = [
        block(k, pressure=p, pipe=295.0, gauge=still(p, 6895.0, moves=int(moved[k])))
        for k, p in enumerate(levels)
    ]
    assert [s for s in watch(blocks) if s.cause is Cause.STEP] == []
    fine = [replace(b, pressure_resolution=lively(b.pressure_pa or 0.0, 100.0)) for b in blocks]
    assert [s for s in watch(fine) if s.cause is Cause.STEP] != []


def test_what_a_leak_loses_in_a_silence_is_not_a_step() -> None:
    gone = range(200, 259)
    leak_pa = [-8.0 * 10.0 * k for k in range(320)]
    blocks = [
        block(k, pressure=math.nan) if k in gone else shifted(k, leak_pa[k]) for k in range(320)
    ]
    assert [s.cause for s in watch(blocks, DecayWatch(longest_gap_s=1200.0))] == [Cause.GAP]
    refilled = [b if k < 259 else shifted(k, leak_pa[k] + 2e4) for k, b in enumerate(blocks)]
    found = watch(refilled, DecayWatch(longest_gap_s=1200.0))
    assert Cause.STEP in [s.cause for s in found]


def test_short_gaps_are_noted_and_long_ones_restart() -> None:
    def with_gap(minutes: int) -> list[Disturbance]:
        gone = range(200, 200 + 6 * minutes)
        blocks = [block(k, pressure=math.nan) if k in gone else block(k) for k in range(500)]
        return watch(blocks, DecayWatch(resolution_pa=690.0, longest_gap_s=1200.0))

    assert [disturbance.action for disturbance in with_gap(5)] == [Action.NOTE]
    assert [disturbance.action for disturbance in with_gap(30)] == [Action.RESTART]
    assert with_gap(30)[0].t_s == pytest.approx(3800.0, abs=10.0)


def test_a_lively_thermometer_that_repeats_itself_is_stuck_and_not_believed_again() -> None:
    watcher = DecayWatch()
    stuck = [block(k, pipe=295.0, clamp=still(295.0, 0.02)) for k in range(200, 240)]
    found = watch([*(block(k) for k in range(200)), *stuck], watcher)
    assert [(disturbance.cause, disturbance.action) for disturbance in found] == [
        (Cause.THERMOMETER, Action.RESTART)
    ]
    assert watcher.distrusted == {"pipe_temperature"}


@pytest.mark.parametrize("step", [None, 0.1])
def test_a_thermometer_that_never_moved_is_told_and_believed_with_care(step: float | None) -> None:
    watcher = DecayWatch(clamps={"pipe_temperature": (step, None)})
    steady = [block(k, pipe=295.0, clamp=still(295.0, step)) for k in range(400)]
    found = watch(steady, watcher)
    assert [(disturbance.cause, disturbance.action) for disturbance in found] == [
        (Cause.THERMOMETER, Action.NOTE)
    ]
    assert watcher.distrusted == set()


def test_of_two_clamps_only_the_fallen_one_is_lost() -> None:
    def two(k: int, second_k: float) -> Block:
        plain = block(k)
        other = Clamp("pipe_temperature.2", second_k, lively(second_k, 0.02))
        return replace(plain, clamps=(*plain.clamps, other))

    watcher = DecayWatch()
    warm = [block(k).pipe_k or 0.0 for k in range(300)]
    watch([two(k, warm[k] if k < 200 else 292.5) for k in range(300)], watcher)
    assert watcher.distrusted == {"pipe_temperature.2"}


def test_a_coarse_clamp_that_steps_has_not_fallen() -> None:
    warm = [295.0 + round(0.001 * k) for k in range(600)]
    blocks = [block(k, pipe=t, clamp=still(t, 1.0)) for k, t in enumerate(warm)]
    assert [s for s in watch(blocks) if s.action is Action.RESTART] == []
