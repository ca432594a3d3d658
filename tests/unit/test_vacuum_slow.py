"""Standing vacuums on gauges that speak more seldom than once a block."""

from __future__ import annotations

import math
import random
from typing import TYPE_CHECKING

import pytest
from hold_builder import mark, reading, vacuum_recipe

from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.judge import judge
from holdwatch_procedures.holds.verdict import Outcome, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hold_builder import Row


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return Fluids.load()


def rows(every_s: int, slope: float, desorbs_pa: float, minutes: int = 60) -> Iterator[Row]:
    """A rise from 40 Pa with noise, and gas that comes off the wall within ten minutes."""
    chance = random.Random(3)
    yield mark(0.0, "isolated")
    for second in range(0, minutes * 60, every_s):
        level = 40.0 + slope * second + desorbs_pa * -math.expm1(-second / 600.0)
        noise = chance.gauss(0.0, 0.1 + 0.005 * level)
        yield reading(second, "vacuum", round((level + noise) / 0.13332) * 0.13332)
        yield reading(second, "pipe_temperature", 295.15 + chance.gauss(0.0, 0.02))


def judged(every_s: int, fluids: Fluids, slope: float = 0.0, desorbs_pa: float = 0.0) -> Verdict:
    recipe = vacuum_recipe(limit=2000.0)
    return judge(rows(every_s, slope, desorbs_pa), recipe, fluids, version="test")


@pytest.mark.parametrize("every_s", [15, 30, 60])
def test_a_slow_gauge_decides_by_its_own_interval_and_its_pauses_are_no_gaps(
    fluids: Fluids, every_s: int
) -> None:
    tight = judged(every_s, fluids)
    assert tight.outcome is Outcome.PASS
    assert Cause.GAP not in tight.causes
    # 6 Pa a minute into 2.5 L is some 20 kg a year.
    assert judged(every_s, fluids, slope=0.1).outcome is Outcome.FAIL


@pytest.mark.parametrize("every_s", [15, 60])
def test_a_slow_gauge_does_not_turn_desorption_into_a_leak(fluids: Fluids, every_s: int) -> None:
    assert judged(every_s, fluids, desorbs_pa=60.0).outcome is not Outcome.FAIL
