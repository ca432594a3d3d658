"""Pressure decays on coarse, slow, stuck and fallen instruments: verdicts, and no wrong ones."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pytest
from hold_builder import ROOM_PA, Row, decay_recipe, mark, reading

from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.judge import judge
from holdwatch_procedures.holds.verdict import Outcome, Verdict
from holdwatch_procedures.wording import render

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

LIMIT_G = 2000.0
LIMIT_PA_PER_S = 2.35
"""What 2000 g a year are in 2.5 L at 15 bar: by the hold's own scale, to a percent."""
PSI_PA = 6894.76


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return Fluids.load()


@dataclass(frozen=True, kw_only=True)
class Rig:
    """Nitrogen at 15 bar in 2.5 L with a gauge and a clamp; once a second unless said.

    ``freeze_s`` is when the gauge begins to repeat itself, ``clamp_off`` what the clamp shows
    instead of the pipe from a time on, ``silent`` whether a gauge reading is lost.
    """

    minutes: float
    slope: float = 0.0
    every_s: float = 1.0
    clamp_every_s: float = 1.0
    noise_pa: float = 200.0
    step_pa: float = 100.0
    clamp_noise_k: float = 0.02
    clamp_step_k: float = 0.01
    drift_k_per_h: float = 0.0
    above_step: float = 0.0
    freeze_s: float = math.inf
    clamp_off: Callable[[float, float], float] | None = None
    second_clamp: bool = False
    silent: Callable[[float], bool] = lambda _: False
    seed: int = 1

    def rows(self) -> Iterator[Row]:
        chance = random.Random(self.seed)
        yield mark(0.0, "valve_closed")
        start_pa = round(1.5e6 / self.step_pa) * self.step_pa + self.above_step * self.step_pa
        frozen: float | None = None
        for second in range(round(self.minutes * 60)):
            drift_k = self.drift_k_per_h * second / 3600 + 0.03 * math.sin(second / 900)
            kelvin = 295.15 + drift_k
            absolute = (start_pa + ROOM_PA - self.slope * second) * (kelvin / 295.15) ** 1.03
            gauge = absolute - ROOM_PA + chance.gauss(0.0, self.noise_pa)
            gauge = round(gauge / self.step_pa) * self.step_pa
            shown = kelvin if self.clamp_off is None else self.clamp_off(second, kelvin)
            if second >= self.freeze_s:
                frozen = gauge if frozen is None else frozen
                gauge = frozen
            if second % self.every_s == 0 and not self.silent(second):
                yield reading(second, "low_side", gauge)
            if second % self.clamp_every_s == 0:
                yield reading(second, "pipe_temperature", self._clamp(shown, chance))
                if self.second_clamp:
                    yield reading(second, "pipe_temperature.2", self._clamp(kelvin, chance))

    def _clamp(self, kelvin: float, chance: random.Random) -> float:
        celsius = kelvin - 273.15 + chance.gauss(0.0, self.clamp_noise_k)
        return round(celsius / self.clamp_step_k) * self.clamp_step_k + 273.15


def judged(rig: Rig, fluids: Fluids, *, limit_g: float = LIMIT_G, **channels: Any) -> Verdict:
    named = {name: {"role": name} | figures for name, figures in channels.items()}
    recipe = decay_recipe(limit_g, limits={"max_pressure_kpa_g": 1800.0}, channels=named)
    return judge(rig.rows(), recipe, fluids, version="test")


# -- a stuck gauge ----------------------------------------------------------------------------


@pytest.mark.parametrize("freeze_s", [300.0, 605.0, 700.0, 900.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_leaking_unit_whose_gauge_sticks_never_passes(
    fluids: Fluids, freeze_s: float, seed: int
) -> None:
    rig = Rig(minutes=75, slope=16.0, noise_pa=300.0, freeze_s=freeze_s, seed=seed)
    verdict = judged(rig, fluids)
    assert verdict.outcome is not Outcome.PASS
    if verdict.outcome is Outcome.INCONCLUSIVE:
        assert Cause.GAP in verdict.causes


@pytest.mark.parametrize("figures", [{}, {"unit": "Pag", "resolution": 700.0}])
def test_a_coarse_quiet_gauge_that_sticks_never_passes(
    fluids: Fluids, figures: dict[str, Any]
) -> None:
    rig = Rig(minutes=60, slope=5.0, noise_pa=40.0, step_pa=700.0, freeze_s=640.0)
    assert judged(rig, fluids, low_side=figures).outcome is not Outcome.PASS


@pytest.mark.parametrize("figures", [{}, {"unit": "Pag", "resolution": 1000.0, "noise": 50.0}])
def test_readings_that_never_change_never_pass(fluids: Fluids, figures: dict[str, Any]) -> None:
    rig = Rig(minutes=150, noise_pa=0.0, step_pa=2e5, clamp_noise_k=0.0)
    verdict = judged(rig, fluids, limit_g=10_000.0, low_side=figures)
    assert verdict.outcome is Outcome.INCONCLUSIVE
    assert Cause.GAP in verdict.causes


# -- a coarse gauge ---------------------------------------------------------------------------


@pytest.mark.parametrize("figures", [{}, {"unit": "psig", "resolution": 1.0}])
@pytest.mark.parametrize("above_step", [0.45, 0.2])
def test_a_leak_above_the_limit_does_not_hide_between_the_steps_of_a_coarse_gauge(
    fluids: Fluids, figures: dict[str, Any], above_step: float
) -> None:
    rig = Rig(
        minutes=90,
        slope=1.25 * LIMIT_PA_PER_S,
        noise_pa=100.0,
        step_pa=PSI_PA,
        above_step=above_step,
    )
    verdict = judged(rig, fluids, low_side=figures)
    assert verdict.outcome is not Outcome.PASS
    assert Cause.STEP not in verdict.causes


@pytest.mark.parametrize("step_pa", [700.0, 1000.0, 5000.0, PSI_PA])
def test_a_clear_leak_fails_on_a_coarse_gauge(fluids: Fluids, step_pa: float) -> None:
    rig = Rig(minutes=100, slope=4.0 * LIMIT_PA_PER_S, noise_pa=100.0, step_pa=step_pa)
    verdict = judged(rig, fluids)
    assert verdict.outcome is Outcome.FAIL
    assert Cause.STEP not in verdict.causes


def test_a_tight_unit_passes_on_a_coarse_quiet_gauge_that_moves_with_the_shop(
    fluids: Fluids,
) -> None:
    rig = Rig(minutes=90, noise_pa=60.0, step_pa=700.0, drift_k_per_h=0.6)
    assert judged(rig, fluids).outcome is Outcome.PASS


# -- a coarse, steady, stuck or fallen thermometer --------------------------------------------

COARSE = {"unit": "degC", "resolution": 1.0}


@pytest.mark.parametrize("figures", [{}, COARSE])
def test_a_coarse_clamp_neither_hides_a_leak_nor_makes_one(
    fluids: Fluids, figures: dict[str, Any]
) -> None:
    hidden = Rig(minutes=100, slope=1.9, drift_k_per_h=0.8, clamp_step_k=1.0)
    verdict = judged(hidden, fluids, limit_g=1200.0, pipe_temperature=figures)
    assert verdict.outcome is not Outcome.PASS
    cooling = Rig(minutes=110, drift_k_per_h=-0.9, clamp_step_k=1.0)
    verdict = judged(cooling, fluids, limit_g=500.0, pipe_temperature=figures)
    assert verdict.outcome is not Outcome.FAIL
    assert verdict.leak.g_per_year.low is None or verdict.leak.g_per_year.low < 0.0


@pytest.mark.parametrize("clamp_step_k", [0.1, 0.5, 1.0])
def test_a_clear_leak_fails_beside_a_coarse_clamp(fluids: Fluids, clamp_step_k: float) -> None:
    rig = Rig(minutes=100, slope=10.0, drift_k_per_h=-0.5, clamp_step_k=clamp_step_k)
    assert judged(rig, fluids).outcome is Outcome.FAIL


def test_a_clamp_that_a_steady_shop_never_moves_spoils_nothing(fluids: Fluids) -> None:
    steady = Rig(minutes=60, clamp_step_k=0.5, clamp_noise_k=0.0)
    assert judged(replace(steady, slope=8.0), fluids).outcome is Outcome.FAIL
    figures = {"unit": "degC", "resolution": 0.5}
    assert judged(steady, fluids, pipe_temperature=figures).outcome is Outcome.PASS


def test_a_clamp_stuck_while_the_shop_drifts_makes_no_leak(fluids: Fluids) -> None:
    rig = Rig(minutes=100, drift_k_per_h=-1.0, clamp_off=lambda _t, _k: 295.15, clamp_noise_k=0.0)
    assert judged(rig, fluids, limit_g=900.0).outcome is Outcome.INCONCLUSIVE


def fallen(second: float, kelvin: float) -> float:
    """A clamp that drops onto air that is 2 K colder, and cools on as fast as the leak."""
    return kelvin if second < 1300 else kelvin - 2.0 - 2.2 * (second - 1300) / 3600


def test_a_fallen_clamp_is_not_believed_again(fluids: Fluids) -> None:
    rig = Rig(minutes=100, slope=1.5 * LIMIT_PA_PER_S, clamp_off=fallen)
    verdict = judged(rig, fluids)
    assert verdict.outcome is not Outcome.PASS
    assert Cause.THERMOMETER in verdict.causes
    assert any("no longer believed" in render(reason) for reason in verdict.reasons)


@pytest.mark.parametrize("every_s", [1.0, 20.0, 60.0])
def test_with_another_clamp_on_its_pipe_the_hold_goes_on_with_that_one(
    fluids: Fluids, every_s: float
) -> None:
    def rig(slope: float) -> Rig:
        return Rig(
            minutes=130,
            slope=slope,
            clamp_off=fallen,
            second_clamp=True,
            every_s=every_s,
            clamp_every_s=every_s,
        )

    tight = judged(rig(0.0), fluids)
    assert tight.outcome is Outcome.PASS
    assert Cause.THERMOMETER in tight.causes
    assert judged(rig(4.0 * LIMIT_PA_PER_S), fluids).outcome is Outcome.FAIL


# -- slow instruments and silences ------------------------------------------------------------


@pytest.mark.parametrize("every_s", [10.0, 15.0, 20.0, 30.0, 60.0])
def test_slow_instruments_are_judged_by_their_own_interval(fluids: Fluids, every_s: float) -> None:
    slow = Rig(minutes=150, every_s=every_s, clamp_every_s=every_s)
    assert judged(slow, fluids).outcome is Outcome.PASS
    leaking = replace(slow, slope=3.0 * LIMIT_PA_PER_S)
    assert judged(leaking, fluids).outcome is Outcome.FAIL


@pytest.mark.parametrize("clamp_every_s", [15.0, 60.0])
def test_a_slow_clamp_beside_a_quick_gauge_is_carried_on(
    fluids: Fluids, clamp_every_s: float
) -> None:
    rig = Rig(minutes=100, clamp_every_s=clamp_every_s, drift_k_per_h=0.3)
    assert judged(rig, fluids).outcome is Outcome.PASS


def test_a_slow_gauge_that_loses_too_many_readings_is_not_judged(fluids: Fluids) -> None:
    rig = Rig(
        minutes=90,
        every_s=20.0,
        silent=lambda second: second > 600 and (second // 20) % 10 < 4,
    )
    assert judged(rig, fluids).outcome is Outcome.INCONCLUSIVE


@pytest.mark.parametrize("slope", [6.0, 10.0])
def test_what_a_leak_loses_in_a_silence_is_not_taken_for_a_step(
    fluids: Fluids, slope: float
) -> None:
    rig = Rig(minutes=100, slope=slope, silent=lambda second: 1100 < second < 1690)
    recipe = decay_recipe(LIMIT_G, limits={"max_pressure_kpa_g": 1800.0, "max_gap_min": 20.0})
    verdict = judge(rig.rows(), recipe, fluids, version="test")
    assert verdict.outcome is Outcome.FAIL
    assert Cause.STEP not in verdict.causes
