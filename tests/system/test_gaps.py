"""Readings that stop and come back at any moment never break the judging."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest
from hold_builder import decay_recipe, vacuum_recipe

from holdwatch_physics.fluids import Fluids
from holdwatch_physics.reading import Quality, Quantity
from holdwatch_procedures.holds.hold import Hold, conclude
from holdwatch_procedures.holds.order import MARK_WORD, Mark, Readings
from holdwatch_procedures.holds.vacuum.pumpdown import EvacuationNews, EvacuationWatch
from holdwatch_procedures.holds.verdict import Outcome

if TYPE_CHECKING:
    from holdwatch_procedures.holds.recipe import Recipe


def test_a_target_reached_in_three_looks_far_apart_is_dated_by_the_first() -> None:
    watch = EvacuationWatch(66.7)
    found = []
    for start in (0.0, 2_000.0, 4_000.0):
        for second in range(3):
            found += watch.push(start + second, 40.0)
    (told,) = [event for event in found if event.kind is EvacuationNews.TARGET_REACHED]
    assert told.t_s == pytest.approx(0.5, abs=1.0)
    assert watch.facts.target_reached_s == told.t_s


def test_an_evacuation_with_gaps_anywhere_is_followed_without_an_error() -> None:
    chance = random.Random(5)
    for _ in range(150):
        watch, t_s = EvacuationWatch(66.7), 0.0
        for _ in range(60):
            t_s += chance.choice([0.25, 1.0, 5.0, 31.0, 400.0, 3_000.0])
            pressure = chance.choice([20.0, 60.0, 66.7, 70.0, 500.0, 90_000.0])
            watch.push(t_s, pressure * chance.uniform(0.99, 1.01), 293.0)
        assert watch.facts.first_s is not None


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("recipe", [decay_recipe(), vacuum_recipe()], ids=["decay", "vacuum"])
def test_a_hold_with_gaps_anywhere_ends_without_an_error_and_without_a_false_pass(
    recipe: Recipe, seed: int
) -> None:
    """A leak far above the criterion, heard for a few seconds at a time."""
    chance, fluids = random.Random(seed), Fluids.load()
    hold = Hold(recipe, fluids, version="test")
    is_vacuum = recipe.is_vacuum
    t_s, marked = 0.0, False
    while hold.verdict is None and t_s < 9_000.0:
        t_s += chance.choice([1.0] * 20 + [7.0, 45.0, 400.0, 2_500.0])
        t_ns = round(t_s * 1e9)
        if not marked and t_s > chance.choice([0.0, 30.0, 600.0]):
            hold.take(Mark(t_ns, MARK_WORD[recipe.procedure]))
            marked = True
        if is_vacuum:
            value = round(30.0 + 5.0 * t_s + chance.gauss(0.0, 0.3), 1)
            hold.take(
                Readings(
                    (t_ns,), ("vacuum",), (Quantity.PRESSURE_ABSOLUTE,), (value,), (Quality.GOOD,)
                )
            )
        else:
            value = round(1.45e6 - 100.0 * t_s + chance.gauss(0.0, 200.0), -2)
            hold.take(
                Readings(
                    (t_ns,), ("low_side",), (Quantity.PRESSURE_GAUGE,), (value,), (Quality.GOOD,)
                )
            )
        hold.take(
            Readings(
                (t_ns,), ("pipe_temperature",), (Quantity.TEMPERATURE,), (295.0,), (Quality.GOOD,)
            )
        )
        hold.snapshot()
    verdict = conclude(hold)
    assert verdict.outcome is not Outcome.PASS
    assert verdict.reasons
