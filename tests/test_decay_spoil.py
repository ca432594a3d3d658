"""What the watches of a pressure-decay hold find, and what they leave alone."""

from __future__ import annotations

import math

import pytest

from holdwatch_procedures.decay_spoil import DecayWatch
from holdwatch_procedures.estimates import Block, Cause
from holdwatch_procedures.spoil import Action, Spoil


def noise(k: int, size: float) -> float:
    """A scatter without a random generator."""
    return size * (math.sin(1.7 * k) + 0.7 * math.sin(0.9 * k + 1.0) + 0.5 * math.sin(2.9 * k))


def block(k: int, *, pressure: float | None = None, pipe: float | None = None) -> Block:
    t_s = (k + 0.5) * 10.0
    warm = 295.0 + 0.2 * math.sin(t_s / 600.0) + noise(k + 500, 0.02)
    level = 1.6e6 * (1.0 + (warm - 295.0) / 295.0) - 0.3 * t_s + noise(k, 200.0)
    return Block(
        index=k,
        t_s=t_s,
        pressure_pa=level if pressure is None else (None if math.isnan(pressure) else pressure),
        pressure_sd_pa=0.0,
        pressure_n=10,
        pipe_k=warm if pipe is None else pipe,
        coldest_k=None,
        ambient_k=None,
        barometer_pa=101325.0,
    )


def watch(blocks: list[Block], watcher: DecayWatch | None = None) -> list[Spoil]:
    watcher = watcher or DecayWatch(resolution_pa=690.0)
    return [spoil for each in blocks for spoil in watcher.push(each)]


def shifted(k: int, by_pa: float) -> Block:
    plain = block(k)
    return block(k, pressure=(plain.pressure_pa or 0.0) + by_pa)


def test_a_quiet_hold_spoils_nothing() -> None:
    assert watch([block(k) for k in range(720)]) == []


@pytest.mark.parametrize("size_pa", [-10_000.0, -5_000.0, 5_000.0, 20_000.0])
def test_a_step_is_found_where_it_was(size_pa: float) -> None:
    found = watch([block(k) if k < 200 else shifted(k, size_pa) for k in range(300)])
    assert [spoil.cause for spoil in found] == [Cause.STEP]
    assert found[0].action is Action.RESTART
    assert found[0].t_s == pytest.approx(2000.0, abs=20.0)
    assert ("rose" in found[0].text) == (size_pa > 0.0)


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
    assert {spoil.cause for spoil in found if spoil.action is Action.RESTART} == {Cause.THERMOMETER}
    assert found[0].t_s == pytest.approx(2000.0, abs=70.0)


def test_a_gauge_that_repeats_itself_is_stuck_until_it_moves() -> None:
    found = watch([block(k) if k < 200 else block(k, pressure=1.6e6) for k in range(300)])
    assert [spoil.cause for spoil in found] == [Cause.GAP] * 3
    assert found[0].t_s == pytest.approx(2300.0, abs=10.0)
    assert found[0].action is Action.RESTART


def test_a_gauge_stuck_from_the_start_is_found_in_five_minutes() -> None:
    found = watch([block(k, pressure=1.6e6) for k in range(40)])
    assert found[0].cause is Cause.GAP
    assert found[0].t_s <= 310.0


def test_a_coarse_quiet_gauge_may_repeat_itself_while_nothing_changes() -> None:
    coarse = [
        block(k, pressure=round((1.6e6 - 0.2 * k * 10.0) / 690.0) * 690.0, pipe=295.0 + 1e-3 * k)
        for k in range(300)
    ]
    watcher = DecayWatch(resolution_pa=690.0, noise_pa=50.0)
    assert [s for s in watch(coarse, watcher) if s.action is not Action.NOTE] == []


def test_a_coarse_quiet_gauge_is_stuck_when_the_pipe_says_so() -> None:
    blocks = [block(k, pressure=1.6e6, pipe=295.0 + 0.01 * k) for k in range(60)]
    watcher = DecayWatch(resolution_pa=690.0, noise_pa=50.0)
    assert next(s.cause for s in watch(blocks, watcher)) is Cause.GAP


def test_short_gaps_are_noted_and_long_ones_restart() -> None:
    def with_gap(minutes: int) -> list[Spoil]:
        gone = range(200, 200 + 6 * minutes)
        blocks = [block(k, pressure=math.nan) if k in gone else block(k) for k in range(500)]
        return watch(blocks, DecayWatch(resolution_pa=690.0, longest_gap_s=1200.0))

    assert [spoil.action for spoil in with_gap(5)] == [Action.NOTE]
    assert [spoil.action for spoil in with_gap(30)] == [Action.RESTART]
    assert with_gap(30)[0].t_s == pytest.approx(3800.0, abs=10.0)


def test_a_thermometer_that_repeats_itself_is_stuck() -> None:
    found = watch([block(k) if k < 200 else block(k, pipe=295.0) for k in range(240)])
    assert [(spoil.cause, spoil.action) for spoil in found] == [(Cause.THERMOMETER, Action.RESTART)]
